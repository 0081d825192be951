"""Strokes: exact time, peak, crest factor and attack of every hit, from its own mic's samples.

Conventions: as in excerpts.py; the time of a stroke is when its first sound reaches the own mic: the
first sample within FIRST_DB of its peak.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.excerpts import Float32Array

FIRST_DB = 20.0  # first-arrival rule as for impulse responses (ISO 3382-1, 20 dB under the peak; from memory)
PEAK_S = 0.020  # a large drum's peak comes up to 20 ms after its first sound
WINDOW_S = 0.060  # crest factor: peak over RMS of this long from the first sound
SLACK_S = 0.001  # how wrong the time from the onset track may be
Float64Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class StrokeMeasures:
    """Numbers of the strokes of one drum, (n_hits,) each, in the order given."""

    time_s: Float64Array
    peak: Float64Array  # full scale 1.0
    crest_db: Float64Array  # NaN where the excerpt is silent
    attack_ms: Float64Array  # from a tenth of the peak to the peak

    def earlier(self, by_s: float) -> StrokeMeasures:
        """The same strokes, timed as if the channel were not late by `by_s`."""
        return self if by_s == 0.0 else replace(self, time_s=self.time_s - by_s)


def measure_strokes(
    excerpts: Float32Array, begin_s: Float64Array, time_s: Float64Array, rate_hz: int
) -> StrokeMeasures:
    """Refine the times of strokes and measure them.

    excerpts : (n_hits, n) of the own mic, beginning at begin_s and long enough for WINDOW_S;
    time_s : (n_hits,) times from the onset track, right to within SLACK_S.
    """
    size = np.abs(excerpts)
    row = np.arange(len(size))
    zero = np.round((time_s - begin_s) * rate_hz).astype(int)
    span = np.arange(-round(SLACK_S * rate_hz), round(PEAK_S * rate_hz))
    index = np.clip(zero[:, None] + span, 0, size.shape[1] - 1)
    course = size[row[:, None], index]
    peak_at = course.argmax(axis=1)
    peak = course[row, peak_at].astype(np.float64)
    need = peak * 10.0 ** (-FIRST_DB / 20.0)
    first = np.argmax(course >= need[:, None], axis=1)
    # Where the drum before still rings louder than the rule's limit, the onset track knows better.
    start = np.where(first == 0, -span[0], first)
    exact = index[row, start]
    crest = _crest_db(excerpts, exact, peak, rate_hz)
    return StrokeMeasures(
        time_s=begin_s + exact / rate_hz, peak=peak, crest_db=crest,
        attack_ms=np.maximum(peak_at - start, 0) * 1000.0 / rate_hz,
    )  # fmt: skip


def _crest_db(excerpts: Float32Array, start: NDArray[np.int64], peak: Float64Array, rate_hz: int) -> Float64Array:
    n = round(WINDOW_S * rate_hz)
    index = np.minimum(start[:, None] + np.arange(n), excerpts.shape[1] - 1)
    power = np.square(excerpts[np.arange(len(excerpts))[:, None], index], dtype=np.float64).mean(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        crest = 20.0 * np.log10(peak / np.sqrt(power))
    return np.where(power > 0.0, crest, np.nan)
