"""Strokes in their own mic: exact time, peak, crest factor, attack."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from kitproof.measure.excerpts import LEAD_S, TAIL_S
from kitproof.measure.ownmic import SLACK_S, WINDOW_S, StrokeMeasures, measure_strokes

RATE_HZ = 48000
N = round((LEAD_S + TAIL_S) * RATE_HZ)
ZERO = round(LEAD_S * RATE_HZ)
WINDOW = round(WINDOW_S * RATE_HZ)
BEGIN_S = 3.0
SAMPLE_S = 1.0 / RATE_HZ


def measured(*waves: NDArray[np.float64], off_s: float = 0.0) -> StrokeMeasures:
    """Strokes whose excerpts begin at 3 s, with a time from the onset track that is `off_s` after LEAD_S."""
    n = len(waves)
    time_s = np.full(n, BEGIN_S + LEAD_S + off_s)
    return measure_strokes(np.array(waves, np.float32), np.full(n, BEGIN_S), time_s, RATE_HZ)


def from_zero(wave: NDArray[np.float64], at: int = ZERO) -> NDArray[np.float64]:
    """A wave that starts at sample `at` of an excerpt that is silent before and after it."""
    out = np.zeros(N)
    part = wave[: N - at]
    out[at : at + len(part)] = part
    return out


def rising(n_rise: int, peak: float = 0.5) -> NDArray[np.float64]:
    """A straight rise to the peak over n_rise samples, then a slow fall."""
    up = np.arange(1, n_rise + 1) / n_rise
    return peak * np.concatenate([up, np.exp(-np.arange(N) / 2000.0)])


# ------------------------------------------------------------------------------------ time
def test_the_time_is_the_first_sample_within_twenty_decibels_of_the_peak() -> None:
    """On a straight rise of 95 samples a tenth of the peak is passed at the tenth.

    Source: the arrival rule of ISO 3382-1 for impulse responses, 20 dB under the peak.
    """
    found = measured(from_zero(rising(95)))

    assert found.time_s[0] == pytest.approx(BEGIN_S + (ZERO + 9) * SAMPLE_S, abs=1e-9)
    assert found.peak[0] == pytest.approx(0.5)


@pytest.mark.parametrize("off_ms", [-0.9, 0.0, 0.9])
def test_an_onset_track_that_is_off_does_not_move_the_time(off_ms: float) -> None:
    """Within the slack of a millisecond the samples decide, not where they were expected."""
    found = measured(from_zero(rising(20)), off_s=off_ms / 1000.0)

    assert found.time_s[0] == pytest.approx(measured(from_zero(rising(20))).time_s[0], abs=1e-9)


def test_the_level_does_not_move_the_time() -> None:
    """A stroke 40 dB softer, or upside down, is at the same time."""
    wave = from_zero(rising(50))
    loud, soft, inverted = measured(wave, 0.01 * wave, -wave).time_s

    assert loud == soft == inverted


def test_under_the_ring_of_the_stroke_before_the_onset_track_is_believed() -> None:
    """A ring louder than a tenth of the peak would be taken for the stroke: the time stays where it was expected."""
    ring = 0.1 * np.cos(2.0 * np.pi * 500.0 * np.arange(N) / RATE_HZ)
    found = measured(from_zero(rising(50)) + ring)

    assert found.time_s[0] == pytest.approx(BEGIN_S + LEAD_S, abs=SAMPLE_S)


def test_a_ring_under_a_tenth_of_the_peak_does_not_move_the_time() -> None:
    """26 dB under the stroke: the first sample over the limit moves by the rise's 20th part, 0.05 ms at most."""
    ring = 0.025 * np.cos(2.0 * np.pi * 500.0 * np.arange(N) / RATE_HZ)
    clean, rung = measured(from_zero(rising(50)), from_zero(rising(50)) + ring).time_s

    assert rung == pytest.approx(clean, abs=0.05e-3)


def test_a_louder_stroke_later_in_the_excerpt_is_not_this_one() -> None:
    """The peak is looked for within 20 ms."""
    later = from_zero(rising(5, peak=0.9), ZERO + round(0.03 * RATE_HZ))
    found = measured(from_zero(0.2 * np.exp(-np.arange(N) / 200.0)) + later)

    assert found.peak[0] == pytest.approx(0.2)


# ------------------------------------------------------------------------------------ crest factor, attack
def test_a_sine_has_a_crest_factor_of_three_decibels() -> None:
    """3.01 dB over whole periods. Source: peak over RMS of a sine, the square root of two."""
    sine = np.sin(2.0 * np.pi * 1000.0 * (np.arange(N) + 0.5) / RATE_HZ)  # both peaks are hit to 0.01 dB
    assert measured(from_zero(sine)).crest_db[0] == pytest.approx(3.01, abs=0.05)  # 0.02: first sample is missed


def test_a_square_wave_has_no_crest() -> None:
    """Peak and RMS are one: 0 dB."""
    square = np.where(np.arange(N) // 24 % 2, -0.7, 0.7)
    assert measured(from_zero(square)).crest_db[0] == pytest.approx(0.0, abs=1e-5)  # single precision


def test_a_single_sample_has_all_the_crest_there_is() -> None:
    """One sample in a window of 2880: 10 log10 of their number, 34.6 dB."""
    click = from_zero(np.array([0.5]))
    assert measured(click).crest_db[0] == pytest.approx(10.0 * np.log10(WINDOW), abs=1e-5)  # single precision


def test_the_crest_factor_does_not_depend_on_the_level() -> None:
    """Gain moves peak and RMS alike. 1e-5 dB: single precision."""
    wave = from_zero(rising(31))  # no sample at just a tenth, which rounding could push either way
    loud, soft = measured(wave, 0.001 * wave).crest_db

    assert soft == pytest.approx(loud, abs=1e-5)


@pytest.mark.parametrize(("n_rise", "attack_ms"), [(1, 0.0), (100, 1.9), (480, 9.0)])
def test_the_attack_runs_from_a_tenth_of_the_peak_to_the_peak(n_rise: int, attack_ms: float) -> None:
    """On a straight rise that is nine tenths of it; 2 samples allowed, the ends are whole samples."""
    found = measured(from_zero(rising(n_rise)))

    assert found.attack_ms[0] == pytest.approx(attack_ms, abs=2000.0 * SAMPLE_S)


# ------------------------------------------------------------------------------------ nothing there
def test_silence_has_no_peak_and_no_crest() -> None:
    """Peak zero, crest not a number, the time as expected, and no warning about dividing by nothing."""
    found = measured(np.zeros(N))

    assert found.peak[0] == 0.0
    assert np.isnan(found.crest_db[0])
    assert found.attack_ms[0] == 0.0
    assert found.time_s[0] == pytest.approx(BEGIN_S + LEAD_S, abs=SAMPLE_S)


def test_no_strokes_are_measured_as_none() -> None:
    """Empty in, empty out."""
    found = measure_strokes(np.zeros((0, N), np.float32), np.zeros(0), np.zeros(0), RATE_HZ)

    assert len(found.time_s) == len(found.peak) == len(found.crest_db) == len(found.attack_ms) == 0


def test_a_stroke_at_the_edge_of_an_excerpt_is_measured_within_it() -> None:
    """A time so late that the windows leave the excerpt reads no further than its end."""
    found = measured(from_zero(rising(5), N - 20), off_s=TAIL_S - 20 * SAMPLE_S - SLACK_S / 2)

    assert found.peak[0] == pytest.approx(0.5, rel=0.02)  # what of its top lies inside
