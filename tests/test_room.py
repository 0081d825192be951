"""The room: decays of known length, copies of known delay and level, and what must not be taken for them."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

import findkit
from findkit import file_of, the, told
from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.room_decay import (
    LEAD_S,
    OCTAVES_HZ,
    Decay,
    SnareDecay,
    band_course,
    decay_of,
    early_over_late_db,
    free_strokes,
    room_decays,
)
from kitproof.measure.room_reflections import SEARCHES, TAIL_S, shared_reflection
from kitproof.measure.views import TakeView
from kitproof.observed.room import Reflection

RATE_HZ = 48000
COMB, ECHO = SEARCHES
MS = RATE_HZ // 1000


# ---------------------------------------------------------------- decay
def decaying(t60_s, *, noise=0.0, n=8, length_s=0.8):
    """Strokes of noise that dies away by 60 dB in t60_s: amplitude exp(-6.90776 t / T), ln 1000 = 6.90776."""
    rng = np.random.default_rng(11)
    t = np.arange(round((LEAD_S + length_s) * RATE_HZ)) / RATE_HZ - LEAD_S
    shape = np.where(t >= 0.0, np.exp(-6.90776 * np.maximum(t, 0.0) / t60_s), 0.0)
    return rng.standard_normal((n, len(t))) * shape + noise * rng.standard_normal((n, len(t)))


@pytest.mark.parametrize("t60_s", [0.15, 0.4, 1.0])
def test_an_exact_exponential_gives_its_own_time_in_both_ranges(t60_s):
    """ISO 3382-1: for an exponential all ranges agree; 1 % for the steps of 2.5 ms, also where the end is cut."""
    power = np.exp(-2.0 * 6.90776 * np.arange(0.0, 0.6, 0.0025) / t60_s)

    found = decay_of(power, 0.0)

    assert found.early_s == pytest.approx(t60_s, rel=0.01)
    assert found.t20_s == pytest.approx(t60_s, rel=0.01)


@pytest.mark.parametrize("centre_hz", OCTAVES_HZ)
def test_noise_that_dies_away_is_read_in_every_octave(centre_hz):
    """8 %: eight strokes of noise, whose level in one octave fluctuates by itself (Schroeder 1965)."""
    found = decay_of(*band_course(decaying(0.4), RATE_HZ, centre_hz))

    assert found.t20_s == pytest.approx(0.4, rel=0.08)


def test_a_decay_that_sinks_into_noise_too_soon_has_no_figure():
    """25 dB over the noise leave 15 of the 25 that ISO 3382-1 reads 10 dB over it; 60 dB leave enough."""
    assert decay_of(*band_course(decaying(0.4, noise=10.0**-1.25), RATE_HZ, 1000.0)).t20_s is None
    assert decay_of(*band_course(decaying(0.4, noise=1e-3), RATE_HZ, 1000.0)).t20_s == pytest.approx(0.4, rel=0.08)


@pytest.mark.parametrize("late_s", [0.0, 0.009])
def test_early_over_late_is_that_of_the_exponential_wherever_the_mic_stands(late_s):
    """C50 of an exponential (ISO 3382-1): 10 log10(10^(6 * 0.05 / T) - 1), 6.6 dB for 0.4 s.

    0.8 dB: the noise in 0.35 s of the tail, frames of 2.5 ms, and 0.8 s in place of forever.
    """
    x = np.roll(decaying(0.4), round(late_s * RATE_HZ), axis=1)

    assert np.median(early_over_late_db(x, RATE_HZ)) == pytest.approx(6.6, abs=0.8)


def test_a_stroke_that_is_followed_too_soon_has_no_early_over_late():
    """Of a tail of 0.12 s only 70 ms are left after the border, and 80 are asked for."""
    assert early_over_late_db(decaying(0.4, length_s=0.12), RATE_HZ) == []


def test_silence_has_no_decay():
    """Nothing to read."""
    course = band_course(np.zeros((8, RATE_HZ)), RATE_HZ, 1000.0)

    assert decay_of(*course) == Decay(early_s=None, t20_s=None)


def decays(room_s, drum_s):
    clues = tuple(
        SnareDecay(
            file=file,
            n_strokes=8,
            free_s=0.4,
            early_over_late_db=(6.0, 7.0, 8.0, 6.5, 7.5, 7.0),
            octaves=(Decay(early_s=s, t20_s=s),) * len(OCTAVES_HZ),
        )
        for file, s in (("room.wav", room_s), ("snare.wav", drum_s))
    )
    view = TakeView(
        take=findkit.kit()["take"], kit=(), own={"snare": "snare.wav"}, drums={}, tracks={}, pairs=(), clues=clues,
    )  # fmt: skip
    return list(room_decays(view))


def test_a_decay_is_the_rooms_only_where_the_drum_is_much_shorter():
    """0.5 s after a drum of 0.2 s is the room; after a drum of 0.4 s nobody knows."""
    (plain,), (unclear,) = decays(0.5, 0.2), decays(0.5, 0.4)

    assert [o.room_s for o in plain.octaves] == [0.5] * 5
    assert (plain.early_over_late_db, plain.early_spread_db) == (7.0, 0.8)
    assert [o.room_s for o in unclear.octaves] == [None] * 5
    assert {o.unmeasured["room_s"] for o in unclear.octaves} == {"the drum itself takes about as long"}


def test_only_strokes_with_a_free_tail_are_used():
    """A hat 100 ms behind a stroke ends it; one struck together with it does not."""
    time_s = np.arange(1.0, 17.0)
    snare = DrumTimes(
        drum="snare", own_file="s", time_s=time_s, strength=np.ones(16), clear=np.ones(16, bool)
    )  # fmt: skip
    hats = np.concatenate([time_s[:8] + 0.1, time_s[8:] + 0.002])

    chosen, free_s = free_strokes(snare, np.sort(np.concatenate([time_s, hats])))

    assert chosen.tolist() == time_s[8:].tolist()
    assert free_s == pytest.approx(0.99, abs=0.02)  # a second to the next stroke, less a margin


# ---------------------------------------------------------------- copies
def drums(delay_ms, level_db, *, n_drums=5, again=1, apart_ms=0.0):
    """Strokes of drums with spectra of their own, each followed by a copy; `apart_ms` from drum to drum."""
    rng = np.random.default_rng(7)
    n, out = round((0.005 + TAIL_S) * RATE_HZ), {}
    t = np.arange(n) / RATE_HZ
    for k in range(n_drums):
        sos = signal.butter(
            1, [(120.0, 2000.0), (200.0, 6000.0), (900.0, 12000.0)][k % 3], "bandpass", fs=RATE_HZ, output="sos"
        )
        x = signal.sosfilt(sos, rng.standard_normal((12, n)) * np.exp(-t / (0.01 + 0.01 * k)), axis=1)
        x += 1e-3 * x.std() * rng.standard_normal(x.shape)
        y = x.copy()
        for j in range(1, again + 1):
            lag = round(j * (delay_ms + k * apart_ms) * MS)
            y[:, lag:] += 10.0 ** (j * level_db / 20.0) * x[:, :-lag]
        out[f"drum-{k}"] = y
    return out


@pytest.mark.parametrize("level_db", [-6.0, -10.0])
@pytest.mark.parametrize(("delay_ms", "search"), [(1.5, COMB), (4.2, COMB), (33.0, ECHO)])
def test_a_copy_that_all_drums_share_is_found_with_its_delay_and_level(delay_ms, search, level_db):
    """log|1 + a z| has its first term at 2 a (Bogert 1963): 1 dB for noise and window, 0.05 ms for some samples."""
    found = shared_reflection("oh", drums(delay_ms, level_db), RATE_HZ, search)

    assert found.delay_ms == pytest.approx(delay_ms, abs=0.05)
    assert found.level_db == pytest.approx(level_db, abs=1.0)
    assert found.share == 1.0


@pytest.mark.parametrize("search", SEARCHES)
def test_drums_without_a_copy_show_none(search):
    """Noise bursts in one mic, with the colour of each drum."""
    found = shared_reflection("oh", drums(4.2, -200.0), RATE_HZ, search)

    assert found.delay_ms is None
    assert "no copy" in found.unmeasured["level_db"]


def test_a_floor_that_sends_every_drum_back_at_another_delay_is_no_shared_copy():
    """0.6 ms from drum to drum, 20 cm of path: geometry of the kit."""
    assert shared_reflection("oh", drums(3.0, -6.0, apart_ms=0.6), RATE_HZ, COMB).delay_ms is None


def test_the_colour_of_a_mic_is_no_copy():
    """A resonance at 5 kHz and a presence peak, the same for all drums."""
    sos = signal.butter(2, (4000.0, 6500.0), "bandpass", fs=RATE_HZ, output="sos")
    coloured = {d: x + 2.0 * signal.sosfilt(sos, x, axis=1) for d, x in drums(4.0, -200.0).items()}

    assert shared_reflection("oh", coloured, RATE_HZ, COMB).delay_ms is None


def test_an_echo_that_comes_again_and_again_is_told_from_one_that_comes_once():
    """Between two bare walls the second return stands at twice the delay; after a single one there is nothing."""
    many = shared_reflection("room", drums(25.0, -5.0, again=3), RATE_HZ, ECHO)
    once = shared_reflection("room", drums(25.0, -5.0), RATE_HZ, ECHO)

    assert once.again_db is None
    assert once.delay_ms == pytest.approx(25.0, abs=0.05)
    assert many.delay_ms == pytest.approx(25.0, abs=0.05)
    assert many.again_db == pytest.approx(-10.0, abs=1.5)  # twice -5 dB; its peak is a quarter as high, so less sure


@pytest.mark.parametrize("strokes", [drums(4.2, -6.0, n_drums=2), {k: np.zeros((8, 12000)) for k in "abc"}, {}])
def test_too_few_drums_and_silence_say_why(strokes):
    """Two drums may share a delay by chance."""
    found = shared_reflection("oh", strokes, RATE_HZ, COMB)

    assert found.delay_ms is None
    assert "fewer than 3 drums" in found.unmeasured["delay_ms"]


# ---------------------------------------------------------------- what is said
SECOND = Reflection(
    file=file_of("overhead-left"), kind="comb", n_drums=6, delay_ms=4.0, level_db=-6.0, share=1.0, again_db=None,
    unmeasured={"again_db": "it does not come once more"},
)  # fmt: skip


def judged(*records):
    return told(findkit.kit() | {"faults": records})


@pytest.mark.parametrize(("level_db", "severity"), [(-6.0, "look"), (-10.0, "note")])
def test_a_copy_is_graver_the_louder_it_is(level_db, severity):
    """The first notch of 4 ms lies at 125 Hz."""
    f = the(judged(replace(SECOND, level_db=level_db)), "comb")

    assert (f.severity, f.value, f.unit) == (severity, 4.0, "ms")
    assert "125 Hz" in f.message


def test_a_copy_far_under_the_direct_sound_is_not_worth_a_word():
    """Under -12 dB for one that colours, under -14 dB for an echo."""
    faint = replace(SECOND, level_db=-15.0)

    assert judged(faint, replace(faint, kind="echo", delay_ms=30.0)).findings == ()


def test_a_room_mics_copy_is_never_more_than_a_note():
    """Room mics stand near floors and walls."""
    assert the(judged(replace(SECOND, file=file_of("room-left"))), "comb").severity == "note"


def test_all_mics_that_hear_an_echo_share_one_finding():
    """The loudest is named with its delay; 30 ms are 10.3 m."""
    first = replace(SECOND, file=file_of("room-left"), kind="echo", delay_ms=30.0, level_db=-7.0)
    f = the(judged(replace(first, file=file_of("room-right"), level_db=-12.0), first), "slap")

    assert f.files == (file_of("room-left"), file_of("room-right"))
    assert (f.severity, f.value) == ("look", 30.0)
    assert "10.3 m" in f.message
