"""Routed copies: a channel whose whole signal is in it a second time, its own hiss too.

A monitor return, a direct monitoring path or an effect that is printed adds what the channel holds again, some
milliseconds later. So does a wall, but a wall gives back only what was in the room: the hiss of the mic and of its
preamp is made behind them, and no wall repeats it. So this listens where nothing plays: hiss is new at every sample,
and its autocorrelation is flat but for a copy, which is one sharp peak. What else repeats itself in a rest is told
apart:

- room noise and fans, with their echoes: have little treble; the peak has to be as high in the upper bands as in the
  lowest;
- buzz and the pulses of digital lines: come back again and again; the peak has to stand alone.

Conventions: audio float64, full scale 1.0; delays in ms; levels of the copy against the first in dB.

Source
------
The autocorrelation of white noise and an echo of amplitude a is a / (1 + a**2) at the echo's delay: by definition.
Bands and limits: own choice; in 195 clean channels no peak was over 5.1 deviations nor 1.5 times the next.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from kitproof.measure.views import ChannelView
from kitproof.observed.chain import RoutedCopy

FROM_S, TO_S = 0.0015, 0.045
LEAST_S, MOST_S = 0.5, 4.0  # of quiet that is listened to; a stretch of less than PIECE_S tells nothing
PIECE_S = 0.15
EDGE_S = 0.02  # of a quiet stretch, left out
BANDS_HZ = ((800.0, 4000.0), (4000.0, 9000.0), (9000.0, 18000.0))
HIGHEST = 0.42  # of the sample rate; above, the filter of a converter shapes the hiss
SMOOTH_HZ = 2000.0  # the spectrum's own shape, which is no comb: teeth lie 22 to 670 Hz apart
SURE = 8.0  # standard deviations of the autocorrelation around it; each band by itself needs less
SURE_IN_BAND = 3.5
ALONE = 2.5  # times any other peak
ALIKE = 0.15  # bands may differ by this share of the peak, and by four deviations
BESIDE_S = 0.0003
Float64Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Peak:
    """How a course stands out at one place."""

    height: float
    positive: bool
    sure: float  # over its standard deviation elsewhere
    alone: float  # over the largest elsewhere


def find_routed_copies(view: ChannelView) -> Iterator[RoutedCopy]:
    """The copy in a channel's hiss, if there is one; nothing where it is never quiet, or digitally silent."""
    pieces = _quiet(view)
    if sum(len(p) for p in pieces) >= LEAST_S * view.rate_hz:
        found = copy_in_noise(pieces, view.rate_hz)
        if found is not None:
            delay_s, level_db, inverted = found
            yield RoutedCopy(
                file=view.file, delay_ms=round(1000.0 * delay_s, 3), level_db=round(level_db, 1), inverted=inverted
            )


def _quiet(view: ChannelView) -> list[Float64Array]:
    """Pieces of PIECE_S of the quiet stretches, at most MOST_S in all."""
    n, edge = round(PIECE_S * view.rate_hz), round(EDGE_S * view.rate_hz)
    pieces: list[Float64Array] = []
    for start_s, end_s in view.brief.quiet_runs:
        first, last = round(start_s * view.rate_hz) + edge, round(end_s * view.rate_hz) - edge
        for at in range(first, last - n + 1, n):
            if len(pieces) * PIECE_S >= MOST_S:
                return pieces
            piece = view.read(at, n)
            if np.count_nonzero(piece) > n // 2:
                pieces.append(piece)
    return pieces


def copy_in_noise(pieces: list[Float64Array], rate_hz: int) -> tuple[float, float, bool] | None:
    """Delay in s, level in dB and sign of a copy in pieces of noise of one length.

    None: there is none, or the rate leaves nothing of the highest band, without which room noise is not told apart.
    """
    if BANDS_HZ[-1][0] >= HIGHEST * rate_hz:
        return None
    n = len(pieces[0])
    size = int(fft.next_fast_len(2 * n, real=True))
    power = np.mean([np.abs(fft.rfft(p - p.mean(), size)) ** 2 for p in pieces], axis=0)
    hz = fft.rfftfreq(size, 1.0 / rate_hz)
    shape = ndimage.uniform_filter1d(power, max(3, round(SMOOTH_HZ / hz[1])), mode="nearest")
    flat = power / np.maximum(shape, 1e-30) - 1.0
    first, last = round(FROM_S * rate_hz), round(TO_S * rate_hz)
    bands = [_autocorrelation(flat, (hz >= low) & (hz < min(top, HIGHEST * rate_hz)))[:last] for low, top in BANDS_HZ]
    taper = (n - np.arange(last)) / n  # later copies share less of a piece
    whole = np.mean(bands, axis=0)
    at = first + int(np.abs(whole[first:]).argmax())
    beside = round(BESIDE_S * rate_hz)
    there = [_peak(b, at, first, beside) for b in bands]
    both = _peak(whole, at, first, beside)
    if both.sure < SURE or both.alone < ALONE or min(p.sure for p in there) < SURE_IN_BAND:
        return None
    if len({p.positive for p in there}) > 1 or not _alike(there):
        return None
    share = min(0.499, both.height / taper[at])
    amplitude = (1.0 - math.sqrt(1.0 - 4.0 * share**2)) / (2.0 * share)
    return at / rate_hz, 20.0 * math.log10(amplitude), not both.positive


def _alike(peaks: list[_Peak]) -> bool:
    """Whether the copy is as strong in every band: an echo is not, and the hiss of the preamp thins it out."""
    heights = [p.height for p in peaks]
    spread = max(p.height / p.sure for p in peaks)
    return max(heights) - min(heights) <= ALIKE * max(heights) + 4.0 * spread


def _autocorrelation(flat: Float64Array, band: NDArray[np.bool_]) -> Float64Array:
    """Of what a flattened spectrum has in a band, so that a copy of amplitude a gives a / (1 + a**2) at its delay."""
    return np.asarray(fft.irfft(np.where(band, flat, 0.0)) * ((len(flat) - 1) / np.count_nonzero(band)))


def _peak(course: Float64Array, at: int, first: int, beside: int) -> _Peak:
    """The largest value within a sample of `at`, against all but what lies beside it and at twice the delay."""
    part = course[at - 1 : at + 2]
    k = int(np.abs(part).argmax())
    lag = np.arange(len(course))
    others = np.abs(course[(lag >= first) & (np.abs(lag - at) > beside) & (np.abs(lag - 2 * at) > 2 * beside)])
    spread = 1.4826 * float(np.median(others)) + 1e-12
    height = abs(float(part[k]))
    return _Peak(height, bool(part[k] > 0.0), height / spread, height / (float(others.max()) + 1e-12))
