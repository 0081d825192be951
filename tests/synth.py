"""Signals whose truth is known by construction, for any test.

    x = synth.tone([(10, -36), (60, -23), (10, -36)], hz=1000)       # one oscillator, three levels
    x = synth.room_tone(20.0, -70.0, rng) + synth.strokes([1.0, 1.5], seconds=20.0)

All signals are float64, shape (n,), full scale 1.0. A tone's level is its peak in dBFS, a noise's its RMS.
Randomness comes from the generator that is passed in, so every signal can be made again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy import signal

RATE_HZ = 48000

Signal = NDArray[np.float64]


def amplitude(dbfs: float) -> float:
    """Amplitude of a level."""
    return float(10.0 ** (dbfs / 20.0))


def dbfs(amplitude_: float) -> float:
    """Level of an amplitude above zero."""
    return float(20.0 * np.log10(amplitude_))


def rms(x: Signal) -> float:
    """Root of the mean square."""
    return float(np.sqrt(np.mean(np.square(x))))


def n_samples(seconds: float, rate_hz: int = RATE_HZ) -> int:
    """Samples in so many seconds, rounded."""
    return round(seconds * rate_hz)


def silence(seconds: float, rate_hz: int = RATE_HZ) -> Signal:
    """Zeros."""
    return np.zeros(n_samples(seconds, rate_hz))


def tone(
    segments: Sequence[tuple[float, float | None]],
    *,
    hz: float = 1000.0,
    rate_hz: int = RATE_HZ,
    phase_deg: float = 0.0,
) -> Signal:
    """A sine through (seconds, peak dBFS) segments, None for silence; the oscillator never restarts."""
    gains = [np.full(n_samples(s, rate_hz), 0.0 if db is None else amplitude(db)) for s, db in segments]
    gain = np.concatenate(gains)
    return gain * np.sin(2.0 * np.pi * hz / rate_hz * np.arange(len(gain)) + np.deg2rad(phase_deg))


def noise(seconds: float, rms_dbfs: float, rng: Generator, rate_hz: int = RATE_HZ) -> Signal:
    """White Gaussian noise of exactly this RMS."""
    return scaled(rng.standard_normal(n_samples(seconds, rate_hz)), rms_dbfs)


def room_tone(seconds: float, rms_dbfs: float, rng: Generator, rate_hz: int = RATE_HZ) -> Signal:
    """Noise of a room: white below 900 Hz, falling by 6 dB per octave above, with a little hiss."""
    white = rng.standard_normal(n_samples(seconds, rate_hz))
    low = signal.sosfilt(signal.butter(1, 900, fs=rate_hz, output="sos"), white)
    return scaled(low + 0.05 * rng.standard_normal(len(white)), rms_dbfs)


def scaled(x: Signal, rms_dbfs: float) -> Signal:
    """The same signal at exactly this RMS."""
    return x * (amplitude(rms_dbfs) / rms(x))


def strokes(
    times_s: Sequence[float],
    *,
    seconds: float,
    hz: float = 180.0,
    decay_s: float = 0.05,
    peak_dbfs: float | Sequence[float] = -6.0,
    stick: float = 0.3,
    rng: Generator | None = None,
    rate_hz: int = RATE_HZ,
) -> Signal:
    """Drum-like strokes: a sine falling by 8.7 dB per `decay_s`, and, given `rng`, a short burst of noise on top.

    `peak_dbfs` is the level of the sine at its start, one for all strokes or one each; `stick` that of the
    burst relative to it.
    """
    out = silence(seconds, rate_hz)
    peaks = np.broadcast_to(np.asarray(peak_dbfs, dtype=np.float64), (len(times_s),))
    length = n_samples(18.0 * decay_s, rate_hz)  # falls by 156 dB
    time = np.arange(length) / rate_hz
    ring = np.sin(2.0 * np.pi * hz * time) * np.exp(-time / decay_s)
    for at, peak in zip(times_s, peaks, strict=True):
        start = n_samples(at, rate_hz)
        n = max(0, min(length, len(out) - start))
        hit = ring[:n].copy()
        if rng is not None:
            hit += stick * rng.standard_normal(n) * np.exp(-time[:n] / min(decay_s, 0.01))
        out[start : start + n] += amplitude(float(peak)) * hit
    return out


def faded(x: Signal, fade_s: float, rate_hz: int = RATE_HZ) -> Signal:
    """The same with linear fades at both ends."""
    n = n_samples(fade_s, rate_hz)
    ramp = np.ones(len(x))
    ramp[:n] = np.arange(n) / n
    ramp[len(x) - n :] = np.arange(n)[::-1] / n
    return x * ramp


def quantised(x: Signal, bits: int) -> Signal:
    """Rounded to the steps of an integer file, held within its range."""
    steps = 2.0 ** (bits - 1)
    return np.clip(np.round(x * steps), -steps, steps - 1.0) / steps


def blocks(x: Signal, size: int) -> Iterator[Signal]:
    """The same samples in blocks of `size`, the last one shorter."""
    for start in range(0, len(x), size):
        yield x[start : start + size]
