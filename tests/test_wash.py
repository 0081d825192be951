"""Cymbals in the drums' mics: levels of made tracks are read back, and what is said of them."""

from dataclasses import replace

import numpy as np
import pytest

import findkit
from findkit import file_of, the, told
from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.onsets import BAND_EDGES_HZ, N_BANDS, OnsetTrack
from kitproof.measure.wash import hat_in_snare, wash_of
from kitproof.observed.room import HatInSnare, Wash

FRAMES_PER_S = 1000.0
LENGTH_S = 30.0
HIGH = BAND_EDGES_HZ.index(4000.0)  # first of the bands from 4 kHz on


def drum(name, times):
    times = np.asarray(times, float)
    return DrumTimes(
        drum=name, own_file=name, time_s=times, strength=np.ones(len(times)), clear=np.ones(len(times), bool)
    )


def track(strokes, *, floor_db=-90.0):
    """Power over time: each (times, low dB, high dB, length s) holds its level for that long, one band each."""
    power = np.full((round(LENGTH_S * FRAMES_PER_S), N_BANDS), 10.0 ** (floor_db / 10.0))
    for times, low_db, high_db, length_s in strokes:
        for t in times:
            span = slice(round(t * FRAMES_PER_S), round((t + length_s) * FRAMES_PER_S))
            power[span, 2] += 10.0 ** (low_db / 10.0)
            power[span, HIGH] += 10.0 ** (high_db / 10.0)
    none = np.zeros(1, np.float16)
    return OnsetTrack(
        band_db=(10.0 * np.log10(power)).astype(np.float16), edge_db=none, mid_db=none, frames_per_s=FRAMES_PER_S,
        edges_per_s=4000.0,
    )  # fmt: skip


FILLS = [4.0, 4.2, 4.4, 16.0, 16.2, 16.4]
RIDE = np.arange(1.0, 29.0, 0.5)
SNARE = [8.0, 9.0, 10.0, 20.0, 21.0]


def tom_track(wash_high_db, snare_high_db=-60.0):
    return track(
        [(FILLS, -20.0, -40.0, 0.2), (RIDE, wash_high_db - 12.0, wash_high_db, 0.5), (SNARE, -30.0, snare_high_db, 0.1)]
    )


DRUMS = {"rack-tom-1": drum("rack-tom-1", FILLS), "ride": drum("ride", RIDE), "snare": drum("snare", SNARE)}


@pytest.mark.parametrize("level_db", [-60.0, -45.0, -35.0])
def test_the_wash_is_read_against_the_toms_strokes(level_db):
    """Ride at a known level all the time, strokes at -40 dB in the treble (and the ride under them); 0.2 dB is the
    step of half precision at -60 dB with the mean."""
    found = wash_of("rack-tom-1", "t", tom_track(level_db), DRUMS)

    stroke = 10.0 * np.log10(10.0**-4.0 + 10.0 ** (level_db / 10.0))
    assert found.wash_high_db == pytest.approx(level_db - stroke, abs=0.2)
    assert found.alone_s > 15.0


def test_a_loud_snare_is_not_taken_for_wash():
    """The trap: what other drums leave in the tom's mic is not the cymbals'."""
    quiet, loud = (wash_of("rack-tom-1", "t", tom_track(-60.0, s), DRUMS) for s in (-60.0, -20.0))

    assert loud.wash_high_db == pytest.approx(quiet.wash_high_db, abs=0.1)  # the same moments are used


def test_the_ring_is_clear_until_it_is_drowned():
    """Strokes of 0.2 s at -20 dB over wash at -47 dB, then nothing: 0.2 s, in steps of 20 ms."""
    found = wash_of("rack-tom-1", "t", tom_track(-35.0), DRUMS | {"rack-tom-1": drum("rack-tom-1", [4.0, 12.0, 16.4])})

    assert found.ring_clear_s == pytest.approx(0.2, abs=0.03)


@pytest.mark.parametrize(
    ("drums", "why"),
    [
        (DRUMS | {"rack-tom-1": drum("rack-tom-1", [4.0])}, "strokes of its own"),
        (DRUMS | {"snare": drum("snare", np.arange(0.5, 29.5, 0.15))}, "never sound alone"),
    ],
)
def test_a_tom_struck_rarely_or_cymbals_never_alone_say_why(drums, why):
    """Nothing is made up from one stroke, or from a snare roll."""
    assert why in wash_of("rack-tom-1", "t", tom_track(-50.0), drums).unmeasured["wash_high_db"]


def test_the_hat_is_read_against_the_snares_loud_strokes():
    """Hats at -52 dB, snares at -30 dB above 4 kHz; hats just after a snare do not count. 0.2 dB of half precision."""
    hats = np.arange(1.25, 25.0, 0.5)
    drums = {"snare": drum("snare", SNARE), "hi-hat": drum("hi-hat", np.sort([*hats, *SNARE]))}
    found = hat_in_snare("s", track([(SNARE, -20.0, -30.0, 0.1), (hats, -70.0, -52.0, 0.06)]), drums)

    assert found.high_db == pytest.approx(-22.0, abs=0.2)
    assert found.n_hats == len(hats) - len(SNARE)


def test_hats_that_never_stand_alone_give_no_figure():
    """Every hat together with a snare."""
    drums = {"snare": drum("snare", SNARE), "hi-hat": drum("hi-hat", SNARE)}

    assert hat_in_snare("s", track([(SNARE, -20.0, -30.0, 0.1)]), drums).high_db is None


# ---------------------------------------------------------------- what is said
WASH = Wash(
    drum="rack-tom-1", file=file_of("rack-tom-1"), n_strokes=9, alone_s=12.0, wash_db=-30.0, wash_high_db=-5.0,
    wash_high_loud_db=2.0, soft_over_db=20.0, ring_clear_s=0.5,
)  # fmt: skip
HAT = HatInSnare(file=file_of("snare-top"), n_hats=40, n_snares=30, high_db=-6.0, loud_db=-3.0)


def judged(*records, **changes):
    return told(findkit.kit() | changes | {"faults": records})


def test_toms_under_cymbals_are_one_note_that_says_what_is_left():
    """A gate still works; for half a second."""
    second = replace(WASH, drum="floor-tom", file=file_of("floor-tom"), wash_high_db=-10.0)
    f = the(judged(second, WASH), "cymbal-wash")

    assert (f.severity, f.files) == ("note", (file_of("rack-tom-1"), file_of("floor-tom")))
    assert "0.50 s" in f.message


@pytest.mark.parametrize("changes", [{"wash_high_db": 6.0}, {"soft_over_db": 2.0}])
def test_a_mic_that_is_more_cymbal_than_tom_is_worth_a_look(changes):
    """The treble of the cymbals over that of the tom, or soft strokes that no gate can tell from them."""
    assert the(judged(replace(WASH, **changes)), "cymbal-wash").severity == "look"


def test_where_the_snare_opens_a_gate_too_only_edits_are_left():
    """The window for a gate is that against all drums."""
    records = findkit.with_drum(findkit.kit(), "rack-tom-1", gate_window_db=1.0)

    assert "by hand" in the(told(records | {"faults": (WASH,)}), "cymbal-wash").message


def test_cymbals_that_are_loud_now_and_then_are_named_too():
    """Crashes in a sparse song: as loud as the tom where they are, though not for most of the time."""
    f = the(judged(replace(WASH, wash_high_db=-30.0, wash_high_loud_db=3.0)), "cymbal-wash")

    assert f.severity == "note"
    assert "now and then 3.0 dB over" in f.message


@pytest.mark.parametrize("changes", [{"wash_high_db": -25.0, "wash_high_loud_db": -12.0}, {"n_strokes": 3}])
def test_a_usual_tom_mic_and_a_tom_struck_rarely_are_not_named(changes):
    """25 dB under the strokes is usual in a good room; the softest of three strokes may be none."""
    assert judged(replace(WASH, **changes)).findings == ()


@pytest.mark.parametrize(
    ("high_db", "n_hats", "severity"), [(-6.0, 40, "look"), (-6.0, 9, "note"), (-12.0, 40, "note")]
)
def test_the_hat_in_the_snare_is_graver_the_louder_and_surer_it_is(high_db, n_hats, severity):
    """The common labels: from -15 dB shared, from -8 dB no close mic; a few hats may be open accents."""
    f = the(judged(replace(HAT, high_db=high_db, n_hats=n_hats)), "hat-in-snare")

    assert (f.severity, f.value) == (severity, high_db)


def test_a_quiet_hat_is_not_named():
    """20 dB under."""
    assert judged(replace(HAT, high_db=-20.0)).findings == ()


def test_what_bleed_says_already_is_not_said_again():
    """A hat that is loud over all in the snare's mic is bleed."""
    kit = findkit.kit()
    loud = tuple(
        replace(b, bleed_db=-5.0) if (b.drum, b.file) == ("hi-hat", file_of("snare-top")) else b for b in kit["bleed"]
    )

    assert [f.code for f in judged(HAT, bleed=loud).findings] == ["bleed"]
