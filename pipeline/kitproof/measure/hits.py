"""Hits: who was hit, when, how hard.

Steps, each a function below:
1. candidates of every close mic (candidates.py);
2. admit the drums that were really hit, surest first: a mic hears its own drum before the others do,
   and not as the others' bleed;
3. explain all events by the admitted drums together (coupling.py) and keep the strokes without which
   their own mic cannot be explained;
4. strokes shortly after a louder one: kept unless they are that one's echo or ring, which come back
   at the same delay after every stroke;
5. what the distant mics hear and no miked drum explains: drums and cymbals without a mic.

Conventions: times in s from the start of the file, at the own mic; strengths in dB of the energy of the
first 10 ms in the own mic.

Source
------
Own work. Tried before and dropped: peaks of each mic alone with a fixed bleed threshold (a bleed that
is louder than a soft stroke of its own is common in a hi-hat mic); full factorisation over all frames
(no better, fifty times slower); correlation of mics for the order of arrival (see arrival.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.candidates import Candidates, Float64Array, gather_candidates
from kitproof.measure.coupling import (
    Events,
    Powers,
    evidence,
    observe,
    refine_templates,
    solve_strengths,
)
from kitproof.measure.onsets import FLOOR_POWER, N_BANDS, OnsetTrack
from kitproof.measure.unmiked import find_unmiked

CYMBALS = ("hi-hat", "ride")
TOP_DB = 15.0  # candidates this far under a mic's loudest speak for or against its drum
NEAR_DB = 7.0  # loud strokes of one drum differ by no more, for the most part
STRONG_DB = 18.0  # candidates from which the couplings are learned
LAG_TOLERANCE_S = 0.0003  # own mic not later than the others, within the resolution of the edges
UNEXPLAINED_DB = 5.0
FRESH_FRAMES = 25
PLAIN_DB = 12.0  # a few events as clear as this speak for a drum, whatever else its mic hears
ADMIT_SCORE = 0.2
# new energy below 500 Hz over new energy above 4 kHz, next to a drum
TILT_DB = {"kick": (0.0, 60.0), "rack-tom": (3.0, 60.0), "floor-tom": (3.0, 60.0), "snare": (-6.0, 60.0)}
CYMBAL_TILT_DB = (-70.0, 8.0)
SURE_GAIN = 25.0  # no false candidate of any trial reached it at a level near the drum's own
LIKELY = 0.4  # best balance of missed and false strokes on the trials
RANGE_DB = 40.0  # softest stroke under the drum's loud ones
FOLLOW_S = 0.040  # a stroke this soon after a louder one may be its echo
ECHO_EXCESS_DB = 4.0
CONSTANT_S = 0.00035


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """One stroke as found in the onset tracks; detail.py turns it into a Hit."""

    time_s: float
    drum: str
    file: str
    level_db: float
    confidence: float


def find_hits(
    tracks: Mapping[str, OnsetTrack], own: Mapping[str, str], close: Sequence[str], far: Sequence[str]
) -> tuple[Stroke, ...]:
    """Find all strokes of a take.

    Parameters
    ----------
    tracks : file -> OnsetTrack, all of the same rates; every file of `own`, `close` and `far`
    own : drum -> file of its own close mic
    close : files of all mics at a drum, own mics among them
    far : files of overheads and rooms, overheads first

    Returns
    -------
    Strokes in order of time; empty for silence.
    """
    files = [*close, *far]
    if not files or min(len(tracks[f].band_db) for f in files) < 64:
        return ()
    frames_per_s = tracks[files[0]].frames_per_s
    heard = {f: tracks[f] for f in files}
    powers = Powers(heard)
    candidates = [
        gather_candidates(
            drum,
            file,
            heard,
            powers.total(file),
            powers.noise(file),
            cymbal=drum in CYMBALS,
            own_files=list(own.values()),
            far_files=frozenset(far),
        )
        for drum, file in own.items()
    ]
    need = min(3, max(1, (len(files) - 1) // 4))
    admitted, templates = admit_drums(candidates, close, powers, frames_per_s, need)
    strokes: list[Stroke] = []
    if admitted:
        strokes = _explain(admitted, templates, close, powers, frames_per_s)
    if far:
        strokes += _unmiked(strokes, heard, far, powers, frames_per_s)
    return tuple(sorted(strokes, key=lambda s: (s.time_s, s.drum)))


# ---------------------------------------------------------------- which drums were hit at all
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
    events = observe([strong[j] for j in chosen], close, powers, frames_per_s)
    templates, _ = refine_templates(events, templates, _start(events), 8)
    return [pool[j] for j in chosen], templates


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
        score, seeds = scores[best]
        left.discard(best)
        if len(seeds) and score >= ADMIT_SCORE:
            templates = np.column_stack((templates, _first_template(events, best, seeds)))
            chosen.append(best)
    return chosen, templates


def _only_bleed(c: Candidates, every: Sequence[Candidates], need: int) -> bool:
    """Whether nearly all loud events of a mic come a constant short time after another mic's.

    Two hands never keep to a fraction of a millisecond; sound on its way from one mic to the next does.
    """
    top = _top(c, need)
    bleed = np.zeros(len(top), bool)
    for other in every:
        if other.file == c.file:
            continue
        later_s = -c.lag_to(other.file)
        near = np.abs(later_s) < 0.006
        if (near & top).sum() < 6:
            continue
        usual_s = _mode(later_s[near & top], CONSTANT_S)
        constant = near & (np.abs(later_s - usual_s) <= CONSTANT_S)
        if usual_s > LAG_TOLERANCE_S and (constant & top).sum() >= 0.5 * (near & top).sum():
            bleed |= constant
    return bool((bleed & top).sum() >= 0.8 * top.sum())


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
    where = np.full(len(c.frame), -1, np.int64)
    present = events.member[j] >= 0
    where[events.member[j][present]] = np.flatnonzero(present)
    # Shortly after another event, what a mic hears may be the end of that one, so it shows nothing.
    fresh = np.diff(events.frame, prepend=-np.inf) > FRESH_FRAMES
    top &= (where >= 0) & fresh[where]
    unexplained = top.copy()
    excess_db = np.full(len(top), np.inf)
    if any_chosen:
        region = slice(5, 8) if c.drum in CYMBALS else slice(0, 4)
        ratio = events.first_slice(events.seen, j, region) / events.first_slice(explained, j, region)
        excess_db = 10.0 * np.log10(ratio[where])
        unexplained &= excess_db > UNEXPLAINED_DB
    seed = unexplained & (np.stack([c.lag_to(f) for f in open_files]).min(axis=0) >= -LAG_TOLERANCE_S)
    n_open, n_seed = int(unexplained.sum()), int(seed.sum())
    near = top & (c.level_db > _reference_db(c) - NEAR_DB)
    if not (near & unexplained).any():  # all its loudest events are others' bleed
        return 0.0, np.zeros(0, np.int64)
    first = near & unexplained & (c.lags_s.min(axis=1) >= -LAG_TOLERANCE_S)
    share = max(
        n_open / max(int(top.sum()), 1),
        min(int((seed & (excess_db > PLAIN_DB)).sum()) / 3, 0.8),
        int(first.sum()) / max(int(near.sum()), 1),
    )
    score = (0.3 + 0.7 * n_seed / max(n_open, 2)) * share
    return score, np.unique(where[seed])


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


def _start(events: Events) -> Float64Array:
    """(D, N) strengths to start from: all that is new in the own mic, 0 where it has no candidate."""
    new = np.maximum(events.seen - events.before, 0.0)
    own = np.stack([events.first_slice(new, d) for d in range(len(events.drums))])
    return np.where(events.active, own + 1e-12, 0.0)


# ---------------------------------------------------------------- which strokes there were
def _explain(
    candidates: Sequence[Candidates],
    templates: Float64Array,
    close: Sequence[str],
    powers: Powers,
    frames_per_s: float,
) -> list[Stroke]:
    """All strokes of the admitted drums."""
    wide = [c.take(c.rise_db + 2.0 * np.minimum(c.heard_by, 3) > 7.0) for c in candidates]
    events = observe(wide, close, powers, frames_per_s)
    strengths = solve_strengths(events, templates, _start(events), 60)
    gain, share = evidence(events, templates, strengths)
    strokes: list[Stroke] = []
    for d, c in enumerate(wide):
        accepted = _accept(
            c, events.member[d], strengths[d], gain[d], share[d], powers.band_power(c.file), frames_per_s
        )
        strokes += [
            Stroke(
                time_s=float(c.time_s[k]), drum=c.drum, file=c.file,
                level_db=float(10.0 * np.log10(strengths[d, n] + FLOOR_POWER)),
                confidence=p,
            )
            for n, k, p in accepted
        ]  # fmt: skip
    return strokes


def _accept(
    c: Candidates,
    member: NDArray[np.int64],
    strength: Float64Array,
    gain: Float64Array,
    share: Float64Array,
    power: NDArray[np.float32],
    frames_per_s: float,
) -> list[tuple[int, int, float]]:
    """(event, candidate, probability) of the strokes of this drum."""
    present = member >= 0
    level_db = 10.0 * np.log10(strength + FLOOR_POWER)
    sure = np.sort(level_db[present & (share > 0.5) & (gain > SURE_GAIN)])
    if len(sure) == 0:
        return []
    loud_db = max(sure[-min(3, (len(sure) + 1) // 2)], sure[-1] - 12.0)
    index = np.flatnonzero(present & (level_db > loud_db - RANGE_DB))
    k = member[index]
    lag_ms, step_db = _since_last(c.frame[k] * 1000.0 / frames_per_s, level_db[index], gain[index] > SURE_GAIN)
    probability = stroke_probability(
        gain=gain[index], rise_db=c.rise_db[k], level_db=level_db[index] - loud_db, share=share[index],
        heard=np.minimum(c.heard_by[k], 4) / 4.0, lag_ms=lag_ms, step_db=step_db, cymbal=c.drum in CYMBALS,
    )  # fmt: skip
    likely = index[probability > LIKELY]
    kept = _followers(c, member, likely, strength, power, frames_per_s)
    by_event = dict(zip(index.tolist(), probability.tolist(), strict=True))
    return [(n, int(member[n]), by_event[n]) for n in kept]


def _since_last(
    time_ms: Float64Array, level_db: Float64Array, sure: NDArray[np.bool_]
) -> tuple[Float64Array, Float64Array]:
    """(n,) ms since the last sure stroke of the drum, inf for none, and the level against it, dB."""
    lag, step = np.full(len(time_ms), np.inf), np.zeros(len(time_ms))
    last = -1
    for i in range(len(time_ms)):
        if last >= 0:
            lag[i], step[i] = time_ms[i] - time_ms[last], level_db[i] - level_db[last]
        if sure[i]:
            last = i
    return lag, step


def stroke_probability(
    *,
    gain: Float64Array,
    rise_db: Float64Array,
    level_db: Float64Array,
    share: Float64Array,
    heard: Float64Array,
    lag_ms: Float64Array,
    step_db: Float64Array,
    cymbal: bool,
) -> Float64Array:
    """(n,) how likely a candidate is a stroke of its mic's drum, 0 to 1.

    gain, share : see coupling.evidence; rise_db, heard : see Candidates, `heard` 0 to 1 for 0 to 4 mics;
    level_db : under the drum's loud strokes; lag_ms, step_db : since and against the last sure stroke.

    Source
    ------
    Own choice: logistic regression. Weights fitted on takes rendered from single hits of a recorded and
    two modelled kits, with added bleed, missing mics and human playing; fitted without a kit and tried on
    it, the weights change by less than a tenth and find more true and fewer false strokes than the hand-set
    limits they replaced.
    """
    close = lag_ms < 45.0
    rise = np.clip(rise_db, 0.0, 40.0) / 10.0
    terms = (
        1.45 * np.log1p(np.maximum(gain, 0.0)),
        2.3 + 0.2 * rise if cymbal else 1.0 * rise,  # a ping rises little over its own wash
        1.1 * np.clip(level_db, -40.0, 0.0) / 10.0,
        -0.9 * np.log10(np.clip(1.0 - share, 1e-3, 1.0)),
        1.7 * heard,
        np.where(lag_ms < 16.0, -1.3, np.where(close, 2.1, 0.0)),
        np.where(close, 2.1 * np.clip(step_db, -30.0, 0.0) / 10.0, 0.0),
    )
    return np.asarray(1.0 / (1.0 + np.exp(7.0 - sum(terms))))


def _followers(
    c: Candidates,
    member: NDArray[np.int64],
    index: NDArray[np.int64],
    strength: Float64Array,
    power: NDArray[np.float32],
    frames_per_s: float,
) -> list[int]:
    """Events of `index` that do not follow a stroke of the drum as its echo does."""
    reach = round(FOLLOW_S * frames_per_s)
    attack = round(0.010 * frames_per_s)
    profile = _echo_profile(c.frame[member[index]], strength[index], power, reach + attack)
    kept: list[int] = []
    for n in index.tolist():
        frame = int(c.frame[member[n]])
        echo = np.zeros(N_BANDS)
        for p in reversed(kept):
            lag = frame - int(c.frame[member[p]])
            if lag > reach:
                break
            echo = np.maximum(echo, strength[p] * profile[lag : lag + attack].mean(axis=0))
        seen = power[frame : frame + attack].mean(axis=0)
        excess = 10.0 * np.log10(np.maximum(seen, FLOOR_POWER) / np.maximum(echo, FLOOR_POWER))
        if not echo.any() or np.sort(excess)[-3:].mean() > ECHO_EXCESS_DB:
            kept.append(n)
    return kept


def _echo_profile(
    frames: NDArray[np.int64], strength: Float64Array, power: NDArray[np.float32], length: int
) -> Float64Array:
    """(length, N_BANDS) median course of the own mic after a stroke, per strength."""
    inside = frames + length < len(power)
    frames, strength = frames[inside], strength[inside]
    if len(frames) < 4:
        return np.zeros((length, N_BANDS))
    loud = strength >= np.median(strength)
    course = power[frames[loud][:, None] + np.arange(length)] / np.maximum(strength[loud], FLOOR_POWER)[:, None, None]
    return np.median(course, axis=0).astype(np.float64)


# ---------------------------------------------------------------- drums without a mic of their own
def _unmiked(
    strokes: Sequence[Stroke],
    tracks: Mapping[str, OnsetTrack],
    far: Sequence[str],
    powers: Powers,
    frames_per_s: float,
) -> list[Stroke]:
    times = {s.drum: [] for s in strokes}  # type: dict[str, list[tuple[float, float]]]
    for s in strokes:
        times[s.drum].append((s.time_s, s.level_db))
    found = find_unmiked(times, tracks, far, powers, frames_per_s)
    return [
        Stroke(time_s=u.time_s, drum="unmiked", file=u.file, level_db=u.level_db, confidence=u.confidence)
        for u in found
    ]
