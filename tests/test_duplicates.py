"""Duplicates: copies under gain, polarity and shift, and mics that are only close."""

import numpy as np
import pytest

import synth
from kitproof.measure.duplicates import SPAN, PrintMeter, alike, compare

TIMES = tuple(np.arange(0.5, 11.5, 0.37))


def fingerprint(x, rate_hz=synth.RATE_HZ):
    meter = PrintMeter(rate_hz)
    for block in synth.blocks(x, 10000):
        meter.push(block)
    return meter.result()


def mic(seed, *, noise_db=-70.0):
    rng = np.random.default_rng(seed)
    return synth.strokes(TIMES, seconds=12.0, decay_s=0.05, rng=rng) + synth.noise(12.0, noise_db, rng)


def shifted(x, n):
    return np.concatenate((np.zeros(n), x))[: len(x)]


def spans(a, b):
    return [(a[s : s + SPAN], b[s : s + SPAN]) for s in (24000, 200000, 400000)]


@pytest.mark.parametrize("gain", [1.0, -0.4, 0.03])
@pytest.mark.parametrize("shift", [0, 1, 700])
def test_a_copy_is_found(gain, shift):
    """Whatever gain, polarity and whole-sample delay it went through."""
    a = mic(1)
    b = gain * shifted(a, shift)
    found = compare("a", "b", spans(a, b))

    assert alike({"a": fingerprint(a), "b": fingerprint(b)}) == [("a", "b")]
    assert found is not None
    assert (found.shift_samples, found.inverted) == (shift, gain < 0.0)
    assert found.gain_db == pytest.approx(synth.dbfs(abs(gain)), abs=1e-3)  # arithmetic on exact copies
    assert found.residual_db < -100.0


def test_the_noise_of_two_inputs_hides_no_copy():
    """One source in two preamps: the noise of the second lies 80 dB under its signal."""
    a = mic(2)
    b = a + synth.noise(12.0, -100.0, np.random.default_rng(3))

    assert compare("a", "b", spans(a, b)) is not None


def test_two_mics_at_one_place_are_no_copies():
    """Nearly the same sound never cancels by 60 dB."""
    a = mic(4)
    b = a + 0.02 * mic(5)

    assert compare("a", "b", spans(a, b)) is None


def test_silence_is_no_copy_of_silence():
    """Nor is a channel of faint noise."""
    nothing, faint = np.zeros(480000), synth.noise(10.0, -95.0, np.random.default_rng(6))

    assert alike({"a": fingerprint(nothing), "b": fingerprint(nothing), "c": fingerprint(faint)}) == []
    assert compare("a", "b", spans(nothing, nothing)) is None
    assert compare("a", "b", []) is None


def test_other_rates_are_not_compared():
    """The same samples at another rate are another sound."""
    a = mic(7)

    assert alike({"a": fingerprint(a), "b": fingerprint(a, 44100)}) == []
