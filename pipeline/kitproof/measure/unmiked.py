"""Drums and cymbals without a mic of their own: what the overheads hear and no miked stroke explains.

Every miked drum reaches the distant mics in its own colour (its template there). With the strokes known,
what is left of an event must come from something else. Two cases:
- few such events (a crash now and then): each is judged by how much is left, and whether it washes on;
- many (hats or toms without mics): what is left of the clearest gives templates for them too, and these are
  tried on all events, so that a soft hat under a loud snare is found as well.

Conventions as in coupling.py; the rows are those of the distant mics.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.candidates import Float64Array, Powers
from kitproof.measure.coupling import Events, first_bands, misfit, solve_strengths, template_step
from kitproof.measure.farevents import FarEvents, gather_far
from kitproof.measure.onsets import FLOOR_POWER, N_BANDS, OnsetTrack
from kitproof.measure.strokes import Stroke

N_MICS = 2  # overheads come first; more mics tell the same
# Share of a drum that reaches a distant mic, against its share over all strokes: soft strokes differ from loud.
VARIES_DB = (-6.0, 8.0)
N_KINDS = 4  # different sounds among the unmiked
SEED_MISFIT = 45.0
SEED_RANGE_DB = 25.0
SEED_EDGE_DB = 6.0
SURE_GAIN = 40.0
# Clear events without any miked stroke: on the trials 9 or more where hats or toms had no mic, 6 at most elsewhere.
# Those with one may only be another way of hitting that drum.
MANY_ALONE, MANY_SHARE = 7, 0.4
LIKELY_FEW, LIKELY_MANY = 0.5, 0.5  # best balance of missed and false strokes on the trials
# of the terms of few_terms and many_terms
FEW_WEIGHTS = (-13.14, 0.73, 1.33, 0.82, 1.73, 1.41, 0.52)
MANY_WEIGHTS = (-1.59, 1.24, 1.84, 2.32, -0.17, -1.63, 1.40, -0.21, 1.56)


def find_unmiked(
    strokes: Sequence[Stroke], tracks: Mapping[str, OnsetTrack], powers: Powers, far: Sequence[str]
) -> list[Stroke]:
    """Strokes of drums that have no mic: time and level at the distant mic that hears them loudest.

    Parameters
    ----------
    strokes : those of the miked drums
    tracks : file -> OnsetTrack
    powers : unpacked band powers of the same files
    far : files of the distant mics, overheads first; the first two are used

    Source
    ------
    Own choice: logistic regression on what is left, as in strokes.stroke_probability. Tried before: how much is
    left alone (half of what it found were missed strokes and late bleed of miked drums).
    """
    heard = gather_far(strokes, tracks, powers, far[:N_MICS])
    if len(heard.events.frame) == 0:
        return []
    left = _leftover(heard)
    seeds = left.seeds(heard)
    alone = ~heard.possible[:, seeds].any(axis=0)
    if alone.sum() >= MANY_ALONE and alone.mean() >= MANY_SHARE:
        terms, level_db = many_terms(heard, left, seeds)
        return _likely(heard, terms @ np.array(MANY_WEIGHTS), level_db, LIKELY_MANY)
    return _likely(heard, few_terms(heard, left) @ np.array(FEW_WEIGHTS), left.mic_db, LIKELY_FEW)


def _likely(heard: FarEvents, score: Float64Array, level_db: Float64Array, limit: float) -> list[Stroke]:
    """The events of a probability over `limit` as strokes; `level_db` (n_mics, N)."""
    probability = 1.0 / (1.0 + np.exp(-np.clip(score, -50.0, 50.0)))
    strokes = []
    for n in np.flatnonzero(probability > limit):
        m = int(np.argmax(level_db[:, n]))
        strokes.append(
            Stroke(
                time_s=float(heard.time_s[m, n]),
                drum="unmiked",
                file=heard.events.mics[m],
                level_db=float(level_db[m, n]),
                confidence=float(probability[n]),
            )
        )
    return strokes


class Leftover:
    """What the miked drums do not explain of each event."""

    def __init__(self, events: Events, templates: Float64Array, strengths: Float64Array) -> None:
        n = len(events.mics)
        model = events.before + templates @ strengths
        self.templates, self.strengths = templates, strengths
        self.power = np.maximum(events.seen - model, 0.0) * events.weight  # (R, N)
        self.score = _unexplained(events, model)  # (N,)
        by_mic = first_bands(self.power, n).sum(axis=1)
        self.mic_db = 10.0 * np.log10(by_mic + FLOOR_POWER)  # (n_mics, N)
        self.level_db = 10.0 * np.log10(by_mic.sum(axis=0) + FLOOR_POWER)  # (N,)
        excess = 10.0 * np.log10(np.maximum(events.seen, FLOOR_POWER) / model) * events.weight
        self.late_mid_db = excess.reshape(n, N_BANDS, -1, model.shape[1])[:, 3:5, 1].mean(axis=(0, 1))  # (N,)

    def seeds(self, heard: FarEvents) -> NDArray[np.int64]:
        """Events in which clearly something is left, the soft ones aside."""
        clear = (self.score > SEED_MISFIT) & (heard.edge_db > SEED_EDGE_DB)
        if not clear.any():
            return np.zeros(0, np.int64)
        return np.flatnonzero(clear & (self.level_db > _loud_db(self.level_db[clear]) - SEED_RANGE_DB))


def _leftover(heard: FarEvents) -> Leftover:
    low, high = _limits(heard)
    templates = _drum_templates(heard)
    strengths = solve_strengths(heard.events, templates, heard.possible, 30, limits=(low, high))
    return Leftover(heard.events, templates, strengths)


def _limits(heard: FarEvents) -> tuple[Float64Array, Float64Array]:
    low, high = (10.0 ** (db / 10.0) for db in VARIES_DB)
    return heard.struck * low, heard.possible * high


def _loud_db(level_db: Float64Array) -> float:
    """Third loudest level, or the loudest of few: one freak must not set the scale."""
    return float(np.sort(level_db)[-min(3, (len(level_db) + 1) // 2)])


def few_terms(heard: FarEvents, left: Leftover) -> Float64Array:
    """(N, 7) terms of the regression for rare events, the constant first."""
    events = heard.events
    total_db = 10.0 * np.log10(first_bands(events.seen, len(events.mics)).sum(axis=(0, 1)))
    usual = heard.struck.sum(axis=0) > 0
    loud_db = float(np.percentile(total_db[usual] if usual.any() else total_db, 90))
    usual_floor_db = float(np.percentile(heard.floor_db[usual] if usual.any() else heard.floor_db, 75))
    return np.column_stack(
        (
            np.ones(len(total_db)),
            np.clip(heard.edge_db, 0.0, 30.0) / 10.0,
            np.log1p(left.score),
            np.clip(left.level_db - loud_db, -40.0, 20.0) / 10.0,
            np.clip(heard.wash_db, -10.0, 30.0) / 10.0,
            np.clip(left.late_mid_db, -10.0, 30.0) / 10.0,
            np.clip(heard.floor_db - usual_floor_db, -30.0, 20.0) / 10.0,
        )
    )


def many_terms(heard: FarEvents, left: Leftover, seeds: NDArray[np.int64]) -> tuple[Float64Array, Float64Array]:
    """(N, 9) terms of the regression for frequent events, and (n_mics, N) the level of what is unmiked."""
    events, n_mics, n_drums = heard.events, len(heard.events.mics), len(heard.events.drums)
    templates, strengths, limits = _learn_kinds(heard, left, seeds)
    without = strengths.copy()
    without[n_drums:] = 0.0
    without = solve_strengths(events, templates, without, 25, limits=limits)
    gain = (misfit(events, templates, without) - misfit(events, templates, strengths)).sum(axis=0)
    own, every = templates[:, n_drums:] @ strengths[n_drums:], templates @ strengths
    mic_db = 10.0 * np.log10(first_bands(own, n_mics).sum(axis=1) + FLOOR_POWER)
    share = (own / (events.before + every) * events.weight).max(axis=0)
    fair = first_bands(own, n_mics).sum(axis=(0, 1)) / (first_bands(every, n_mics).sum(axis=(0, 1)) + FLOOR_POWER)
    level_db = mic_db.max(axis=0)
    sure = (gain > SURE_GAIN) & (heard.edge_db > SEED_EDGE_DB) & (share > 0.5)
    loud_db = _loud_db(level_db[sure]) if sure.any() else np.inf
    possible = gain > 0.3
    often = np.log10((sure.sum() + 1.0) / (possible.sum() + 2.0))
    terms = np.column_stack(
        (
            np.ones(len(gain)),
            np.log1p(np.maximum(gain, 0.0)),
            np.clip(level_db - loud_db, -40.0, 0.0) / 10.0,
            np.clip(heard.edge_db, 0.0, 30.0) / 10.0,
            np.clip(heard.rise_db, 0.0, 40.0) / 10.0,
            share,
            fair,
            heard.possible.any(axis=0),
            np.full(len(gain), often),
        )
    )
    return terms, mic_db


def _learn_kinds(
    heard: FarEvents, left: Leftover, seeds: NDArray[np.int64]
) -> tuple[Float64Array, Float64Array, tuple[Float64Array, Float64Array]]:
    """Templates and strengths of the miked drums and of up to N_KINDS unmiked ones, and limits of the strengths."""
    events = heard.events
    kinds = _kinds(left.power[:, seeds] + 1e-3 * events.before[:, seeds], left.level_db[seeds])
    templates = np.column_stack((left.templates, kinds))
    n, n_kinds = len(events.frame), kinds.shape[1]
    quiet = first_bands(events.before, len(events.mics)).sum(axis=(0, 1))
    new = 10.0 ** (left.level_db / 10.0) + 1e-3 * quiet
    low, high = _limits(heard)
    limits = np.vstack((low, np.zeros((n_kinds, n)))), np.vstack((high, np.full((n_kinds, n), np.inf)))
    strengths = np.vstack((left.strengths, np.tile(new / n_kinds, (n_kinds, 1))))
    for _ in range(8):
        strengths = solve_strengths(events, templates, strengths, 6, limits=limits)
        templates = template_step(events, templates, strengths)
    return templates, solve_strengths(events, templates, strengths, 30, limits=limits), limits


def _drum_templates(heard: FarEvents) -> Float64Array:
    """(R, D) what a stroke of each miked drum adds, per strength: a low quantile, as others only add."""
    events = heard.events
    new = np.maximum(events.seen - events.before, 0.0)
    out = np.zeros((len(new), len(events.drums)))
    for d in range(len(events.drums)):
        k = heard.struck[d] > 0
        ratio = new[:, k] / heard.struck[d, k]
        ratio[events.weight[:, k] == 0] = np.nan
        usable = ~np.isnan(ratio).all(axis=1)
        if usable.any():
            out[usable, d] = np.nanpercentile(ratio[usable], 30, axis=1)
    return out + 1e-12


def _unexplained(events: Events, model: Float64Array) -> Float64Array:
    """(N,) misfit of the rows that are louder than explained, as if no row were cut by the next event."""
    ratio = np.maximum(events.seen / model, 1.0)
    mild = np.minimum(ratio, 3.0)
    worse = events.weight * (mild - np.log(mild) - 1.0 + 2.0 * np.log(ratio / mild))
    return np.asarray(worse.sum(axis=0) / np.maximum(events.weight.mean(axis=0), 0.1))


def _kinds(power: Float64Array, level_db: Float64Array) -> Float64Array:
    """(R, K) templates of the most different sounds among the seeds (R, n), the loudest first."""
    shape = power / power.sum(axis=0)
    log_shape = np.log(shape + 1e-6)
    chosen = [int(np.argmax(level_db))]
    for _ in range(min(N_KINDS, power.shape[1]) - 1):
        apart = np.min([np.abs(log_shape - log_shape[:, [k]]).mean(axis=0) for k in chosen], axis=0)
        # the middle of those far from all chosen ones, not the farthest: that is a freak
        distant = apart >= np.percentile(apart, 75)
        middle = np.median(log_shape[:, distant], axis=1, keepdims=True)
        k = int(np.argmin(np.where(distant, np.abs(log_shape - middle).mean(axis=0), np.inf)))
        if k in chosen:
            break
        chosen.append(k)
    n_mics = power.shape[0] // (N_BANDS * 3)
    first = first_bands(shape, n_mics).sum(axis=(0, 1))
    return np.asarray(shape[:, chosen] / np.maximum(first[chosen], 1e-9))
