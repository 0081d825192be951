"""Skips: places at which samples were lost or doubled in several channels at the same sample.

A recorder that loses samples loses them in every channel at once: each wave breaks off at the same sample and
goes on somewhere else. In one channel such a break is small and drowns among sticks and cymbals; but no sound
reaches two mics at the same sample, again and again. So every channel only notes where its wave bends more
sharply than anywhere close by, and the take tells which of these places coincide.

Conventions: audio float64, shape (n,), full scale 1.0; `index` counts samples from the start of the file.

Source
------
A step at the same index in every channel: common practice. Second difference and ratio: own choice; of a drum's
low notes it takes away nearly everything, of a break nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.views import TakeView
from kitproof.model import FloatArray
from kitproof.observed.chain import Skip

CELL = 32
ASIDE = 3  # samples that a break itself bends
RATIO = 1.8  # a bend over the largest within a cell's length on either side
FLOOR = 2e-5  # two steps of 16 bits
MOST = 4000  # bends kept of a channel; noise gives some hundred in a song
FEWEST_CHANNELS = 3  # that bend at one sample
NEAR_S = 0.002  # bends of one loss, where several samples are patched


@dataclass(frozen=True, slots=True, kw_only=True)
class Bends:
    """Where one channel bends sharply: a clue, not saved."""

    file: str
    rate_hz: int
    index: NDArray[np.int64]
    ratio: NDArray[np.float64]


class BendMeter:
    """Sharpest bends of one channel."""

    def __init__(self, rate_hz: int, file: str) -> None:
        self._rate_hz, self._file = rate_hz, file
        self._tail: FloatArray = np.zeros(0)
        self._start = 0  # index of the tail's first sample
        self._found: dict[int, float] = {}
        self._told = 0

    def push(self, block: FloatArray) -> None:
        """Take the next (n,) samples."""
        wave = np.concatenate((self._tail, block)) if len(self._tail) else block
        n_cells = (len(wave) - 2) // CELL
        if n_cells < 3:
            self._tail = wave.copy()
            return
        bend = np.abs(np.diff(wave[: n_cells * CELL + 2], 2))
        top = np.maximum.reduceat(bend, np.arange(0, len(bend), CELL))
        beside = np.maximum(top[:-2], top[2:])
        # A bend at the edge of a cell raises the next one too: compared here with the lower neighbour only.
        lower = np.minimum(top[:-2], top[2:])
        sharp = (top[1:-1] > RATIO * lower) & (top[1:-1] >= beside) & (top[1:-1] > FLOOR)
        cells = np.flatnonzero(sharp) + 1
        self._judge(bend, cells * CELL + bend.reshape(n_cells, CELL)[cells].argmax(axis=1))
        used = (n_cells - 2) * CELL
        self._start += used
        self._tail = wave[used:].copy()

    def _judge(self, bend: FloatArray, at: NDArray[np.int64]) -> None:
        """Keep those of the bends at (n,) places, each a cell from both ends, that stand out of what is beside them."""
        beside = np.arange(ASIDE, CELL + 1)
        low, high = bend[at[:, None] - beside], bend[at[:, None] + beside]
        # Out of silence or into it nothing is missing.
        sounding = [np.count_nonzero(side, axis=1) >= len(beside) // 2 for side in (low, high)]
        ratio = bend[at] / np.maximum(np.maximum(low.max(axis=1), high.max(axis=1)), 1e-9)
        clear = np.flatnonzero(sounding[0] & sounding[1] & (ratio >= RATIO))[: MOST - len(self._found)]
        self._found |= zip((self._start + at[clear] + 1).tolist(), ratio[clear].tolist(), strict=True)

    def fresh(self) -> list[int]:
        """Indexes of the bends found since this was asked last; later ones lie less than four cells before the end."""
        indexes = list(self._found)[self._told :]
        self._told += len(indexes)
        return indexes

    def records(self) -> tuple[object, ...]:
        """The bends as one clue."""
        index = np.array(sorted(self._found), np.int64)
        ratio = np.array([self._found[i] for i in index.tolist()])
        return (Bends(file=self._file, rate_hz=self._rate_hz, index=index, ratio=ratio),)


def skips(view: TakeView) -> Iterator[Skip]:
    """Every loss that several channels show, in order of time."""
    kit = {c.file for c in view.kit}
    bends = [b for b in view.of_kind(Bends) if b.file in kit]
    for rate_hz in sorted({b.rate_hz for b in bends}):
        yield from coincidences([b for b in bends if b.rate_hz == rate_hz])


def coincidences(bends: list[Bends]) -> Iterator[Skip]:
    """The same for channels of one sample rate."""
    if not bends:
        return
    rate_hz = bends[0].rate_hz
    index = np.concatenate([b.index for b in bends])
    channel = np.repeat(np.arange(len(bends)), [len(b.index) for b in bends])
    order = np.argsort(index, kind="stable")
    index, channel = index[order], channel[order]
    last, first = -rate_hz, 0
    for i in np.flatnonzero(np.diff(index, append=np.iinfo(np.int64).max) > 1):
        together = np.unique(channel[first : i + 1])  # samples that follow one another: rounding moves a bend by one
        at = int(index[first])
        if len(together) >= FEWEST_CHANNELS and at - last > NEAR_S * rate_hz:
            last = at
            files = tuple(bends[c].file for c in together.tolist())
            yield Skip(time_s=at / rate_hz, files=files)
        first = int(i) + 1
