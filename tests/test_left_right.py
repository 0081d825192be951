"""A left and a right mic: a low cut in one of them, and gains that are not alike."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

import findkit
from findkit import file_of, told, with_channel, with_pair
from kitproof.measure.lowcut import pair_lows
from kitproof.model import ChannelFaults, Gap, Hum
from kitproof.observed.heard import Heard
from kitproof.observed.pairs import PairLows

RATE_HZ = 2000.0
STROKES_S = np.arange(1.0, 40.0, 1.3)
LEFT, RIGHT = file_of("overhead-left"), file_of("overhead-right")


def lows(seed=1):
    """Strokes with a low end: bursts of noise under 400 Hz that fall within 0.2 s, over a little room tone."""
    rng = np.random.default_rng(seed)
    x = 1e-4 * rng.standard_normal(round(42.0 * RATE_HZ))
    t = np.arange(round(0.5 * RATE_HZ)) / RATE_HZ
    for at in STROKES_S:
        x[round(at * RATE_HZ) :][: len(t)] += 0.2 * rng.standard_normal(len(t)) * np.exp(-t / 0.06)
    return x


def filtered(x, *args):
    return signal.sosfilt(signal.butter(*args, fs=RATE_HZ, output="sos"), x)


def compared(left, right, strokes=STROKES_S):
    return pair_lows("l.wav", "r.wav", left.astype(np.float32), right.astype(np.float32), RATE_HZ, strokes)


def test_the_same_lows_at_another_gain_are_the_same():
    """Gain and distance are taken out."""
    found = compared(lows(), 0.3 * lows())

    assert (found.lowest_db, found.low_db, found.upper_db) == pytest.approx((0.0, 0.0, 0.0), abs=1e-3)


@pytest.mark.parametrize(("order", "lowest_db", "low_db"), [(2, -18.4, -10.4), (3, -27.5, -15.2)])
def test_a_low_cut_shows_as_it_falls(order, lowest_db, low_db):
    """Butterworth's high-pass from 80 Hz at 28 and 45 Hz, in the left mic only."""
    found = compared(filtered(lows(), order, 80.0, "high"), lows())

    # bands are a third of an octave wide, at 12 to 18 dB an octave, and a stroke lasts 0.4 s
    assert found.lowest_db == pytest.approx(lowest_db, abs=3.0)
    assert found.low_db == pytest.approx(low_db, abs=2.0)
    assert abs(found.upper_db) < 2.0
    assert compared(lows(), filtered(lows(), order, 80.0, "high")).lowest_db == pytest.approx(-found.lowest_db, abs=0.1)


def test_few_strokes_and_strokes_without_lows_say_so():
    """Nine strokes; and toms that hold nothing under 100 Hz over a rumble."""
    thin = filtered(lows(), 6, 120.0, "high") + 0.01 * np.random.default_rng(2).standard_normal(round(42.0 * RATE_HZ))

    assert compared(lows(), lows(), STROKES_S[:9]).unmeasured["low_db"] == "too few strokes"
    assert "nothing so low" in compared(thin, thin).unmeasured["low_db"]


CUT = PairLows(a=LEFT, b=RIGHT, n_strokes=60, lowest_db=-26.0, low_db=-14.0, upper_db=-1.0)


def judged(*records, kit=None):
    return told((kit or findkit.kit()) | {"faults": records})


def found(code, *records, kit=None):
    return [(f.severity, f.files, f.value) for f in judged(*records, kit=kit).findings if f.code == code]


def test_a_deep_cut_on_one_side_is_worth_a_decision():
    """It names the thin mic, left or right."""
    assert found("low-cut", CUT) == [("look", (LEFT,), -26.0)]
    assert found("low-cut", replace(CUT, lowest_db=26.0, low_db=14.0)) == [("look", (RIGHT,), -26.0)]


def test_less_of_it_or_in_a_room_mic_is_a_note():
    """There a mode of the room may have its node."""
    assert found("low-cut", replace(CUT, lowest_db=-17.0, low_db=-8.0)) == [("note", (LEFT,), -17.0)]
    room = replace(CUT, a=file_of("room-left"), b=file_of("room-right"))
    assert found("low-cut", room) == [("note", (file_of("room-left"),), -26.0)]


def test_a_hole_in_the_other_mic_is_no_cut_here():
    """A value held for 6 ms begins and ends with a step, which is loud at 20 Hz."""
    no_hum = Hum(
        fundamental_hz=None, spread_hz=None, lines=(), level_dbfs=None, confidence=None,
        unmeasured=dict.fromkeys(Hum.NULLABLE, "none"),
    )  # fmt: skip
    held = Gap(start_s=3.0, n_samples=265, kind="held", step_db=20.0)
    hole = ChannelFaults(file=RIGHT, plateaus=(), gaps=(held,), hum=no_hum)
    assert found("low-cut", CUT, hole) == []
    assert found("low-cut", CUT, replace(hole, gaps=())) == [("look", (LEFT,), -26.0)]


@pytest.mark.parametrize("change", [{"lowest_db": -10.0}, {"low_db": -3.0}, {"low_db": 4.0}, {"upper_db": -9.0}])
def test_modes_of_the_room_are_no_cut(change):
    """Little; one band alone; the other way round further up; higher up as well."""
    assert found("low-cut", replace(CUT, **change)) == []


def test_lows_that_are_not_known_are_named_as_not_checked():
    """Nothing found is not the same as nothing looked for."""
    names = ("lowest_db", "low_db", "upper_db")
    none = replace(CUT, n_strokes=4, unmeasured=dict.fromkeys(names, "too few strokes"), **dict.fromkeys(names))

    assert [n.files for n in judged(none).not_checked if n.code == "lows"] == [(LEFT, RIGHT)]


def louder_left(kick_db, snare_db, noise_db, delay_ms=3.0, n_strokes=40):
    """The kit with an overhead pair that hears kick and snare at the same time, the left mic louder by so much."""
    kit = findkit.kit()
    for drum, own in (("kick", "kick"), ("snare", "snare-top")):
        kit = with_pair(kit, own, "overhead-left", drum, delay_ms=delay_ms, delay_spread_ms=0.02)
        kit = with_pair(kit, own, "overhead-right", drum, delay_ms=3.0, delay_spread_ms=0.02)
    kit = with_channel(kit, "overhead-left", noise_floor_dbfs=-70.0 + noise_db)
    kit = with_channel(kit, "overhead-right", noise_floor_dbfs=-70.0)
    levels = {("kick", LEFT): kick_db, ("snare", LEFT): snare_db, ("kick", RIGHT): 0.0, ("snare", RIGHT): 0.0}
    heard = [
        Heard(file=file, drum=drum, n_strokes=n_strokes, level_dbfs=-40.0 + db, over_own_db=-25.0 + db, error_db=0.1)
        for (drum, file), db in levels.items()
    ]
    return kit, heard


def test_drums_and_noise_that_differ_alike_are_the_gain():
    """Four decibels of kick, snare and noise: a note, nothing more."""
    kit, heard = louder_left(4.0, 4.4, 3.8)
    (severity, files, value), = found("pair-gain", *heard, kit=kit)  # fmt: skip

    assert (severity, files) == ("note", (LEFT, RIGHT))
    assert value == pytest.approx(4.2)
    kit, heard = louder_left(4.0, 4.4, 3.8, n_strokes=2)
    assert found("pair-gain", *heard, kit=kit) == []  # fewer than a line check has


@pytest.mark.parametrize(
    ("kick_db", "snare_db", "noise_db", "delay_ms"),
    [(4.0, 4.0, 0.0, 3.0), (1.0, 1.0, 1.0, 3.0), (4.0, -2.0, 3.0, 3.0), (4.0, 4.0, 4.0, 3.6), (4.0, 4.0, -4.0, 3.0)],
)
def test_what_a_place_does_is_no_gain(kick_db, snare_db, noise_db, delay_ms):
    """The noise alike; little; drums that disagree; drums that arrive apart; the noise the other way."""
    kit, heard = louder_left(kick_db, snare_db, noise_db, delay_ms)

    assert found("pair-gain", *heard, kit=kit) == []
