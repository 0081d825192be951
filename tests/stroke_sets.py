"""Strokes as the second look at the samples gets them: excerpts around known times, made to order.

    ring = stroke_sets.Ring(hz=210.0)
    look = stroke_sets.looked_at("b.wav", ring, delay_s=0.0031, gain=-0.5)

A wave here is a function of continuous time, smooth enough for the sample rate, so that it can be sampled at
any fraction of a sample without an interpolation of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from kitproof.measure.arrival import locate
from kitproof.measure.excerpts import LEAD_S, TAIL_S, DrumTimes, start_error_s
from kitproof.measure.look import LOW_BAND_HZ, ChannelLook, low_lines
from kitproof.measure.stacking import AlignedStrokes, align_strokes, aligned

RATE_HZ = 48000
Float64Array = NDArray[np.float64]


@dataclass(frozen=True)
class Ring:
    """A stroke: sines that rise within about `rise_s` and die away; zero before its time.

    The rise is a raised cosine: what it holds above half the sample rate is under -100 dB.
    """

    hz: tuple[float, ...] = (210.0, 480.0, 1900.0)
    rise_s: float = 0.0008
    decay_s: float = 0.03

    def __call__(self, t: Float64Array) -> Float64Array:
        """The wave at times t, s after the first sound."""
        rise = 0.5 - 0.5 * np.cos(np.pi * np.clip(t / self.rise_s, 0.0, 1.0))
        ring = np.sum([np.cos(2.0 * np.pi * f * t) for f in self.hz], axis=0) / len(self.hz)
        return np.asarray(rise * np.exp(-np.maximum(t, 0.0) / self.decay_s) * ring)


def drum_times(n: int, drum: str = "snare", *, seed: int = 1, clear: bool = True) -> DrumTimes:
    """n strokes half a second apart, never on whole samples, of strengths over 12 dB."""
    rng = np.random.default_rng(seed)
    time_s = 1.0 + 0.5 * np.arange(n) + rng.uniform(0.0, 0.1, n)
    strength = 10.0 ** (rng.uniform(-12.0, 0.0, n) / 20.0)
    return DrumTimes(drum=drum, own_file="own.wav", time_s=time_s, strength=strength, clear=np.full(n, clear))


def excerpts(
    d: DrumTimes, wave: Ring, *, delay_s: float = 0.0, gain: float = 1.0, rate_hz: int = RATE_HZ
) -> NDArray[np.float32]:
    """(n_hits, n) of a mic that hears every stroke `delay_s` later and `gain` times as strong."""
    start = np.round((d.time_s - LEAD_S) * rate_hz)
    t = (start[:, None] + np.arange(round((LEAD_S + TAIL_S) * rate_hz))) / rate_hz
    return np.asarray(gain * d.strength[:, None] * wave(t - d.time_s[:, None] - delay_s), np.float32)


def aligned_strokes(d: DrumTimes, heard: NDArray[np.float32], rate_hz: int = RATE_HZ) -> AlignedStrokes:
    """Excerpts ready to be stacked."""
    return align_strokes("mic.wav", rate_hz, d, heard, start_error_s(d.time_s, rate_hz))


def look(file: str, d: DrumTimes, heard: NDArray[np.float32], rate_hz: int = RATE_HZ) -> ChannelLook:
    """What the second look at a channel with these excerpts gives."""
    late_s = start_error_s(d.time_s, rate_hz)
    low = low_lines(aligned(heard, late_s, rate_hz), rate_hz, LOW_BAND_HZ[d.drum])
    found = locate(align_strokes(file, rate_hz, d, heard, late_s))
    return ChannelLook(file=file, arrivals={d.drum: found}, n_hits={d.drum: len(d.time_s)}, low_lines={d.drum: low})


def noise_like(heard: NDArray[np.float32], rms: float, rng: Generator) -> NDArray[np.float32]:
    """White noise of the shape of some excerpts."""
    return (rms * rng.standard_normal(heard.shape)).astype(np.float32)
