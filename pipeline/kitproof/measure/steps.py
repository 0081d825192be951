"""The best single step in what the strokes of a drum show, one stroke after the other.

Of all moments that leave enough strokes on either side, the one that leaves least scatter (sum of distances from the
medians). Strokes are held only against those of their own kind, that is with the same other drums struck along, of
those that make a difference: a hat that gives way to the ride would otherwise be a change of the drum it bleeds into.
Kinds that are not on both sides tell nothing, and do not count for how much the step explains.

Conventions: rows are strokes in order of time, columns what is measured of each, dB.

Source
------
Own work.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Float64Array = NDArray[np.float64]

TOGETHER_S = 0.012
HEARD_DB = 1.0  # strokes with another drum against those without it
FEWEST_OF_KIND = 3  # on either side of a step
FEWEST_SIDE = 8
BESIDE = 6  # strokes next to a step
APART_DB = 2.0  # strokes nearer in strength say more of their scatter than of a slope
N_INSTANTS = 41  # tried for a step, then all around the best of them


def struck_along(
    time_s: Float64Array, others: Mapping[str, Float64Array], span_s: tuple[float, float] = (-TOGETHER_S, TOGETHER_S)
) -> NDArray[np.bool_]:
    """(n_strokes, n_others) whether each other drum is struck within `span_s` of a stroke."""
    columns = [np.zeros((len(time_s), 0), np.bool_)]
    for times in others.values():
        t = np.sort(times)
        along = np.searchsorted(t, time_s + span_s[1]) > np.searchsorted(t, time_s + span_s[0])
        columns.append(along[:, None])
    return np.concatenate(columns, axis=1)


def kinds(tone: Float64Array, along: NDArray[np.bool_]) -> NDArray[np.int64]:
    """(n_strokes,) a number for the set of other drums that are struck along, of those that are heard in it."""
    kind = np.zeros(len(tone), np.int64)
    for bit, one in enumerate(along.T):
        if FEWEST_OF_KIND <= one.sum() <= len(one) - FEWEST_OF_KIND:
            apart = np.median(tone[one], axis=0) - np.median(tone[~one], axis=0)
            if np.sqrt(np.mean(apart**2)) >= HEARD_DB:
                kind += one.astype(np.int64) << bit
    return kind


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """Where it is, and how far it explains the strokes."""

    index: int  # of the first stroke after it
    change_db: Float64Array  # (n_octaves,)
    scatter_db: float
    overlap: float  # share of strokes that lie nearer to the other side
    sudden: float  # share of the change that lies between the BESIDE strokes before it and those after it
    rest: float  # scatter with the step over scatter without it, of the kinds that are on both sides


def slopes(level_db: Float64Array, tone: Float64Array) -> Float64Array:
    """(n_octaves,) change of tone with strength, from strokes next to one another, so that a step counts once only."""
    run = np.diff(level_db)
    apart = np.abs(run) > APART_DB
    if apart.sum() < FEWEST_SIDE:
        return np.zeros(tone.shape[1])
    return np.asarray(np.median(np.diff(tone, axis=0)[apart] / run[apart, None], axis=0))


def best_step(tone: Float64Array, kind: NDArray[np.int64]) -> Step | None:
    """Of the moments with enough strokes of common kinds on either side; None if there is none."""
    groups = [np.flatnonzero(kind == k) for k in np.unique(kind)]
    n = len(tone)
    coarse = np.unique(np.linspace(FEWEST_SIDE, n - FEWEST_SIDE, N_INSTANTS).round().astype(int))
    tried = {int(k): _cost(tone, groups, int(k)) for k in coarse}
    best = min(tried, key=lambda k: tried[k])
    reach = max(1, (n - 2 * FEWEST_SIDE) // N_INSTANTS + 1)
    near = range(max(FEWEST_SIDE, best - reach), min(n - FEWEST_SIDE, best + reach) + 1)
    tried |= {k: _cost(tone, groups, k) for k in near}
    best = min(tried, key=lambda k: tried[k])
    if not np.isfinite(tried[best]):
        return None
    changes, weights, sides, flat, left = [], [], [], 1e-9, 0.0
    above = np.full(tone.shape, np.nan)  # each stroke over the median of its kind before the step
    for early, late in _parted(groups, best):
        flat += _scatter(tone[np.concatenate([early, late])])
        left += _scatter(tone[early]) + _scatter(tone[late])
        before, after = np.median(tone[early], axis=0), np.median(tone[late], axis=0)
        above[early], above[late] = tone[early] - before, tone[late] - before
        changes.append(after - before)
        weights.append(min(len(early), len(late)))
        sides += [(tone[early] - before, 1.0, changes[-1]), (tone[late] - after, -1.0, changes[-1])]
    change = np.average(changes, axis=0, weights=weights)
    crossed = np.concatenate([sign * (x @ c) > 0.5 * (c @ c) for x, sign, c in sides])
    rest_db = np.concatenate([np.abs(x).ravel() for x, _, _ in sides])
    return Step(
        index=best, change_db=change, scatter_db=float(1.4826 * np.median(rest_db)), overlap=float(crossed.mean()),
        sudden=_sudden(above[:best], above[best:], change), rest=left / flat,
    )  # fmt: skip


def _sudden(before: Float64Array, after: Float64Array, change: Float64Array) -> float:
    """1: the strokes next to the step differ by all of the change; a tone that wanders has less of it there."""
    last, first = (x[np.isfinite(x[:, 0])] for x in (before, after))
    there = np.median(first[:BESIDE], axis=0) - np.median(last[-BESIDE:], axis=0)
    return float(there @ change / max(float(change @ change), 1e-9))


def _parted(groups: list[NDArray[np.int64]], at: int) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    for g in groups:
        early, late = g[g < at], g[g >= at]
        if min(len(early), len(late)) >= FEWEST_OF_KIND:
            yield early, late


def _cost(tone: Float64Array, groups: list[NDArray[np.int64]], at: int) -> float:
    """Scatter with a step there; infinite where too few strokes have their like on the other side."""
    parted = list(_parted(groups, at))
    if min((sum(len(p[i]) for p in parted) for i in (0, 1)), default=0) < FEWEST_SIDE:
        return float("inf")
    both = {int(p[0][0]) for p in parted}
    alone = [g for g in groups if int(g[0]) not in both]
    return sum(_scatter(tone[a]) + _scatter(tone[b]) for a, b in parted) + sum(_scatter(tone[g]) for g in alone)


def _scatter(x: Float64Array) -> float:
    return float(np.abs(x - np.median(x, axis=0)).sum())
