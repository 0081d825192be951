"""Ceilings met again and again by tops too short to look flat, and what only looks like it."""

import numpy as np
import pytest
from scipy import signal

import synth
from kitproof.measure.ceilings import Tops, crowd, different_strokes
from kitproof.measure.plateaus import PlateauMeter

CEILING_DB = 0.3  # the goal for a ceiling
RATE_HZ = 44100


def measure(x):
    meter = PlateauMeter(RATE_HZ)
    for block in synth.blocks(x, 30_000):
        meter.push(block)
    return meter.result()


def cymbal(seed, times_s=(0.5,), *, decay_s=0.15, hz=(2000.0, 12000.0)):
    """Noise between two pitches, struck and dying away; largest sample 1."""
    rng = np.random.default_rng(seed)
    x = np.zeros(round((max(times_s) + 2.0) * RATE_HZ))
    band = signal.butter(2, hz, "bandpass", fs=RATE_HZ, output="sos")
    for t in times_s:
        n = round(1.5 * RATE_HZ)
        first = round(t * RATE_HZ)
        envelope = np.exp(-np.arange(n) / (decay_s * RATE_HZ)) * rng.uniform(0.7, 1.0)
        x[first : first + n] += signal.sosfilt(band, rng.standard_normal(n)) * envelope
    return x / np.abs(x).max()


def overdriven(x, over_db, *, corner_hz=1.5, seed=0):
    """Cut off at -4 dBFS, then through a stage that blocks direct current and adds its noise."""
    y = np.clip(x * synth.amplitude(over_db), -1.0, 1.0) * synth.amplitude(-4.0)
    if corner_hz:
        y = signal.sosfilt(signal.butter(1, corner_hz, "highpass", fs=RATE_HZ, output="sos"), y)
    return y + synth.amplitude(-100.0) * np.random.default_rng(seed).standard_normal(len(y))


def tops(at_s, height, lean=None, shoulders=None):
    n = len(at_s)
    rng = np.random.default_rng(0)
    return Tops(
        at_s=np.asarray(at_s, float), height=np.asarray(height, float),
        lean=np.zeros(n) if lean is None else np.asarray(lean, float),
        shoulders=rng.uniform(0.8, 0.96, (n, 2)) if shoulders is None else np.asarray(shoulders, float),
        known_from=0.0,
    )  # fmt: skip


# ---------------------------------------------------------------- what is cut off
@pytest.mark.parametrize("corner_hz", [0.0, 0.7, 1.5, 2.6])
@pytest.mark.parametrize("seed", range(2))
def test_one_crash_over_the_ceiling_is_found(seed, corner_hz):
    """Its tops last one sample or two, but twenty of them end at one height, or on one line after a coupling."""
    found = measure(overdriven(cymbal(seed), 4.0, corner_hz=corner_hz))

    assert found
    assert [p.ceiling_dbfs for p in found] == pytest.approx([-4.0] * len(found), abs=CEILING_DB)


def test_two_strokes_of_a_tom_just_over_the_ceiling_are_enough():
    """A decibel over, with tops of half a dozen samples: no round top is so straight, twice at one height."""
    x = synth.strokes([1.0, 3.0], seconds=5.0, peak_dbfs=[-6.0, -6.3], hz=250.0, rate_hz=RATE_HZ)

    found = measure(overdriven(x / np.abs(x).max(), 1.0))

    assert found
    assert [p.ceiling_dbfs for p in found] == pytest.approx([-4.0] * len(found), abs=CEILING_DB)


def test_a_kick_with_a_hard_beater_is_found_through_the_coupling():
    """Each short top sinks a little under the one before: only with the right corner they lie on one line."""
    rng = np.random.default_rng(3)
    t = np.arange(round(0.3 * RATE_HZ)) / RATE_HZ
    body = np.sin(2 * np.pi * 60.0 * t) * np.exp(-t / 0.1)
    x = np.zeros(5 * RATE_HZ)
    for k, at in enumerate((1.0, 2.2, 3.1)):
        click = sum(
            a * np.sin(2 * np.pi * hz * t + rng.uniform(0, 6)) for a, hz in ((0.5, 1900.0), (0.4, 3300.0), (0.3, 870.0))
        )
        first = round(at * RATE_HZ)
        x[first : first + len(t)] += (1.0 - 0.04 * k) * (body + click * np.exp(-t / 0.02))

    found = measure(overdriven(x / np.abs(x).max(), 2.5))

    assert found
    assert [p.ceiling_dbfs for p in found] == pytest.approx([-4.0] * len(found), abs=CEILING_DB)


# ---------------------------------------------------------------- what is not
@pytest.mark.parametrize("seed", range(6))
def test_a_crash_below_the_ceiling_has_none(seed):
    """Its highest tops lie as loosely as chance has it."""
    assert measure(0.5 * cymbal(seed, (0.5, 1.5))) == ()


@pytest.mark.parametrize("seed", range(3))
def test_a_long_wash_has_none(seed):
    """Hundreds of tops within a decibel, still with no crowd at the top."""
    assert measure(0.5 * cymbal(seed, tuple(np.arange(0.5, 12.0, 0.5)), decay_s=0.6)) == ()


def test_one_recorded_stroke_played_again_has_none():
    """Twelve times the same sound ends twelve times at one height; of these one counts."""
    once = 0.5 * cymbal(5, (0.05,))
    x = np.concatenate([once] * 12)

    assert measure(x) == ()


@pytest.mark.parametrize("hz", [83.0, 440.0, 1013.0, 5000.0])
def test_a_tone_has_none(hz):
    """All tops of a steady tone end at one height, for seconds."""
    x = 0.4 * np.sin(2 * np.pi * hz * np.arange(4 * RATE_HZ) / RATE_HZ)

    assert measure(x) == ()


def test_tops_within_chance_are_no_crowd():
    """Heights spread evenly over a decibel, as a round wave's are."""
    rng = np.random.default_rng(7)
    none = [len(crowd(tops(np.sort(rng.uniform(0, 9, 60)), 10 ** (-rng.uniform(0, 1, 60) / 20)))) for _ in range(200)]

    assert sum(n > 0 for n in none) == 0  # a chance of one in a million each


def test_a_crowd_is_named_top_by_top():
    """Twelve at the ceiling, twelve loose ones below."""
    rng = np.random.default_rng(8)
    height = 10 ** (-np.concatenate((np.zeros(12), rng.uniform(0.1, 1.0, 12))) / 20)

    assert crowd(tops(np.arange(24) * 0.002, height)).tolist() == list(range(12))


def test_what_was_left_out_is_no_proof_of_a_gap():
    """Where lower tops were not kept, that none lie below says nothing."""
    height = np.full(12, 0.5)
    every = tops(np.arange(12) * 0.002, height)
    kept = Tops(at_s=every.at_s, height=height, lean=every.lean, shoulders=every.shoulders, known_from=0.499)

    assert len(crowd(every)) == 12
    assert len(crowd(kept)) == 0


def test_strokes_with_the_same_shoulders_count_once():
    """The second and third are the first again; a tone of a second counts for nothing."""
    at = [1.0, 2.0, 3.0, 4.0, *np.arange(5.0, 6.0, 0.02)]
    shoulders = [[0.9, 0.8]] * 3 + [[0.85, 0.95]] + [[0.7, 0.7]] * 50

    assert different_strokes(tops(at, np.ones(len(at)), shoulders=shoulders)).tolist() == [0, 3]


def test_no_tops_are_no_crowd():
    """Silence."""
    assert len(crowd(tops([], [], shoulders=np.zeros((0, 2))))) == 0
    assert measure(np.zeros(RATE_HZ)) == ()
