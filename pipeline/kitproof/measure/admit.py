"""Which drums were hit at all: a mic whose drum is never hit hears bleed only.

Source
------
Own work. A mic hears its own drum before the other close mics do, and its loudest events are not the
bleed of other drums. Drums are admitted one after another, the surest first, each for the events that
those before it do not explain.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.candidates import Candidates, Float64Array, Powers
from kitproof.measure.coupling import (
    Events,
    first_strengths,
    misfit,
    observe,
    refine_templates,
    solve_strengths,
)
from kitproof.measure.onsets import FLOOR_POWER

CYMBALS = ("hi-hat", "ride")
TOP_DB = 15.0  # candidates this far under a mic's loudest speak for or against its drum
NEAR_DB = 6.0  # loud strokes of one drum differ by no more, for the most part
STRONG_DB = 18.0  # candidates from which the couplings are learned
LAG_TOLERANCE_S = 0.0003  # own mic not later than the others, within the resolution of the edges
CONSTANT_S = 0.00035  # bleed comes later by the same time, within this
TOGETHER_S = 0.006  # two close mics hear one stroke within this: 2 m
FEWEST_TOGETHER = 6
EARLIER_S = 0.00015  # a mic 5 cm nearer hears a stroke first
LEAST_FIRST = 0.25  # share of a mic's loud events that it hears first, from which its drum was hit whatever explains it
RIVAL_SCORE = 0.8  # drums nearly as sure as the surest
UNEXPLAINED_DB = 5.0
CYMBAL_SCORE = 0.2  # a ride over its own wash never stands out by CLEAR_DB
LEAST_LEFT = 0.02  # a start that products can still leave
FRESH_FRAMES = 25
PLAIN_DB = 12.0  # unexplained by as much as this: no bleed that was merely misjudged
CLEAR_DB = 8.0  # what is left of the loudest bleed in any trial was 7 dB, of the loudest strokes mostly 20 and more
# new energy below 500 Hz over new energy above 4 kHz, next to a drum
TILT_DB = {"kick": (0.0, 60.0), "rack-tom": (3.0, 60.0), "floor-tom": (3.0, 60.0), "snare": (-6.0, 60.0)}
CYMBAL_TILT_DB = (-70.0, 8.0)


def admit_drums(
    candidates: Sequence[Candidates], close: Sequence[str], powers: Powers, frames_per_s: float, need: int
) -> tuple[list[Candidates], Float64Array]:
    """The candidates of the drums that were really hit, and their templates (R, D).

    A mic whose drum is never hit hears bleed only: explained by the drums admitted before it, or always
    the same short time after another close mic. `need` is the number of other mics that must hear
    something start too.
    """
    pool = [c for c in candidates if _top(c, need).any()]
    while pool:
        strong = [_strong(c, need) for c in pool]
        chosen, templates = _admit(strong, close, powers, frames_per_s, need)
        echoes = [j for j in chosen if _only_bleed(strong[j], strong, need)]
        if not echoes:
            break
        pool = [c for j, c in enumerate(pool) if j not in echoes]
    else:
        return [], np.zeros((0, 0))
    if not chosen:
        return [], np.zeros((0, 0))
    events = observe([strong[j] for j in chosen], close, powers, frames_per_s)
    tried = [refine_templates(events, t, first_strengths(events), 8) for t in (templates, _parted(events, templates))]
    best = min(tried, key=lambda one: float(misfit(events, *one).sum()))
    return [pool[j] for j in chosen], best[0]


def _admit(
    strong: Sequence[Candidates], close: Sequence[str], powers: Powers, frames_per_s: float, need: int
) -> tuple[list[int], Float64Array]:
    """Indexes of the drums that explain what those before them do not, surest first, and first templates."""
    events = observe(strong, close, powers, frames_per_s)
    templates = np.zeros((len(events.seen), 0))
    chosen: list[int] = []
    left = set(range(len(strong)))
    while left:
        explained = _explained(events, templates, chosen)
        open_files = [c.file for j, c in enumerate(strong) if j not in chosen]
        scores = {j: _score(strong[j], events, explained, j, open_files, need, bool(chosen)) for j in left}
        best = max(left, key=lambda j: (scores[j][0], len(scores[j][1])))
        best = _first_to_hear(best, strong, {j: score for j, (score, _) in scores.items()}, need)
        seeds = scores[best][1]
        left.discard(best)
        if len(seeds):
            templates = np.column_stack((templates, _first_template(events, best, seeds)))
            chosen.append(best)
    for j in set(range(len(strong))) - set(chosen):
        seeds = _heard_first(strong[j], events, j, need)
        if len(seeds):
            templates = np.column_stack((templates, _first_template(events, j, seeds)))
            chosen.append(j)
    return chosen, templates


def _heard_first(c: Candidates, events: Events, j: int, need: int) -> NDArray[np.int64]:
    """Events that speak for a drum which others explain: those its mic hears before every other close mic.

    Hats that come with every kick and snare explain both, but their bleed is nowhere earlier than in their own mic.
    None where these are too few of the mic's loud events.
    """
    top = _top(c, need)
    first = top & (c.lags_s.min(axis=1) > EARLIER_S)
    if first.sum() < max(FEWEST_TOGETHER, LEAST_FIRST * top.sum()):
        return np.zeros(0, np.int64)
    where = _event_of(c, events, j)
    return np.unique(where[first & (where >= 0)])


def _event_of(c: Candidates, events: Events, j: int) -> NDArray[np.int64]:
    """(n,) index of the event that each candidate of drum j belongs to; -1: none."""
    where = np.full(len(c.frame), -1, np.int64)
    present = events.member[j] >= 0
    where[events.member[j][present]] = np.flatnonzero(present)
    return where


def _first_to_hear(best: int, strong: Sequence[Candidates], scores: Mapping[int, float], need: int) -> int:
    """The drum about as sure as the surest whose mic hears the same strokes before: bleed may be loud, never early.

    A tom that nobody hits and whose mic is turned up looks like the snare next to it but for that.
    """
    for j in sorted(scores, key=lambda j: -scores[j]):
        if j == best or scores[j] < RIVAL_SCORE * scores[best]:
            continue
        later = _later(strong[best].take(_top(strong[best], need)), strong[j].file)
        if later.usual_s > EARLIER_S and later.constant.sum() >= 0.5 * len(later.constant):
            best = j
    return best


def _only_bleed(c: Candidates, every: Sequence[Candidates], need: int) -> bool:
    """Whether nearly all loud events of a mic come a constant short time after another mic's.

    Two hands never keep to a fraction of a millisecond; sound on its way from one mic to the next does.
    """
    loud = c.take(_top(c, need))
    bleed = np.zeros(len(loud.frame), bool)
    for other in every:
        if other.file == c.file:
            continue
        later = _later(loud, other.file)
        if later.usual_s > LAG_TOLERANCE_S and later.constant.sum() >= 0.5 * later.near.sum():
            bleed |= later.constant
    return bool(bleed.sum() >= 0.8 * len(bleed))


@dataclass(frozen=True, slots=True)
class _Later:
    """How much later than another mic one hears what both hear."""

    usual_s: float  # 0 where both hear too little
    near: NDArray[np.bool_]  # (n,) candidates that the other mic hears together with it
    constant: NDArray[np.bool_]  # (n,) of them, those about as late as usual


def _later(c: Candidates, file: str) -> _Later:
    later_s = -c.lag_to(file)
    near = np.abs(later_s) < TOGETHER_S
    usual_s = _mode(later_s[near], CONSTANT_S) if near.sum() >= FEWEST_TOGETHER else 0.0
    return _Later(usual_s, near, near & (np.abs(later_s - usual_s) <= CONSTANT_S))


def _mode(values: Float64Array, half_width: float) -> float:
    """Centre of the densest stretch of the given half width."""
    ordered = np.sort(values)
    inside = np.searchsorted(ordered, ordered + 2.0 * half_width, side="right") - np.arange(len(ordered))
    first = int(np.argmax(inside))
    return float(np.median(ordered[first : first + inside[first]]))


def _plausible(c: Candidates) -> NDArray[np.bool_]:
    """Whether the new sound can be the drum's own stroke: it rises both low and high, each kind its own way.

    Own choice: next to a drum, a stroke on a shell is broad but heavier below 500 Hz than above 4 kHz, one
    on a cymbal the other way round. Bleed and fluctuation rise in one region only.
    """
    low, high = next((tilt for name, tilt in TILT_DB.items() if c.drum.startswith(name)), CYMBAL_TILT_DB)
    return np.asarray((c.tilt_db > low) & (c.tilt_db < high))


def _top(c: Candidates, need: int) -> NDArray[np.bool_]:
    if len(c.frame) == 0:
        return np.zeros(0, bool)
    loud = c.level_db > _reference_db(c) - TOP_DB
    return np.asarray(loud & (c.heard_by >= need) & (c.rise_db > 4.0) & _plausible(c))


def _reference_db(c: Candidates) -> float:
    """Level of the drum's loud strokes, dB: the third loudest plausible candidate, or not much under the loudest.

    One freak event must not set the scale, nor the bleed in the mic of a drum that is hit only once.
    """
    plausible = np.sort(c.level_db[_plausible(c)])
    return float(max(plausible[-min(3, len(plausible))], plausible[-1] - 8.0)) if len(plausible) else np.inf


def _strong(c: Candidates, need: int) -> Candidates:
    loud = c.level_db > _reference_db(c) - STRONG_DB
    return c.take(loud & ((c.heard_by >= need) | (c.rise_db > 15.0)))


def _explained(events: Events, templates: Float64Array, chosen: Sequence[int]) -> Float64Array:
    """(R, N) what the drums chosen so far explain, with the power before."""
    if not chosen:
        return events.before
    some = replace(
        events,
        drums=tuple(events.drums[j] for j in chosen),
        member=events.member[chosen],
        own_rows=events.own_rows[chosen],
    )
    strengths = solve_strengths(some, templates, np.where(some.active, 1e-6, 0.0), 40)
    return np.asarray(events.before + templates @ strengths)


def _score(
    c: Candidates, events: Events, explained: Float64Array, j: int, open_files: list[str], need: int, any_chosen: bool
) -> tuple[float, NDArray[np.int64]]:
    """How surely drum j was hit, 0 to 1, and the events that show it.

    Share of its mic's loud events that are not explained yet, weighted with how many of those its mic
    hears first of all the mics whose drum is still open.
    """
    top = _top(c, need)
    if not top.any():
        return 0.0, np.zeros(0, np.int64)
    where = _event_of(c, events, j)
    # Shortly after another event, what a mic hears may be the end of that one, so it shows nothing.
    fresh = np.diff(events.frame, prepend=-np.inf) > FRESH_FRAMES
    top &= (where >= 0) & (fresh[where] | _graced(c, events.member[j], where))
    unexplained = top.copy()
    excess_db = np.full(len(top), np.inf)
    if any_chosen:
        region = slice(5, 8) if c.drum in CYMBALS else slice(0, 4)
        ratio = events.first_slice(events.seen, j, region) / events.first_slice(explained, j, region)
        excess_db = 10.0 * np.log10(ratio[where])
        unexplained &= excess_db > UNEXPLAINED_DB
    seed = unexplained & (np.stack([c.lag_to(f) for f in open_files]).min(axis=0) >= -LAG_TOLERANCE_S)
    near = c.level_db > _reference_db(c) - NEAR_DB
    clearest_db = float(np.max(excess_db[seed & near], initial=-np.inf))
    first = near & unexplained & (c.lags_s.min(axis=1) >= -LAG_TOLERANCE_S)
    share = max(
        int(unexplained.sum()) / max(int(top.sum()), 1),
        min(int((seed & (excess_db > PLAIN_DB)).sum()) / 3, 0.8),
        int(first.sum()) / max(int((near & top).sum()), 1),
    )
    score = (0.3 + 0.7 * int(seed.sum()) / max(int(unexplained.sum()), 2)) * share
    if clearest_db < CLEAR_DB and not (c.drum in CYMBALS and score > CYMBAL_SCORE and clearest_db > UNEXPLAINED_DB):
        return 0.0, np.zeros(0, np.int64)
    if c.drum not in CYMBALS:
        seed &= excess_db >= min(0.5 * clearest_db, PLAIN_DB)
    return score, np.unique(where[seed])


def _graced(c: Candidates, member: NDArray[np.int64], where: NDArray[np.int64]) -> NDArray[np.bool_]:
    """(n,) whether the event before a candidate's was a softer one in the same mic, as a grace note is."""
    before = np.where(where > 0, member[where - 1], -1)
    softer = c.level_db[before] < c.level_db - 3.0
    first = c.lags_s.min(axis=1) >= -LAG_TOLERANCE_S
    return np.asarray((before >= 0) & softer & first & (c.level_db[before] > c.level_db - 15.0) & _plausible(c)[before])


def _parted(events: Events, templates: Float64Array) -> Float64Array:
    """(R, D) the templates, with little of any other drum in the mic of the hats.

    A kick or snare that always comes with the hats would count their sound as its own bleed there: so let
    the search start from hats that make all that is new in their mic.
    """
    out = templates.copy()
    if "hi-hat" not in events.drums:
        return out
    hats = events.drums.index("hi-hat")
    rows = events.own_rows[hats]
    out[np.ix_(rows, np.arange(len(events.drums)) != hats)] *= LEAST_LEFT
    return out


def _first_template(events: Events, j: int, seeds: NDArray[np.int64]) -> Float64Array:
    """(R,) what drum j's strokes add to every row, per energy in its own mic.

    A low quantile over its clearest events: other drums, hit at the same time in some of them, only add.
    """
    new = np.maximum(events.seen[:, seeds] - events.before[:, seeds], 0.0)
    new = new / np.maximum(events.first_slice(new, j), FLOOR_POWER)
    new[events.weight[:, seeds] == 0] = np.nan
    usable = ~np.all(np.isnan(new), axis=1)
    template = np.full(len(new), 1e-6)
    template[usable] = np.nanpercentile(new[usable], 25, axis=1)
    template += 1e-9
    return np.asarray(template / events.first_slice(template, j))
