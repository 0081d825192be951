"""Mean power of a filtered channel in cells of 10 ms: what loudness and noise floor are built on.

Conventions: audio float64, shape (n,), full scale 1.0; power is mean square, so a full-scale sine has 0.5.
Cell k covers the samples from k*rate/100 up to (k+1)*rate/100, rounded down, counted from the start of
the file; a last, incomplete cell is left out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from kitproof.model import FloatArray

CELLS_PER_S = 100
_NOTHING = 1e-30  # a filter state this small is silence; left alone it fades into very slow subnormal numbers


class StatefulFilter:
    """Second-order sections that remember where they were: filtering in blocks equals filtering at once."""

    def __init__(self, sos: NDArray[np.float64], *, settled: bool = False) -> None:
        """`settled` starts as if the first sample had stood there for ever, so an offset makes no step."""
        self._sos = sos
        self._state = np.zeros((len(sos), 2))
        self._settle = settled

    def __call__(self, block: FloatArray) -> NDArray[np.float64]:
        if self._settle and len(block):
            self._state = signal.sosfilt_zi(self._sos) * float(block[0])
            self._settle = False
        out, self._state = signal.sosfilt(self._sos, block, zi=self._state)
        self._state[np.abs(self._state) < _NOTHING] = 0.0
        return np.asarray(out)


class CellSums:
    """Sums a stream per cell. Any split into blocks gives the same sums, to rounding."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._n_seen = 0
        self._open_sum = 0.0
        self._done: list[NDArray[np.float64]] = []

    def push(self, values: NDArray[np.float64]) -> None:
        """Add one value per sample."""
        n = len(values)
        if n == 0:
            return
        first = self._n_seen * CELLS_PER_S // self._rate_hz
        last = (self._n_seen + n) * CELLS_PER_S // self._rate_hz + 1
        bounds = np.arange(first + 1, last + 1) * self._rate_hz // CELLS_PER_S - self._n_seen
        bounds = bounds[(bounds > 0) & (bounds <= n)]
        sums = np.add.reduceat(values, np.concatenate(([0], bounds[bounds < n])))
        sums[0] += self._open_sum
        closed = len(bounds) > 0 and bounds[-1] == n
        self._open_sum = 0.0 if closed else float(sums[-1])
        self._done.append(sums if closed else sums[:-1])
        self._n_seen += n

    def means(self) -> NDArray[np.float64]:
        """(n_cells,) sum over cell length, for all complete cells so far."""
        sums = np.concatenate([np.zeros(0), *self._done])
        bounds = np.arange(len(sums) + 1) * self._rate_hz // CELLS_PER_S
        return np.asarray(sums / np.diff(bounds))


def sliding_mean(cells: NDArray[np.float64], n_window: int) -> NDArray[np.float64]:
    """(n_cells - n_window + 1,) mean of every n_window neighbouring cells; empty if there are fewer."""
    if len(cells) < n_window:
        return np.zeros(0)
    return np.convolve(cells, np.full(n_window, 1.0 / n_window), mode="valid")
