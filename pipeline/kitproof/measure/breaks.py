"""Breaks: places at which one channel goes on, from one sample to the next, somewhere else in the sound.

Samples that are lost, or an edit without a fade, leave a step that no converter could have let through: its filter
holds back what is quicker than half the sample rate, so whatever came in as sound follows from the samples before.
Wherever the wave bends more sharply than close by (skips.py), the samples around are predicted from those before
them; a break is missed by the prediction far more than anything beside it.

Left alone: a stroke that begins, a gate that shuts or opens (the level changes), the corner of a clipped top (the
slope changes, the wave does not jump), and what comes back at strokes, which is sound. Not found: losses in cymbals
and wires, whose samples follow from nothing.

Conventions: audio float64, shape (n,), full scale 1.0; times in seconds from the start of the file.

Source
------
Prediction error at clicks and splices: common practice in restoration of recordings (linear prediction,
autocorrelation method). Limits: own choice; of 480 clean channels of recorded and modelled kits one reaches OVER,
where a tail was cut. Lost samples are found in toms and kicks four times out of five, in a snare or a room four of
ten, in cymbals and under a snare one of six.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_toeplitz

from kitproof.measure.skips import CELL, BendMeter
from kitproof.measure.views import TakeView
from kitproof.model import FloatArray
from kitproof.observed.chain import Break, Skip

ORDER = 32
SIDE_S = 0.012  # predicted from so much on either side, and no less than `unforeseen` needs
BESIDE = 200  # samples whose errors it is held against
EDGE = 4  # samples around that belong to the break, and ORDER more behind it
OVER = 4.0  # its error over the largest beside it
LEVEL_S = 0.003
LEVEL_RATIO = 4.0  # 12 dB: louder or softer afterwards, and something begins or ends
JUMPS = -0.5  # the wave bends one way and back; half as much and it only changes its slope
STROKE_S = (-0.001, 0.002)  # from a stroke: its own first sample
SHARED_S = 0.002  # from a loss in several channels, which is named as such
MOST = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """A place at which one channel does not follow from what was before: a clue, not saved."""

    file: str
    time_s: float
    over: float  # error of the prediction over the largest beside it


class BreakMeter:
    """Bends of one channel, and those of them that are breaks."""

    def __init__(self, rate_hz: int, file: str) -> None:
        self._rate_hz, self._file = rate_hz, file
        self._bends = BendMeter(rate_hz, file)
        self._side = max(round(SIDE_S * rate_hz), BESIDE + ORDER)
        self._tail: FloatArray = np.zeros(0)
        self._end = 0  # samples so far
        self._open: list[int] = []  # bends whose surroundings are not there yet
        self._edges: list[Edge] = []

    def push(self, block: FloatArray) -> None:
        """Take the next (n,) samples."""
        self._bends.push(block)
        wave = np.concatenate((self._tail, block)) if len(self._tail) else block
        self._end += len(block)
        start = self._end - len(wave)
        self._open += self._bends.fresh()
        ready = [at for at in self._open if at + self._side <= self._end]
        self._open = [at for at in self._open if at + self._side > self._end]
        for at in ready:
            self._judge(wave, start, at)
        first = min([*self._open, self._end - 4 * CELL]) - self._side
        self._tail = wave[max(0, first - start) :].copy()

    def _judge(self, wave: FloatArray, start: int, at: int) -> None:
        i = at - start
        if i < self._side or len(self._edges) >= MOST:
            return
        if not _jumps(wave, i) or not _as_loud(wave, i, round(LEVEL_S * self._rate_hz)):
            return
        over = unforeseen(wave[i - self._side : i + self._side], self._side)
        if over >= OVER:
            self._edges.append(Edge(file=self._file, time_s=at / self._rate_hz, over=over))

    def records(self) -> tuple[object, ...]:
        """The bends as one clue, and every break as one."""
        return (*self._bends.records(), *self._edges)


def unforeseen(wave: FloatArray, at: int) -> float:
    """Error of predicting the samples around `at` from those before them, over the largest error beside it.

    wave : (n,) with BESIDE samples and ORDER on either side of `at`, at least. Silence gives 0.
    """
    about_mean = wave - wave.mean()
    lag = np.correlate(np.concatenate((about_mean, np.zeros(ORDER))), about_mean)
    if lag[0] <= 0.0:
        return 0.0
    lag[0] *= 1.0 + 1e-9
    taps = np.concatenate(([1.0], -solve_toeplitz(lag[:ORDER], lag[1:])))
    error = np.abs(np.convolve(wave, taps)[: len(wave)])
    here = error[at - 1 : at + 2].max()
    beside = max(error[at - BESIDE : at - EDGE + 2].max(), error[at + ORDER + EDGE : at + ORDER + BESIDE].max())
    return float(here / max(beside, 1e-12))


def _jumps(wave: FloatArray, i: int) -> bool:
    """Whether the wave steps rather than turning a corner: it bends one way and the other at the next sample."""
    bend = np.diff(wave[i - 3 : i + 4], 2)  # of the samples i - 2 to i + 2
    k = 1 + int(np.abs(bend[1:4]).argmax())
    return bool(min(bend[k - 1] / bend[k], bend[k + 1] / bend[k]) <= JUMPS)


def _as_loud(wave: FloatArray, i: int, n: int) -> bool:
    before, after = float(np.std(wave[i - n : i])), float(np.std(wave[i : i + n]))
    return max(before, after) <= LEVEL_RATIO * min(before, after)


def lone_breaks(view: TakeView) -> Iterator[Break]:
    """Breaks of one channel that begin no stroke and are no loss in several channels, in order of channel and time."""
    strokes = np.sort(np.concatenate([np.zeros(0), *(d.time_s for d in view.drums.values())]))
    shared = np.array([s.time_s for s in view.of_kind(Skip)])
    kit = {c.file for c in view.kit}
    for edge in view.of_kind(Edge):
        low, high = (edge.time_s - STROKE_S[1], edge.time_s - STROKE_S[0])
        is_stroke = np.searchsorted(strokes, high) > np.searchsorted(strokes, low)
        if edge.file in kit and not is_stroke and not (np.abs(shared - edge.time_s) <= SHARED_S).any():
            yield Break(file=edge.file, time_s=edge.time_s, over_db=round(20.0 * np.log10(edge.over), 1))
