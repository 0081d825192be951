"""The second, short look at the samples: excerpts of one channel around every stroke of every drum.

The one pass over the whole file finds where the strokes are; only then can what each mic hears of each
drum be cut out, put on top of one another, and averaged. Read in order of time, a few milliseconds each.

Conventions: excerpts float32, shape (n_hits, n), full scale 1.0, LEAD_S before the stroke's time to
TAIL_S after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitproof.ingest.audiofile import SpanReader

LEAD_S = 0.008
TAIL_S = 0.092
MOST_HITS = 160  # of one drum; more would not make any average better
Float32Array = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class DrumTimes:
    """The strokes of one drum that excerpts are taken of."""

    drum: str
    own_file: str
    time_s: NDArray[np.float64]  # (n_hits,) direct sound at the own mic
    strength: NDArray[np.float64]  # (n_hits,) amplitude, any unit common to the drum
    clear: NDArray[np.bool_]  # (n_hits,) no other drum is hit at almost the same time

    def take(self, index: NDArray[np.int64]) -> DrumTimes:
        """The strokes at the given indexes."""
        return DrumTimes(
            drum=self.drum, own_file=self.own_file, time_s=self.time_s[index],
            strength=self.strength[index], clear=self.clear[index],
        )  # fmt: skip


def read_excerpts(
    reader: SpanReader, index: int, time_s: NDArray[np.float64], *, lead_s: float = LEAD_S, tail_s: float = TAIL_S
) -> Float32Array:
    """(n_hits, n) of one channel of an open file, zero where the excerpt leaves the file."""
    rate = reader.rate_hz
    n = round((lead_s + tail_s) * rate)
    out = np.zeros((len(time_s), n), np.float32)
    for i, start in enumerate(np.round((time_s - lead_s) * rate).astype(int)):
        out[i] = reader.read(int(start), n)[:, index]
    return out


def start_error_s(time_s: NDArray[np.float64], rate_hz: int, lead_s: float = LEAD_S) -> NDArray[np.float64]:
    """(n_hits,) how much later than asked for an excerpt begins, because samples are whole."""
    wanted = (time_s - lead_s) * rate_hz
    return np.asarray((np.round(wanted) - wanted) / rate_hz)


def pick_hits(n: int, preferred: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Indexes of at most MOST_HITS strokes, evenly spread, preferred ones where there are enough."""
    index = np.flatnonzero(preferred) if preferred.sum() >= min(20, n) else np.arange(n)
    if len(index) > MOST_HITS:
        index = index[np.linspace(0, len(index) - 1, MOST_HITS).round().astype(int)]
    return np.asarray(index)


def clear_of_others(
    time_s: Sequence[float], other_s: Sequence[float], *, before_s: float = 0.006, after_s: float = 0.010
) -> NDArray[np.bool_]:
    """(n,) true where no other drum's stroke lies between `before_s` before and `after_s` after."""
    mine, others = np.asarray(time_s, float), np.sort(np.asarray(other_s, float))
    count = np.searchsorted(others, mine + after_s) - np.searchsorted(others, mine - before_s)
    return np.asarray(count == 0)
