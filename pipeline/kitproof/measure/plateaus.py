"""Plateaus: a ceiling at which the waveform has flat tops, at full scale or anywhere below it.

A converter, a preamp or a mic that is overdriven cuts the waveform off at a level of its own. Where the
gain was turned down afterwards that level lies below full scale and no meter shows it. What remains is
the shape: tops that are straight lines with a corner at both ends, at the same level on every loud hit.
A steady drummer's peaks are round; a limiter's are round too; a lopsided drum is round on both sides.
The straight line may lean, since everything behind the overload that blocks direct current tilts it.

Conventions: audio float64, shape (n,), full scale 1.0; `top` is a local extreme of either side.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.ceilings import LEAN_S, Tops, crowd
from kitproof.model import FloatArray, Plateau, Side
from kitproof.units import amplitude_to_db, db_to_amplitude

TOP_DB = 1.0  # tops further than this under the loudest say nothing about its ceiling
REGION_DB = 0.3  # a top: the samples around an extreme that are within this of it
SPREAD_DB = 0.2  # of one ceiling over hits; a steady drummer's peaks spread by 0.5 dB and more
FEWEST_SAMPLES = 4  # in a top: with fewer, any curve is a straight line
FLATNESS = 0.25  # bend inside the top over that of a parabola of its height and length
# (samples, bend) of tops that no round wave has twice at one height: of 6000 in takes without a ceiling none had one
STRAIGHT = ((8, 0.05), (5, 0.02), (4, 0.005))
MOMENT_S = 0.030  # tops closer than this belong to one hit
FEWEST_MOMENTS = 3
FLAT_SHARE = 0.6  # of the hits that reach the ceiling and are long enough to judge
HELD_SAMPLES = 3  # equal ones: a flat top that needs no further proof
HELD_ALONE = 6
HELD_SHARE = 0.6  # of the samples in a top: a crest rounded to 16 bits holds for 0.2 of them at -40 dBFS, less above
HEIGHTS_DB, HEIGHTS_BELOW_DB = 0.01, 0.1  # as many tops in the first as in the rest of the second: no drummer does that
HEIGHTS_TOPS = 5
FLOOR = 1e-2  # below -40 dBFS the steps of 16 bits make crests flat
KEPT_PER_BLOCK = 48
MARGIN = 128  # samples of the block before that are searched again, so that a top is seen whole
MOST_TIMES = 200
TOP_RATIO = db_to_amplitude(-TOP_DB)
REACH_DB = 0.05  # a top that comes so close to the ceiling reaches it
HEAP_DB = 0.03
HEAP_SHARE = 0.55
HEAP_SAMPLES = 8
HEAP_MOMENTS = 3
SAME_SHAPE = 0.04  # standard deviation of the shoulders: below, one sound played again, not one ceiling
LEVEL_DB = 0.02  # a flat top stands within this of its largest sample; a parabola does for a quarter of its length
MOST_TOPS = 4000
MOST_HIGH = 200_000
Float64Array = NDArray[np.float64]
_Found = tuple[float, float, int, list[int], float]  # ceiling, spread in dB, tops, moments, share of flat ones


@dataclass(frozen=True, slots=True)
class Top:
    """One local extreme."""

    at: int  # samples from the start of the file
    level: float  # median of its straight part, amplitude
    height: float  # largest sample, amplitude
    n_samples: int
    bend: float  # 0: straight, 1: a parabola
    held: int  # samples exactly equal to the largest
    n_level: int  # samples within LEVEL_DB of the largest, itself among them
    shoulders: tuple[float, float]  # samples two places outside the top, over its height
    lean: float = 0.0  # integral of the wave over LEAN_S before it, amplitude times seconds


class PlateauMeter:
    """Flat tops of one channel, each side by itself.

    Source
    ------
    Ceiling that repeats over hits within 0.2 dB, with flat tops, on either side: common practice.
    Own choices: (1) straightness by the bend (second difference) inside the top against that of a parabola
    as high and as long, which does not change when the top leans; (2) where tops last only a sample or two,
    tops of different shape that end at one height, or the heap of samples at the ceiling: a round wave
    spends at most 0.32 of its time within 0.33 dB of its own peak in the uppermost 0.03 dB (square root of
    the ratio), and a wave with many peaks less.
    """

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._n = 0
        self._tail: FloatArray = np.zeros(0)
        self._kept = MARGIN + round(LEAN_S * rate_hz)  # samples of the block before
        self._sides = {1: _Side(rate_hz), -1: _Side(rate_hz)}

    def push(self, block: FloatArray) -> None:
        """Take the next (n,) samples."""
        if len(block) == 0:
            return
        for sign, peak in ((1, float(block.max())), (-1, -float(block.min()))):
            side = self._sides[sign]
            side.largest = max(side.largest, peak)
            if peak >= side.largest * TOP_RATIO:
                joined = np.concatenate((self._tail, block))
                side.search(joined if sign > 0 else -joined, self._n - len(self._tail), len(self._tail))
        self._tail = np.concatenate((self._tail, block[-self._kept :]))[-self._kept :].copy()
        self._n += len(block)

    def result(self) -> tuple[Plateau, ...]:
        """The ceilings found, at most one per side; call after the last block."""
        found = (_ceiling(self._sides[sign], sign, self._rate_hz) for sign in (1, -1))
        return tuple(p for p in found if p is not None)


class _Side:
    """What one side of the waveform showed so far."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self.largest = FLOOR
        self.known_from = 0.0  # height from which on no top was left out
        self.tops: list[Top] = []
        self.high_at: NDArray[np.int64] = np.zeros(0, np.int64)
        self.high: FloatArray = np.zeros(0)

    def search(self, wave: FloatArray, offset: int, n_old: int) -> None:
        """Tops and high samples of the next stretch; the first n_old samples were seen before."""
        limit = self.largest * TOP_RATIO
        searched = max(0, n_old - MARGIN)
        above = searched + np.flatnonzero(wave[searched:] >= limit)
        if len(above) == 0:
            return
        starts = np.concatenate(([0], np.flatnonzero(np.diff(above) > 1) + 1))
        heights = np.maximum.reduceat(wave[above], starts)
        ends = np.append(starts[1:], len(above))
        order = np.argsort(-heights, kind="stable")
        if len(order) > KEPT_PER_BLOCK:
            self.known_from = max(self.known_from, float(heights[order[KEPT_PER_BLOCK]]))
        held = np.concatenate(([0.0], np.cumsum(wave))) / self._rate_hz
        n_lean = round(LEAN_S * self._rate_hz)
        for k in order[:KEPT_PER_BLOCK]:
            first, last = int(above[starts[k]]), int(above[ends[k] - 1])
            if last + 3 < len(wave):  # one that reaches the end is seen whole with the next block
                top = _top(wave, first, last + 1, offset)
                at = top.at - offset + 1
                self.tops.append(replace(top, lean=float(held[at] - held[max(0, at - n_lean)])))
        self._keep_high(above[above >= n_old], wave, offset, limit)
        if len(self.tops) > MOST_TOPS:
            self.tops = [t for t in self.tops if t.height >= limit][-MOST_TOPS:]

    def _keep_high(self, above: NDArray[np.int64], wave: FloatArray, offset: int, limit: float) -> None:
        old = self.high >= limit
        self.high = np.concatenate((self.high[old], wave[above]))[-MOST_HIGH:]
        self.high_at = np.concatenate((self.high_at[old], above + offset))[-MOST_HIGH:]


def _top(wave: FloatArray, first: int, end: int, offset: int) -> Top:
    """Describe the extreme inside wave[first:end]."""
    part = wave[first:end]
    peak_at = first + int(part.argmax())
    height = float(wave[peak_at])
    limit = height * 10.0 ** (-REGION_DB / 20.0)
    low = peak_at
    while low > 0 and wave[low - 1] >= limit:
        low -= 1
    high = peak_at + 1
    while high < len(wave) and wave[high] >= limit:
        high += 1
    top = wave[low:high]
    n = len(top)
    held = int(np.count_nonzero(top == height))
    bend = 1.0
    if n >= FEWEST_SAMPLES:
        # A parabola that falls by `drop` towards both ends of n samples bends by 8 drop (lag/n)**2 everywhere;
        # the longer lag keeps noise and the steps of 16 bits small against it.
        lag = max(1, n // 6)
        inner = np.abs(top[2 * lag :] - 2.0 * top[lag:-lag] + top[: -2 * lag])
        drop = height - limit
        bend = float(np.median(inner) / (8.0 * drop * (lag / n) ** 2))
    return Top(
        at=offset + peak_at, level=float(np.median(top)), height=height, n_samples=n, bend=bend, held=held,
        n_level=int(np.count_nonzero(top >= height * db_to_amplitude(-LEVEL_DB))),
        shoulders=(float(wave[max(0, low - 2)]) / height, float(wave[min(high + 1, len(wave) - 1)]) / height),
    )  # fmt: skip


def _unique(tops: list[Top]) -> list[Top]:
    """Each top once: one near the seam of two blocks is seen twice."""
    return [t for _, t in sorted({t.at: t for t in tops}.items())]


def _ceiling(side: _Side, sign: int, rate_hz: int) -> Plateau | None:
    """The ceiling under which the loudest tops of one side end, if they are flat or heap up there."""
    found = (
        _by_shape(side, rate_hz) or _by_heights(side, rate_hz) or _by_heap(side, rate_hz) or _by_crowd(side, rate_hz)
    )
    if found is None:
        return None
    level, spread, n_tops, moments, share = found
    reached = [t for t in _unique(side.tops) if t.height >= level * db_to_amplitude(-REACH_DB)]
    name: Side = "positive" if sign > 0 else "negative"
    return Plateau(
        side=name, ceiling_dbfs=float(amplitude_to_db(level) or 0.0), spread_db=spread, n_tops=n_tops,
        n_moments=len(moments), times_s=tuple(m / rate_hz for m in moments[:MOST_TIMES]),
        confidence=round(min(1.0, share) * (1.0 - 0.5 ** len(moments)), 3),
        n_beside=sum(t.n_samples - 1 for t in reached), n_level=sum(_level_beside(t) for t in reached),
    )  # fmt: skip


def _level_beside(top: Top) -> int:
    """Samples beside the largest that are as high, or all of them if the top is straight but leans."""
    straight = top.n_samples >= FEWEST_SAMPLES and top.bend <= FLATNESS
    return top.n_samples - 1 if straight else top.n_level - 1


def _by_shape(side: _Side, rate_hz: int) -> _Found | None:
    tops = _unique(side.tops)
    best = side.largest * db_to_amplitude(-2.0 * SPREAD_DB)
    judged = [t for t in tops if t.height >= best and (t.n_samples >= FEWEST_SAMPLES or t.held >= HELD_SAMPLES)]
    flat = [t for t in judged if t.bend <= FLATNESS or t.held >= max(HELD_SAMPLES, 0.25 * t.n_samples)]
    if not flat:
        return None
    level = float(np.median([t.level for t in flat]))
    flat = [t for t in flat if abs(20.0 * np.log10(t.level / level)) <= SPREAD_DB]
    reached = [t for t in judged if t.height >= level * db_to_amplitude(-REACH_DB)]
    moments = _moments([t.at for t in flat], rate_hz)
    share = len(moments) / max(len(_moments([t.at for t in reached], rate_hz)), 1)
    # One long top that holds its value from corner to corner is proof enough.
    alone = any(t.held >= HELD_ALONE and t.held >= HELD_SHARE * t.n_samples for t in flat)
    # Two hits may look straight by chance, but not hold one value, nor stay so straight.
    lines = [t.at for t in flat if any(t.n_samples >= n and t.bend <= bend for n, bend in STRAIGHT)]
    twice = all(t.held >= HELD_SAMPLES for t in flat) or len(_moments(lines, rate_hz)) >= 2
    enough = 1 if alone else 2 if twice else FEWEST_MOMENTS
    if share < FLAT_SHARE or len(moments) < enough:
        return None
    spread = float(np.std([20.0 * np.log10(t.level) for t in flat]))
    return level, spread, len(flat), moments, share


def _by_heights(side: _Side, rate_hz: int) -> _Found | None:
    level = side.largest
    tops = [t for t in _unique(side.tops) if t.height >= level * db_to_amplitude(-HEIGHTS_BELOW_DB)]
    same = [t for t in tops if t.height >= level * db_to_amplitude(-HEIGHTS_DB)]
    moments = _moments([t.at for t in same], rate_hz)
    share = len(same) / len(tops) if tops else 0.0
    if len(same) < HEIGHTS_TOPS or len(moments) < HEAP_MOMENTS or share < FLAT_SHARE or _replayed(same):
        return None
    return level, float(np.std([20.0 * np.log10(t.height) for t in same])), len(same), moments, share


def _replayed(tops: list[Top]) -> bool:
    """Whether all tops are the same sound, played again: then they end alike without a ceiling."""
    return len(tops) < 2 or max(np.std([t.shoulders for t in tops], axis=0)) < SAME_SHAPE


def _by_heap(side: _Side, rate_hz: int) -> _Found | None:
    level = side.largest
    upper = side.high >= level * db_to_amplitude(-HEAP_DB)
    all_n = int(np.count_nonzero(side.high >= level * db_to_amplitude(-HEAP_DB - REGION_DB)))
    at = side.high_at[upper]
    share = len(at) / max(all_n, 1)
    moments = _moments(at.tolist(), rate_hz)
    if share < HEAP_SHARE or len(at) < HEAP_SAMPLES or len(moments) < HEAP_MOMENTS:
        return None
    if _replayed([t for t in _unique(side.tops) if t.height >= level * db_to_amplitude(-HEAP_DB)]):
        return None
    n_tops = 1 + int(np.count_nonzero(np.diff(at) > 1))
    spread = float(np.std(20.0 * np.log10(side.high[upper])))
    return level, spread, n_tops, moments, share


def _by_crowd(side: _Side, rate_hz: int) -> _Found | None:
    tops = [t for t in _unique(side.tops) if t.height >= side.largest * TOP_RATIO]
    index = crowd(
        Tops(
            at_s=np.array([t.at / rate_hz for t in tops]), height=np.array([t.height for t in tops]),
            lean=np.array([t.lean for t in tops]), shoulders=np.array([t.shoulders for t in tops]).reshape(-1, 2),
            known_from=side.known_from,
        )
    )  # fmt: skip
    found = [tops[i] for i in index.tolist()]
    if not found:
        return None
    level = float(np.median([t.height for t in found]))
    spread = float(np.std([20.0 * np.log10(t.height) for t in found]))
    return level, spread, len(found), _moments([t.at for t in found], rate_hz), 1.0


def _moments(at: list[int], rate_hz: int) -> list[int]:
    """First sample of each group that belongs to one hit."""
    out: list[int] = []
    last = -np.inf
    for k in at:
        if k - last > MOMENT_S * rate_hz:
            out.append(k)
        last = k
    return out
