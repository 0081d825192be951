"""Hats that drift open, and hats that are played open."""

from dataclasses import replace

import numpy as np
import pytest

import findkit
from findkit import file_of, grave, the, told
from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.hatdecay import decays_db, free_strokes, hat_decay
from kitproof.measure.onsets import OnsetMeter
from kitproof.observed.instrument import HatDecay

N = 150
TIMES = np.linspace(2.0, 202.0, N)
RATE_HZ = 22050


def decays(seed=1):
    """Closed strokes at -24 dB, accents at -16, now and then an open one at -3."""
    rng = np.random.default_rng(seed)
    usual = rng.choice([-24.0, -16.0, -3.0], N, p=[0.45, 0.45, 0.1])
    return usual + rng.normal(0.0, 0.5, N)


@pytest.mark.parametrize("seed", range(4))
def test_closed_hats_stay_where_they_are(seed):
    """However the accents fall."""
    found = hat_decay("h.wav", TIMES, decays(seed))

    assert found.last_db == pytest.approx(found.first_db, abs=1.0)  # eighths of 30 strokes, 0.5 dB apart
    assert found.largest_rise_db < 1.0
    assert found.apart_db < 0.0


def test_a_clutch_that_creeps_lengthens_them_block_by_block():
    """Eight decibels over the take, evenly: each block a little longer, none most of it."""
    found = hat_decay("h.wav", TIMES, decays() + 8.0 * np.linspace(0.0, 1.0, N))

    assert found.last_db - found.first_db == pytest.approx(6.4, abs=1.0)  # between the middles of first and last block
    assert found.largest_rise_db < 3.0
    assert found.smallest_rise_db > 0.6


def test_an_open_chorus_comes_and_goes():
    """Two fifths of the take played open: up and down again."""
    chorus = ((TIMES > 42.0) & (TIMES < 82.0)) | ((TIMES > 122.0) & (TIMES < 162.0))
    found = hat_decay("h.wav", TIMES, np.where(chorus, -3.0, decays()))

    assert found.smallest_rise_db < -10.0
    assert abs(found.last_db - found.first_db) < 1.0


def test_hats_opened_part_by_part_stand_still_in_between():
    """Closed, half open, open, as an arrangement may want it: no creeping clutch."""
    parts = np.select([TIMES < 82.0, TIMES < 162.0], [0.0, 6.0], 14.0)
    found = hat_decay("h.wav", TIMES, decays() + parts)

    assert found.last_db - found.first_db > 10.0
    assert found.smallest_rise_db < 0.08 * (found.last_db - found.first_db)


def test_few_strokes_say_so():
    """Sixty are asked for."""
    assert hat_decay("h.wav", TIMES[:59], decays()[:59]).unmeasured["first_db"] == "too few strokes"
    assert hat_decay("h.wav", TIMES[:0], decays()[:0]).unmeasured["span_s"] == "too few strokes"


def drum(name, *times):
    times = np.array(times)
    return DrumTimes(
        drum=name, own_file=f"{name}.wav", time_s=times, strength=np.ones(len(times)), clear=np.ones(len(times), bool)
    )


def test_a_snare_or_the_next_stroke_disturbs_and_a_kick_does_not():
    """What falls must fall by itself for a tenth of a second."""
    drums = {
        "hi-hat": drum("hi-hat", 1.0, 2.0, 3.0, 3.08, 4.0), "kick": drum("kick", 1.0), "snare": drum("snare", 2.05),
    }  # fmt: skip

    assert free_strokes(drums).tolist() == [1.0, 3.08, 4.0]


def test_a_decay_is_that_of_the_sound():
    """Bursts of noise that fall by 20 and by 30 dB in 0.1 s, over a little noise."""
    rng = np.random.default_rng(3)
    at, falls = np.arange(0.5, 10.0, 0.25), np.tile([20.0, 30.0], 19)
    x = 1e-5 * rng.standard_normal(round(10.5 * RATE_HZ))
    t = np.arange(round(0.2 * RATE_HZ)) / RATE_HZ
    for when, fall in zip(at, falls, strict=True):
        x[round(when * RATE_HZ) :][: len(t)] += rng.standard_normal(len(t)) * 0.3 * 10.0 ** (-fall * t / 2.0)
    meter = OnsetMeter(RATE_HZ)
    meter.push(x)
    times, found = decays_db(meter.result(), at)

    assert len(times) == len(at)
    # mean of 60 to 100 ms against that of 0 to 12 ms of the same exponential: -14.3 and -21.0 dB
    # a stroke is noise of some 100 independent values at either end: 1 dB, so 0.3 dB in the mean of 19
    assert np.mean(found[::2]) == pytest.approx(-14.3, abs=1.0)
    assert np.mean(found[1::2]) == pytest.approx(-21.0, abs=1.0)


HATS = HatDecay(
    file=file_of("hi-hat"), n_strokes=150, span_s=200.0, first_db=-24.0, last_db=-16.0, largest_rise_db=3.0,
    smallest_rise_db=1.2, rise_time_s=120.0, apart_db=-4.0,
)  # fmt: skip


def judged(*records):
    return told(findkit.kit() | {"faults": records})


def test_hats_that_creep_open_are_worth_a_decision():
    """It says by how much."""
    f = the(judged(HATS), "hats-open")

    assert (f.severity, f.value, f.drum) == ("look", 8.0, "hi-hat")
    assert "ever longer" in f.message


def test_hats_that_are_longer_at_once_and_for_good_are_a_note():
    """The last chorus is often played open."""
    f = the(judged(replace(HATS, largest_rise_db=7.5, apart_db=4.0)), "hats-open")

    assert f.severity == "note"
    assert "120" in f.message


@pytest.mark.parametrize(
    "change",
    [
        {"last_db": -20.0},
        {"largest_rise_db": 7.5},
        {"smallest_rise_db": -3.0},
        {"smallest_rise_db": 0.2},
        {"span_s": 60.0},
    ],
)
def test_what_a_foot_does_is_no_finding(change):
    """Little; at once but not for good; up and down; part by part; within a minute."""
    assert [f.code for f in judged(replace(HATS, **change)).findings] == []


def test_a_short_take_is_named_as_not_checked():
    """Nothing found is not the same as nothing looked for."""
    assert [n.drums for n in judged(replace(HATS, span_s=60.0)).not_checked if n.code == "kept-sound"] == [("hi-hat",)]
    assert grave(judged(replace(HATS, span_s=60.0))) == []
