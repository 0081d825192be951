"""The room: decays of known length are read back, early against late is a ratio of energies, gaps are asked for."""

from types import SimpleNamespace

import numpy as np
import pytest

from kitproof.measure.roomsound import FEWEST_STROKES, LEAD_S, TAIL_S, decay_of, free_strokes, room_sound

RATE_HZ = 48000


def strokes(decay_s, n=12, late_s=0.004, noise=0.0, seed=3):
    """Noise that dies away exponentially: amplitude 10^(-3 t / decay_s) from the direct sound on (ISO 3382-1's T60)."""
    rng = np.random.default_rng(seed)
    t = np.arange(round((LEAD_S + TAIL_S) * RATE_HZ)) / RATE_HZ - LEAD_S - late_s
    course = np.where(t >= 0.0, 10.0 ** (-3.0 * np.maximum(t, 0.0) / decay_s), 0.0)
    return course * rng.standard_normal((n, len(t))) + noise * rng.standard_normal((n, len(t)))


@pytest.mark.parametrize("decay_s", [0.15, 0.3, 0.6, 1.0])
def test_an_exponential_decay_is_read_back(decay_s):
    """Exact exponentials without noise: 1 % for the filter and the steps of 2 ms (Schroeder 1965; ISO 3382-1)."""
    course = 10.0 ** (-6.0 * np.arange(0.0, 1.5 * decay_s, 0.002) / decay_s)
    found, range_db, misfit_db = decay_of(course, 500.0)
    assert found == pytest.approx(decay_s, rel=0.01)
    assert range_db > 25.0
    assert misfit_db < 0.1


@pytest.mark.parametrize("decay_s", [0.2, 0.4, 0.8])
def test_noise_that_dies_away_is_read_back(decay_s):
    """12 strokes of decaying noise in 0.5 s: 10 %, for the randomness of the noise and the cut end of the longest."""
    found = room_sound("x", strokes(decay_s), np.full(12, TAIL_S), RATE_HZ)
    assert found.decay_s == pytest.approx(decay_s, rel=0.10)


def test_early_over_late_is_that_of_the_exponential():
    """C50 of an exponential with 0.4 s: 10 log10(10^(6*0.05/0.4) - 1) = 6.6 dB; 0.7 for the cut end and noise."""
    found = room_sound("x", strokes(0.4), np.full(12, TAIL_S), RATE_HZ)
    assert found.early_over_late_db == pytest.approx(10.0 * np.log10(10.0 ** (6.0 * 0.05 / 0.4) - 1.0), abs=0.7)


def test_a_room_buried_in_noise_has_no_decay_and_says_why():
    """15 dB over the noise are not the 25 that are read."""
    found = room_sound("x", strokes(0.5, noise=10**-0.75), np.full(12, TAIL_S), RATE_HZ)
    assert found.decay_s is None
    assert "noise" in found.unmeasured["decay_s"]


def test_strokes_that_are_followed_at_once_are_not_used():
    """Of strokes with hats 100 ms behind them none is free; with four free ones there are four."""

    def view(hats):
        drums = {
            "snare": SimpleNamespace(time_s=np.arange(1.0, 9.0)),
            "hi-hat": SimpleNamespace(time_s=np.asarray(hats)),
        }
        return SimpleNamespace(brief=SimpleNamespace(drums=drums))

    assert len(free_strokes(view(np.arange(1.0, 9.0) + 0.1))[0]) == 0
    times, free_s = free_strokes(view(np.arange(1.0, 5.0) + 0.1))
    assert times.tolist() == [5.0, 6.0, 7.0, 8.0]
    assert (free_s == TAIL_S).all()
    assert len(times) == FEWEST_STROKES


def test_a_kit_without_a_snare_says_nothing_of_the_room():
    """No snare, no strokes."""
    view = SimpleNamespace(brief=SimpleNamespace(drums={"kick": SimpleNamespace(time_s=np.arange(9.0))}))
    assert len(free_strokes(view)[0]) == 0
