"""Lags: how much sooner or later than usual does each stroke of a drum reach a mic?

Every stroke of a drum is laid over the mean stroke of that drum in the same mic; how far it has to be
shifted is its lag. What the lags of all channels say together is for courses.py.

Conventions: excerpts as in excerpts.py; a lag is positive when the stroke comes later than the mean
stroke.

Source
------
Own work. Correlation with the mean of all records, aligned again by what was found, is the practice of
seismology (static corrections).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from kitproof.measure.excerpts import LEAD_S

BEFORE_S, AFTER_S = 0.002, 0.014  # of the excerpt, around the drum's arrival in the mic
BAND_HZ = (150.0, 5000.0)
LOW_BAND_HZ = (40.0, 1500.0)  # kick
MOST_LAG_S = 0.0025
ROUNDS = 3
LEAST_LIKENESS = 0.5  # correlation with the mean stroke
UPSAMPLING = 8
MOST_STROKES = 80  # of a drum in a channel, evenly spread; more would not make a course any surer
Float64Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class StrokeLags:
    """Lags of a drum's strokes in one channel; NaN where a stroke is not like the mean stroke."""

    file: str
    drum: str
    time_s: Float64Array  # (n_hits,) strokes that were looked at, as in DrumTimes
    lag_s: Float64Array  # (n_hits,)
    likeness: Float64Array  # (n_hits,) correlation with the mean stroke, -1 to 1


def stroke_lags(
    file: str, drum: str, time_s: Float64Array, waves: Float64Array, rate_hz: int, arrival_s: float
) -> StrokeLags:
    """Lag of every stroke against the mean stroke in one channel.

    Parameters
    ----------
    waves : (n_hits, n) excerpts as stacking.aligned gives them, the stroke's time at LEAD_S
    arrival_s : of the drum in this mic, after the stroke's time at the own mic; 0 for the own mic

    Of more than MOST_STROKES the same evenly spread ones are taken in every channel. Fewer than two strokes,
    or silence, give NaN.
    """
    if len(waves) > MOST_STROKES:
        kept = np.linspace(0, len(waves) - 1, MOST_STROKES).round().astype(int)
        waves, time_s = waves[kept], time_s[kept]
    n_hits = len(waves)
    nothing = np.full(n_hits, np.nan)
    if n_hits < 2:
        return StrokeLags(file=file, drum=drum, time_s=time_s, lag_s=nothing, likeness=np.zeros(n_hits))
    low, high = LOW_BAND_HZ if drum == "kick" else BAND_HZ
    sos = signal.butter(2, (low, min(high, 0.45 * rate_hz)), "bandpass", fs=rate_hz, output="sos")
    first = max(0, round((LEAD_S + arrival_s - BEFORE_S - MOST_LAG_S) * rate_hz))
    last = round((LEAD_S + arrival_s + AFTER_S + MOST_LAG_S) * rate_hz)
    part = signal.sosfilt(sos, waves, axis=1)[:, first:last]
    part = part * signal.windows.tukey(part.shape[1], 0.3)
    n_fft = int(fft.next_fast_len(part.shape[1] + round(2.0 * MOST_LAG_S * rate_hz), real=True))
    lines = fft.rfft(part, n_fft, axis=1)
    norm = np.sqrt(np.sum(np.square(part), axis=1))
    usable = norm > 0.0
    lines[usable] /= norm[usable, None]
    hz = fft.rfftfreq(n_fft, 1.0 / rate_hz)
    lag, likeness = np.zeros(n_hits), usable.astype(np.float64)
    for _ in range(ROUNDS):
        turned = lines * np.exp(2j * np.pi * hz * lag[:, None])
        weight = np.where(likeness >= LEAST_LIKENESS, likeness, 0.0) if (likeness >= LEAST_LIKENESS).any() else likeness
        lag, likeness = _against_mean(turned, weight, lines, n_fft, rate_hz)
        if np.isfinite(lag).any():
            lag = lag - np.median(lag)
    return StrokeLags(
        file=file, drum=drum, time_s=time_s, likeness=likeness,
        lag_s=np.where((likeness >= LEAST_LIKENESS) & (np.abs(lag) < 0.95 * MOST_LAG_S), lag, np.nan),
    )  # fmt: skip


def _against_mean(
    turned: NDArray[np.complex128], weight: Float64Array, lines: NDArray[np.complex128], n_fft: int, rate_hz: int
) -> tuple[Float64Array, Float64Array]:
    """Lag and correlation of each stroke with the mean of the others."""
    total = weight @ turned
    n_up = n_fft * UPSAMPLING
    reach = round(MOST_LAG_S * rate_hz * UPSAMPLING)
    lag, likeness = np.zeros(len(lines)), np.zeros(len(lines))
    for i, row in enumerate(lines):
        mean = total - weight[i] * turned[i]
        power = np.abs(mean) ** 2
        size = float(np.sqrt((2.0 * power.sum() - power[0]) / n_fft))
        if size < 1e-12:
            continue
        course = fft.irfft(row * np.conj(mean), n_up) * UPSAMPLING
        course = np.concatenate((course[-reach:], course[: reach + 1])) / size
        k = int(course.argmax())
        lag[i] = (k - reach + _vertex(course, k)) / (rate_hz * UPSAMPLING)
        likeness[i] = course[k]
    return lag, likeness


def _vertex(y: Float64Array, k: int) -> float:
    if not 0 < k < len(y) - 1:
        return 0.0
    bend = y[k - 1] - 2.0 * y[k] + y[k + 1]
    return 0.0 if bend == 0.0 else float(0.5 * (y[k - 1] - y[k + 1]) / bend)
