"""Limiters: strokes that differ in strength in all other mics and yet end at one height in this one.

A mic hears a harder stroke louder, and so do all the others. A limiter or compressor that is printed into a channel
holds its peaks at one height, while the other mics, which hear the same strokes, go on rising. A steady player's
strokes end near one height in every mic alike. What is needed is a heap of peaks at the top of one channel, and that
the others agree how much those strokes differ.

A mic of a shell is judged by its own drum's strokes, by the lows of the other mics, in which hats and cymbals struck
together with it hardly count. An overhead or room mic is judged by its highest moments, whatever was struck, and by
the other distant mics, which hear the kit as it does. A cymbal's mic is not judged: its cymbal goes with other drums.

A compressor that takes a millisecond or more to act lets the peaks of drums pass and is not seen.

Conventions: levels in dB; heights are peaks of a few milliseconds in dBFS; `held` strokes or moments are those of the
heap.

Source
------
Small crest, no flat tops: common practice. The heap of peaks against the other mics' levels: own choice, since crest
alone depends on drum, damping and room.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.gainsteps import nanmedian
from kitproof.measure.onsets import FLOOR_POWER, OnsetTrack
from kitproof.measure.views import TakeView
from kitproof.model import FloatArray
from kitproof.observed.chain import HeldBack
from kitproof.roles import DISTANT_ROLES, DRUM_OF_ROLE, SHELLS

STEP_S = 0.005
AROUND_S = (-0.005, 0.025)  # of a stroke, for its peak: an own mic hears it at once, its second mic 2 ms later
BEFORE_S, AFTER_S = (-0.025, -0.005), (0.0, 0.025)  # for its level elsewhere: far mics are 10 ms late
SHELL_CLEAR_S = (0.090, 0.030)  # no other shell's stroke so long before and after
OWN_CLEAR_S = 0.060
LOW_BANDS = {"kick": slice(0, 2), "snare": slice(1, 4)}  # of onsets.BAND_EDGES_HZ: to 250 Hz, 120 Hz to 1 kHz
TOM_BANDS = slice(0, 3)
STANDS_OUT_DB = 6.0  # a level counts where the stroke lifts its band by this
HEARD_SHARE = 0.8  # of the strokes, by a mic that is asked
FEWEST_MICS, FEWEST_DISTANT = 3, 2
FEWEST_HELD = 6
WITHIN_DB = (0.3, 1.0)  # a heap of a look-ahead limiter, and of one that lets the first wave pass
SOUNDS_DBFS = -60.0  # a channel that never peaks so high holds no strokes
NARROW_SHARE = 0.7  # of the wider heap's strokes, and the narrow one says it all
MOMENT_S = 0.060  # highest moments nearer than this are one
LOOK_DOWN_DB = 12.0
BELOW_DB = 1.0
MOST_TIMES = 20
Float64Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Heights:
    """Peaks of one channel, one every STEP_S: a clue, not saved."""

    file: str
    peak_dbfs: NDArray[np.float32]
    per_s: float


class HeightMeter:
    """Peaks of one channel over time."""

    def __init__(self, rate_hz: int, file: str) -> None:
        self._file, self._rate_hz = file, rate_hz
        self._step = max(1, round(STEP_S * rate_hz))
        self._tail: FloatArray = np.zeros(0)
        self._peaks: list[FloatArray] = []

    def push(self, block: FloatArray) -> None:
        """Take the next (n,) samples."""
        wave = np.concatenate((self._tail, block)) if len(self._tail) else block
        n = len(wave) // self._step * self._step
        if n:
            rows = wave[:n].reshape(-1, self._step)
            self._peaks.append(np.maximum(rows.max(axis=1), -rows.min(axis=1)))
        self._tail = wave[n:].copy()

    def records(self) -> tuple[Heights, ...]:
        """The peaks of all samples so far."""
        last = [np.abs(self._tail).max(keepdims=True)] if len(self._tail) else []
        every = np.concatenate((np.zeros(0), *self._peaks, *last))
        peak_dbfs = 10.0 * np.log10(np.maximum(every**2, FLOOR_POWER))
        return (Heights(file=self._file, peak_dbfs=peak_dbfs.astype(np.float32), per_s=self._rate_hz / self._step),)


def held_back(view: TakeView) -> Iterator[HeldBack]:
    """One record for every channel of the kit whose highest peaks heap up; a take of too few mics has none."""
    heights = {h.file: h for h in view.of_kind(Heights)}
    distant = [c.file for c in view.kit if c.role in DISTANT_ROLES]
    for c in view.kit:
        if c.file in heights and c.file in view.tracks and (c.file in distant or DRUM_OF_ROLE.get(c.role) in SHELLS):
            drum = DRUM_OF_ROLE.get(c.role)
            if drum in SHELLS:
                found = _of_drum(view, heights[c.file], drum)
            else:
                found = of_moments(heights[c.file], [heights[f] for f in distant if f in heights and f != c.file])
            if found is not None:
                yield found


# ---------------------------------------------------------------------------------------- a drum's own mic
def _of_drum(view: TakeView, heights: Heights, drum: str) -> HeldBack | None:
    if drum not in view.drums:
        return None
    shells = [d.time_s for name, d in view.drums.items() if name != drum and name in SHELLS]
    time_s = lone(view.drums[drum].time_s, np.sort(np.concatenate((np.zeros(0), *shells))))
    others = {f: t for f, t in view.tracks.items() if f != heights.file and f != view.own.get(drum)}
    return of_strokes(heights, drum, time_s, others)


def lone(own_s: Float64Array, others_s: Float64Array) -> Float64Array:
    """The strokes that none of their own drum and none of the sorted others disturbs."""
    before = np.searchsorted(others_s, own_s - SHELL_CLEAR_S[0])
    after = np.searchsorted(others_s, own_s + SHELL_CLEAR_S[1])
    apart = np.diff(own_s, prepend=-np.inf) > OWN_CLEAR_S
    return np.asarray(own_s[(before == after) & apart])


def of_strokes(heights: Heights, drum: str, time_s: Float64Array, others: Mapping[str, OnsetTrack]) -> HeldBack | None:
    """How a channel holds the strokes of one drum back, by the heap that fits; None if there is none.

    others : tracks of the other mics, by file
    """
    peak = _peaks(heights, time_s)
    if (
        len(peak) < FEWEST_HELD
        or peak.max() < SOUNDS_DBFS
        or not any((peak >= peak.max() - w).sum() >= FEWEST_HELD for w in WITHIN_DB)
    ):
        return None
    bands = LOW_BANDS.get(drum, TOM_BANDS)
    levels = [_levels(track, time_s, bands) for track in others.values()]
    levels = [x for x in levels if np.isfinite(x).mean() >= HEARD_SHARE]
    if len(levels) < FEWEST_MICS:
        return None
    narrow, wide = (_heap(heights.file, drum, time_s, peak, np.array(levels), w) for w in WITHIN_DB)
    if narrow is None or wide is None:
        return wide
    return narrow if narrow.n_held >= NARROW_SHARE * wide.n_held else wide


def _peaks(heights: Heights, time_s: Float64Array) -> Float64Array:
    """(n,) highest peak around each time, dBFS."""
    last = len(heights.peak_dbfs) - 1
    first = np.floor((time_s + AROUND_S[0]) * heights.per_s).astype(int)
    steps = np.arange(round((AROUND_S[1] - AROUND_S[0]) * heights.per_s) + 1)
    at = np.clip(first[:, None] + steps, 0, max(last, 0))
    return np.asarray(heights.peak_dbfs[at].max(axis=1), np.float64) if last >= 0 else np.zeros(0)


def _levels(track: OnsetTrack, time_s: Float64Array, bands: slice) -> Float64Array:
    """(n,) what each stroke adds, against the usual one, dB, mean over bands; NaN where it lifts none clearly."""
    before, after = (_power(track, time_s, span, bands) for span in (BEFORE_S, AFTER_S))
    out = after > before * 10.0 ** (STANDS_OUT_DB / 10.0)
    db = np.where(out, 10.0 * np.log10(np.maximum(after - before, FLOOR_POWER)), np.nan)
    return _mean(db - nanmedian(db, 0)[None], out)


def _mean(db: Float64Array, known: NDArray[np.bool_]) -> Float64Array:
    n = known.sum(axis=1)
    return np.asarray(np.where(n > 0, np.where(known, db, 0.0).sum(axis=1) / np.maximum(n, 1), np.nan))


def _power(track: OnsetTrack, time_s: Float64Array, span_s: tuple[float, float], bands: slice) -> Float64Array:
    """(n, n_bands) mean power within a span around each time."""
    first = np.round((time_s + span_s[0]) * track.frames_per_s).astype(int)
    steps = np.arange(round((span_s[1] - span_s[0]) * track.frames_per_s))
    at = np.clip(first[:, None] + steps, 0, len(track.band_db) - 1)
    return np.asarray(np.mean(10.0 ** (track.band_db[at][:, :, bands].astype(np.float64) / 10.0), axis=1))


def _heap(
    file: str, drum: str | None, time_s: Float64Array, peak: Float64Array, levels: Float64Array, within_db: float
) -> HeldBack | None:
    """The strokes whose peaks end within a few tenths under the highest, and what (n_mics, n) levels say of them."""
    held = peak >= peak.max() - within_db
    known = np.isfinite(levels).any(axis=0)
    if np.count_nonzero(held & known) < FEWEST_HELD:
        return None
    strength = nanmedian(levels, 0)
    low, high = np.quantile(strength[held & known], (0.1, 0.9))
    return HeldBack(
        file=file, drum=drum, within_db=within_db, ceiling_dbfs=float(np.median(peak[held])),
        n_held=int(held.sum()), n_as_loud=int(np.count_nonzero(known & (strength >= low))),
        n_held_as_loud=int(np.count_nonzero(held & known & (strength >= low))),
        range_db=float(high - low), agreement=_agreement(levels[:, held]),
        times_s=tuple(time_s[held][:MOST_TIMES].tolist()),
    )  # fmt: skip


def _agreement(levels: Float64Array) -> float:
    """Correlation of one half of the mics with the other, over the strokes; 0 where nothing varies."""
    one, two = nanmedian(levels[0::2], 0), nanmedian(levels[1::2], 0)
    both = np.isfinite(one) & np.isfinite(two)
    if np.count_nonzero(both) < FEWEST_HELD or one[both].std() < 1e-6 or two[both].std() < 1e-6:
        return 0.0
    return float(np.corrcoef(one[both], two[both])[0, 1])


# ------------------------------------------------------------------------------------------ any other mic
def of_moments(heights: Heights, distant: Sequence[Heights]) -> HeldBack | None:
    """How a channel ends at one height whatever is struck; None if its highest moments do not heap up.

    distant : peaks of the other distant mics
    """
    at = _highest(heights)
    if len(at) < FEWEST_HELD:
        return None
    peak = heights.peak_dbfs[at].astype(np.float64)
    others = [_peaks(h, at / heights.per_s) for h in distant if len(h.peak_dbfs)]
    if len(others) < FEWEST_DISTANT:
        return None
    levels = np.array([x - np.median(x) for x in others])
    found = _heap(heights.file, None, at / heights.per_s, peak, levels, WITHIN_DB[0])
    if found is None:
        return None
    # Other drums are as loud elsewhere and softer here, so what comes just below the heap stands for them.
    n_near = int(np.count_nonzero(peak >= peak.max() - WITHIN_DB[0] - BELOW_DB))
    return replace(found, n_as_loud=n_near, n_held_as_loud=found.n_held)


def _highest(heights: Heights) -> NDArray[np.int64]:
    """Steps of the highest moments, each the highest within MOMENT_S, in order of time."""
    peak = heights.peak_dbfs
    if not len(peak) or peak.max() < SOUNDS_DBFS:
        return np.zeros(0, np.int64)
    above = np.flatnonzero(peak >= peak.max() - LOOK_DOWN_DB)
    gap = round(MOMENT_S * heights.per_s)
    taken = np.zeros(len(peak) + 2 * gap, bool)
    kept: list[int] = []
    for i in _from_the_top(peak, above):
        if not taken[i + gap]:
            kept.append(i)
            taken[i : i + 2 * gap + 1] = True
    return np.sort(np.array(kept, np.int64))


def _from_the_top(peak: NDArray[np.float32], index: NDArray[np.int64]) -> Sequence[int]:
    order: list[int] = index[np.argsort(-peak[index], kind="stable")].tolist()
    return order
