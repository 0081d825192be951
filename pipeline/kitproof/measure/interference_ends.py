"""How loud a channel is in the first and in the last 10 ms of its file.

Conventions: audio float64, shape (n,), full scale 1.0; levels are RMS about the mean of the whole file, so that
an offset is no sound.
"""

from __future__ import annotations

import numpy as np

from kitproof.model import FloatArray
from kitproof.observed.interference import FileEnds
from kitproof.units import power_to_db

END_S = 0.010


class EndsMeter:
    """Level at both ends of one channel. Digital silence there has none.

    Source
    ------
    Energy of the first and last 10 ms against the noise: common practice for finding takes that were cut.
    """

    def __init__(self, rate_hz: int, file: str) -> None:
        self._file = file
        self._n_end = max(1, round(END_S * rate_hz))
        self._head: FloatArray = np.zeros(0)
        self._tail: FloatArray = np.zeros(0)
        self._sum, self._n = 0.0, 0

    def push(self, block: FloatArray) -> None:
        """Take the next (n,) samples."""
        if len(self._head) < self._n_end:
            self._head = np.concatenate((self._head, block[: self._n_end - len(self._head)]))
        last = block[-self._n_end :]
        self._tail = np.concatenate((self._tail, last))[-self._n_end :]
        self._sum += float(block.sum())
        self._n += len(block)

    def records(self) -> tuple[FileEnds, ...]:
        """One record; call after the last block."""
        mean = self._sum / max(self._n, 1)
        levels = {"head_dbfs": self._level(self._head, mean), "tail_dbfs": self._level(self._tail, mean)}
        reason = "digital silence, or a file shorter than 10 ms"
        missing = {name: reason for name, level in levels.items() if level is None}
        return (FileEnds(file=self._file, **levels, unmeasured=missing),)

    def _level(self, end: FloatArray, mean: float) -> float | None:
        if len(end) < self._n_end or not np.any(end != end[0]):
            return None
        return power_to_db(float(np.mean(np.square(end - mean))))
