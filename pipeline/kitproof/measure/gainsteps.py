"""Gain steps: does one channel's gain change while the take runs, by how much and when?

Every stroke is heard in many mics. How loud a mic hears it depends on how hard the drum was hit, which all mics
share, on the drum, and on the channel's gain. So of every stroke's level in a channel, in bands, the usual level
of that drum in that channel is taken away, then the median over all channels, which is how hard this stroke was.
What is left should be nothing; a gain that was touched leaves one step, the same for every drum and in every band.
A player who hits harder changes all channels alike; a mic that was moved hears some drums louder and others
softer, so the drums have to agree.

Conventions: levels in dB; strokes within KIND_S of one another are one event, and events with the same drums are
of one kind; a step is positive if the channel is louder afterwards.

Source
------
A step in all foreign strokes together: common practice. The robust fit (medians over kinds, channels and bands):
own choice, since single strokes differ by several dB and some were missed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.onsets import N_BANDS
from kitproof.measure.views import TakeView
from kitproof.observed.chain import GainStep
from kitproof.roles import DRUM_OF_ROLE

KIND_S = 0.012  # strokes nearer than this cannot be told apart by level
CLEAR_S = 0.035  # and none may follow within this
BEFORE_S, AFTER_S = (-0.020, -0.004), (0.001, 0.040)  # of an event's first stroke; the far mics are 10 ms late
STANDS_OUT_DB = 6.0  # a level counts where the event lifts its band by this
FEWEST_OF_KIND = 5  # events; of fewer no usual level is known
FEWEST_CHANNELS = 3  # that hear an event, or one cannot say which of them changed
FEWEST_BESIDE = 3  # events of a kind on either side of a step
ENOUGH_BESIDE = 10  # more weigh no more
LEAST_SPAN_S = 8.0
N_INSTANTS = 41  # tried for a step, then all around the best of them
CLEAR_DB, CLEAR_KINDS, CLEAR_REST = 1.0, 3, 0.9  # of a step that is taken out before others are looked for
MOST_STEPS = 4
AGREE_DB, AGREE_SHARE = 0.75, 0.25  # the kinds' own steps lie around the common one, on the mean; of a large step
WINSOR_DB = 6.0  # a stroke that is off by more was missed or is two
Float64Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class StrokeLevels:
    """How loud every event is in every channel, band by band."""

    files: tuple[str, ...]
    kinds: tuple[frozenset[str], ...]
    time_s: Float64Array  # (n,)
    kind: NDArray[np.int64]  # (n,) index into kinds
    level_db: Float64Array  # (n, n_files, N_BANDS), NaN where the event does not stand out


def stroke_levels(view: TakeView) -> StrokeLevels:
    """Levels of all events that others leave in peace; no strokes give none."""
    files = tuple(view.tracks)
    time_s, sets = _events(view)
    usual = Counter(sets)
    kinds = tuple(k for k, n in usual.items() if n >= FEWEST_OF_KIND)
    kept = [i for i, s in enumerate(sets) if s in kinds]
    time_s = time_s[kept]
    kind = np.array([kinds.index(sets[i]) for i in kept], np.int64)
    level = np.full((len(kept), len(files), N_BANDS), np.nan)
    for f, file in enumerate(files):
        track = view.tracks[file]
        total = np.vstack((np.zeros((1, N_BANDS)), np.cumsum(track.band_power(), axis=0, dtype=np.float64)))
        before = _mean(total, time_s, BEFORE_S, track.frames_per_s)
        after = _mean(total, time_s, AFTER_S, track.frames_per_s)
        with np.errstate(divide="ignore", invalid="ignore"):
            out = after > before * 10.0 ** (STANDS_OUT_DB / 10.0)
            level[:, f] = np.where(out, 10.0 * np.log10(after - before), np.nan)
    return StrokeLevels(files=files, kinds=kinds, time_s=time_s, kind=kind, level_db=level)


def _events(view: TakeView) -> tuple[Float64Array, list[frozenset[str]]]:
    """Time of the first stroke and the drums of each event; those with a neighbour too near are left out."""
    all_strokes = sorted((float(t), d.drum) for d in view.drums.values() for t in d.time_s)
    if not all_strokes:
        return np.zeros(0), []
    groups: list[list[tuple[float, str]]] = []
    for stroke in all_strokes:
        if groups and stroke[0] - groups[-1][0][0] <= KIND_S:
            groups[-1].append(stroke)
        else:
            groups.append([stroke])
    first = np.array([g[0][0] for g in groups])
    after = np.append(np.diff(first), np.inf)
    before = np.append(np.inf, np.diff(first))
    clear = (after > AFTER_S[1]) & (before > CLEAR_S)
    return first[clear], [frozenset(d for _, d in g) for g, ok in zip(groups, clear, strict=True) if ok]


def _mean(total: Float64Array, time_s: Float64Array, span_s: tuple[float, float], per_s: float) -> Float64Array:
    """(n, N_BANDS) mean power within a span around each time."""
    first, last = (np.clip(np.round((time_s + s) * per_s).astype(int), 0, len(total) - 1) for s in span_s)
    return np.asarray((total[last] - total[first]) / np.maximum(last - first, 1)[:, None])


def residuals(levels: StrokeLevels) -> Float64Array:
    """(n, n_files) what neither the drum nor the strength of a stroke explains, dB; NaN where it is not heard."""
    x = levels.level_db.copy()
    for k in range(len(levels.kinds)):
        mine = levels.kind == k
        x[mine] -= nanmedian(x[mine], 0)[None]
    out = np.full(x.shape[:2], np.nan)
    for f in range(x.shape[1]):
        others = np.delete(x, f, axis=1)  # a channel's own step must not count as strength
        heard = np.isfinite(others).sum(axis=1)
        strength = np.where(heard >= FEWEST_CHANNELS - 1, nanmedian(others, 1), np.nan)
        out[:, f] = nanmedian(x[:, f] - strength, 1)
    return out


def nanmedian(x: Float64Array, axis: int) -> Float64Array:
    """The median of what is there, NaN where nothing is; quicker than numpy's along short axes."""
    ordered = np.sort(x, axis=axis)  # what is missing comes last
    n = np.isfinite(x).sum(axis=axis, keepdims=True)
    if ordered.shape[axis] == 0:
        return np.full(np.squeeze(n, axis).shape, np.nan)
    low, high = (np.take_along_axis(ordered, np.maximum(k, 0), axis) for k in ((n - 1) // 2, n // 2))
    return np.asarray(np.squeeze(np.where(n > 0, 0.5 * (low + high), np.nan), axis))


def gain_steps(view: TakeView) -> Iterator[GainStep]:
    """The best step of every channel of the kit; channels that hear too little are left out.

    The channel that is best explained by a step comes first; its step is taken out before the others are looked
    at again, or they would seem to have stepped the other way.
    """
    levels = stroke_levels(view)
    if len(levels.time_s) == 0 or np.ptp(levels.time_s) < LEAST_SPAN_S:
        return
    steps = _steps(view, levels)
    done: dict[str, GainStep] = {}
    while len(done) < MOST_STEPS:
        clear = [s for s in steps if s.file not in done and abs(s.step_db) >= CLEAR_DB and s.n_agreeing >= CLEAR_KINDS]
        best = min(clear, key=lambda one: one.rest, default=None)
        if best is None or best.rest > CLEAR_REST:
            break
        done[best.file] = best
        late = levels.time_s > best.time_s
        levels.level_db[late, levels.files.index(best.file)] -= best.step_db
        steps = _steps(view, levels)
    yield from (done.get(s.file, s) for s in steps)


def _steps(view: TakeView, levels: StrokeLevels) -> list[GainStep]:
    rest = residuals(levels)
    found = (
        best_step(c.file, DRUM_OF_ROLE.get(c.role), levels, rest[:, levels.files.index(c.file)])
        for c in view.kit
        if c.file in levels.files
    )
    return [step for step in found if step is not None]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    """The events of one kind in one channel, in order of time."""

    drums: frozenset[str]
    time_s: Float64Array
    level_db: Float64Array


def best_step(file: str, own: str | None, levels: StrokeLevels, rest_db: Float64Array) -> GainStep | None:
    """The step that explains most of one channel's residuals (n,); None if too few kinds could show one."""
    kinds = []
    for k, drums in enumerate(levels.kinds):
        here = (levels.kind == k) & np.isfinite(rest_db)
        if np.count_nonzero(here) >= FEWEST_OF_KIND:
            kinds.append(_Kind(drums=drums, time_s=levels.time_s[here], level_db=rest_db[here]))
    if not kinds:
        return None
    every = np.unique(np.concatenate([k.time_s for k in kinds]))
    between = 0.5 * (every[1:] + every[:-1])
    coarse = between[np.unique(np.linspace(0, len(between) - 1, N_INSTANTS).round().astype(int))]
    first = _best_of(kinds, coarse)
    if first is None:
        return None
    beside = np.abs(between - first.time_s) <= 2.0 * np.ptp(between) / N_INSTANTS
    best = _best_of(kinds, between[beside]) or first
    flat, (slope, line) = max(sum(_scatter(k.level_db) for k in kinds), 1e-9), _line(kinds)
    agreeing = [k.drums for k in best.agreeing]
    return GainStep(
        file=file, step_db=best.step_db, error_db=best.error_db, time_s=best.time_s,
        n_strokes=sum(len(k.time_s) for k in kinds), n_kinds=best.n_kinds, n_agreeing=len(agreeing),
        n_foreign=sum(own not in drums for drums in agreeing),
        n_drums=len(frozenset[str]().union(*agreeing)) if not frozenset.intersection(*agreeing) else 1,
        rest=best.scatter / flat, slope_db=slope * float(np.ptp(every)), rest_slope=line / flat,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    time_s: float
    step_db: float
    error_db: float
    n_kinds: int
    agreeing: tuple[_Kind, ...]  # at least one
    scatter: float


def _best_of(kinds: Sequence[_Kind], tried_s: Float64Array) -> _Step | None:
    found = [step for step in (_at(kinds, t) for t in tried_s.tolist()) if step is not None]
    return min(found, key=lambda one: one.scatter, default=None)


def _at(kinds: Sequence[_Kind], time_s: float) -> _Step | None:
    """The step at a given instant: what the kinds say on the median, each weighted by its fewer side."""
    steps, weights, judged = [], [], []
    for k in kinds:
        n_early = int(np.searchsorted(k.time_s, time_s, side="right"))
        fewer = min(n_early, len(k.time_s) - n_early)
        if fewer >= FEWEST_BESIDE:
            steps.append(_median(k.level_db[n_early:]) - _median(k.level_db[:n_early]))
            weights.append(float(min(fewer, ENOUGH_BESIDE)))
            judged.append(k)
    if not judged:
        return None
    every, weight = np.array(steps), np.array(weights)
    step = _weighted_median(every, weight)
    off = np.abs(every - step)
    agreeing = tuple(
        k for k, d in zip(judged, off.tolist(), strict=True) if d <= max(AGREE_DB, AGREE_SHARE * abs(step))
    )
    return _Step(
        time_s=time_s, step_db=step, error_db=float(1.48 * _weighted_median(off, weight) / np.sqrt(len(steps))),
        n_kinds=len(judged), agreeing=agreeing or (judged[int(np.argmin(off))],),
        scatter=sum(_scatter(k.level_db - step * (k.time_s > time_s)) for k in kinds),
    )  # fmt: skip


def _line(kinds: Sequence[_Kind]) -> tuple[float, float]:
    """(common slope in dB/s, scatter around it)."""
    t = np.concatenate([k.time_s - np.mean(k.time_s) for k in kinds])
    y = np.concatenate([_clipped(k.level_db) for k in kinds])
    slope = float(t @ (y - y.mean()) / max(t @ t, 1e-9))
    return slope, sum(_scatter(k.level_db - slope * k.time_s) for k in kinds)


def _clipped(level_db: Float64Array) -> Float64Array:
    return np.asarray(np.clip(level_db - _median(level_db), -WINSOR_DB, WINSOR_DB))


def _median(values: Float64Array) -> float:
    """numpy's own, (n > 0,), without its care for other shapes: here is where the time goes."""
    ordered, half = np.sort(values), len(values) // 2
    return float(ordered[half] if len(values) % 2 else 0.5 * (ordered[half - 1] + ordered[half]))


def _scatter(level_db: Float64Array) -> float:
    return float(np.sum(np.abs(_clipped(level_db))))


def _weighted_median(values: Float64Array, weights: Float64Array) -> float:
    """The value with half of the weight below it; between two, their mean."""
    order = np.argsort(values)
    share = np.cumsum(weights[order]) / weights.sum()
    low, high = np.searchsorted(share, (0.5 - 1e-9, 0.5 + 1e-9))
    return float(0.5 * (values[order][low] + values[order][min(high, len(values) - 1)]))
