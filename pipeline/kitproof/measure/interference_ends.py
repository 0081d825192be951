"""How loud a channel is in the first and in the last 10 ms of its file.

Conventions: audio float64, shape (n,), full scale 1.0; levels are RMS about the mean of the whole file, so that
an offset is no sound.
"""

from __future__ import annotations

import numpy as np

from kitproof.model import FloatArray
from kitproof.observed.interference import FileEnds
from kitproof.reasons import SILENT_OR_SHORT
from kitproof.units import power_to_db

END_S = 0.010
LATE_S, EARLIER_S = 0.1, (0.6, 0.4)  # the last tenth of a second against what came half a second before


class EndsMeter:
    """Level at both ends of one channel. Digital silence there has none.

    Source
    ------
    Energy of the first and last 10 ms against the noise: common practice for finding takes that were cut.
    """

    def __init__(self, rate_hz: int, file: str) -> None:
        self._file = file
        self._n_end = max(1, round(END_S * rate_hz))
        self._rate_hz = rate_hz
        self._n_tail = round(EARLIER_S[0] * rate_hz)
        self._head: FloatArray = np.zeros(0)
        self._tail: FloatArray = np.zeros(0)
        self._sum, self._n = 0.0, 0

    def push(self, block: FloatArray) -> None:
        """Take the next (n,) samples."""
        if len(self._head) < self._n_end:
            self._head = np.concatenate((self._head, block[: self._n_end - len(self._head)]))
        last = block[-self._n_tail :]
        self._tail = np.concatenate(
            (self._tail[-(self._n_tail - len(last)) :] if len(last) < self._n_tail else [], last)
        )
        self._sum += float(block.sum())
        self._n += len(block)

    def records(self) -> tuple[FileEnds, ...]:
        """One record; call after the last block."""
        mean = self._sum / max(self._n, 1)
        levels = {
            "head_dbfs": self._level(self._head, mean), "tail_dbfs": self._level(self._tail[-self._n_end :], mean),
            "tail_fall_db": self._fall(mean),
        }  # fmt: skip
        missing = {name: SILENT_OR_SHORT for name, level in levels.items() if level is None}
        return (FileEnds(file=self._file, **levels, unmeasured=missing),)

    def _fall(self, mean: float) -> float | None:
        """By how much the level fell over the last half second; None if one of the two is digital silence."""
        if len(self._tail) < self._n_tail:
            return None
        earlier = self._tail[: self._n_tail - round(EARLIER_S[1] * self._rate_hz)]
        before, late = self._level(earlier, mean), self._level(self._tail[-round(LATE_S * self._rate_hz) :], mean)
        return None if before is None or late is None else before - late

    def _level(self, end: FloatArray, mean: float) -> float | None:
        if len(end) < self._n_end or not np.any(end != end[0]):
            return None
        return power_to_db(float(np.mean(np.square(end - mean))))
