"""Dropouts: holes and jumps while a channel sounds, and silence that is none."""

import numpy as np
import pytest

import synth
from kitproof.measure.dropouts import DropoutMeter

TIMES = tuple(np.arange(0.5, 5.5, 0.5))


def measure(x, *, rate_hz=synth.RATE_HZ, size=1 << 16):
    meter = DropoutMeter(rate_hz)
    for block in synth.blocks(x, size):
        meter.push(block)
    return meter.result()


def drums(seed=1, *, rate_hz=synth.RATE_HZ):
    rng = np.random.default_rng(seed)
    hits = synth.strokes(TIMES, seconds=6.0, decay_s=0.1, rng=rng, rate_hz=rate_hz)
    return synth.quantised(hits + synth.noise(6.0, -75.0, rng, rate_hz), 24)


def with_hole(x, start, n, value=0.0):
    y = x.copy()
    y[start : start + n] = value
    return y


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("ms", [0.6, 2.0, 6.0])
def test_a_hole_after_a_hit_is_found(rate_hz, ms):
    """Zeros 15 ms after a stroke are found at their very sample."""
    start, n = round(1.515 * rate_hz), round(ms * rate_hz / 1000.0)
    (gap,) = measure(with_hole(drums(rate_hz=rate_hz), start, n), rate_hz=rate_hz)

    assert gap.kind == "zeros"
    assert gap.start_s == pytest.approx(start / rate_hz, abs=1.5 / rate_hz)  # a neighbour may be zero too
    assert gap.n_samples == pytest.approx(n, abs=2)


def test_a_held_value_is_found():
    """The last value before the loss, held for 2 ms."""
    x = drums()
    start = round(2.01 * synth.RATE_HZ)
    (gap,) = measure(with_hole(x, start, 96, x[start - 1]))

    assert (gap.kind, gap.n_samples) == ("held", 97)


def test_a_jump_is_found_where_samples_were_cut_out():
    """A low note that is suddenly elsewhere in its cycle."""
    x = synth.tone([(4.0, -12.0)], hz=60.0) + synth.noise(4.0, -80.0, np.random.default_rng(2))
    at = 96000
    (gap,) = measure(np.concatenate((x[:at], x[at + 333 :])))

    assert (gap.kind, gap.n_samples) == ("jump", 0)
    assert gap.start_s == pytest.approx(at / synth.RATE_HZ, abs=1e-9)


@pytest.mark.parametrize("offset", [-300, -8, 0, 5, 300])
def test_a_hole_across_two_blocks_is_found_once(offset):
    """Wherever the seam of two blocks lies."""
    start = 72720
    x = with_hole(drums(), start, 200)

    assert len(measure(x, size=start + 100 + offset)) == 1


# ---------------------------------------------------------------- silence that is no loss
@pytest.mark.parametrize("seed", range(5))
def test_drums_have_no_dropouts(seed):
    """Attacks, rolls of noise and quiet decays."""
    assert measure(drums(seed)) == ()


def test_digital_silence_around_the_music_is_no_loss():
    """Before the start and after the end there is nothing to lose."""
    quiet = synth.silence(1.0)

    assert measure(np.concatenate((quiet, synth.faded(drums(), 0.01), quiet))) == ()


@pytest.mark.parametrize("hold_s", [0.05, 0.2])
def test_a_gate_is_no_loss(hold_s):
    """It fades to zero after each stroke and opens at once on the next."""
    x = drums()
    gain = np.zeros(len(x))
    fade = np.linspace(1.0, 0.0, 960)
    for t in TIMES:
        start, end = round(t * synth.RATE_HZ), round((t + hold_s) * synth.RATE_HZ)
        gain[start:end] = 1.0
        gain[end : end + 960] = fade

    assert measure(x * gain) == ()


def test_flat_tops_are_no_loss():
    """An overdriven stroke holds its highest value; that is clipping."""
    x = synth.strokes(TIMES, seconds=6.0, hz=60.0, decay_s=0.2)

    assert measure(np.clip(x, -0.2, 0.2) + 0.0) == ()


def test_tops_cut_off_lower_on_one_side_are_no_loss():
    """A stage that clips one polarity first: the other side of the wave stands higher than the held value."""
    x = synth.strokes(TIMES, seconds=6.0, peak_dbfs=-3.0, hz=100.0, rng=np.random.default_rng(6))
    driven = x / np.abs(x).max() * synth.amplitude(6.0)

    assert measure(synth.quantised(np.clip(driven, -0.8, 0.6), 24)) == ()


@pytest.mark.parametrize("x", [np.zeros(0), np.zeros(48000), np.full(48000, 0.3)])
def test_nothing_sounding_loses_nothing(x):
    """Silence or a constant."""
    assert measure(x) == ()
