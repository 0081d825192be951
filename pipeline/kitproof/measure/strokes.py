"""Which strokes of the admitted drums there were: each candidate is judged by what it adds to its own mic.

Strengths are energies of the first 10 ms in the own mic; levels are theirs in dB.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.admit import CYMBALS
from kitproof.measure.candidates import Candidates, Float64Array, Powers
from kitproof.measure.coupling import Evidence, evidence, first_strengths, observe, solve_strengths, with_ring
from kitproof.measure.onsets import FLOOR_POWER, N_BANDS

SURE_GAIN = 25.0  # no false candidate of any trial reached it at a level near the drum's own
LIKELY = 0.5  # best balance of missed and false strokes on the trials
LEAST_SURE_GAIN = 5.0  # a cymbal over its own wash, or a drum under loud bleed, never reaches SURE_GAIN
RANGE_DB = 40.0  # softest stroke under the drum's loud ones
FOLLOW_S = 0.040  # a stroke this soon after a louder one may be its echo
ECHO_EXCESS_DB = 4.0
LATE_S = (-0.006, -0.0004)  # another close mic hears the event first, by as much as sound needs between them
MIN_GAIN = 0.3
LEAST_FAIR = 0.15  # of what is new in a shell's mic; on the trials 752 of 757 candidates with less were false


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """One stroke as found in the onset tracks; detail.py turns it into a Hit."""

    time_s: float
    drum: str
    file: str
    level_db: float
    confidence: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Features:
    """What a candidate is judged by, (n,) each."""

    gain: Float64Array
    fair: Float64Array
    tilt_db: Float64Array  # these three: see coupling.Evidence
    rise_db: Float64Array
    edge_db: Float64Array  # these two: see Candidates
    heard: Float64Array  # 0 to 1 for 0 to 4 other mics in which something starts too
    late: NDArray[np.bool_]  # another close mic hears it first, as it does bleed
    level_db: Float64Array  # over the drum's loud strokes
    lag_ms: Float64Array  # since the last sure stroke of the drum, inf for none
    often: float  # logarithm of the share of sure strokes among all candidates: a drum may be hit twice in a take


def explain_strokes(
    candidates: Sequence[Candidates],
    templates: Float64Array,
    close: Sequence[str],
    powers: Powers,
    frames_per_s: float,
) -> list[Stroke]:
    """All strokes of the admitted drums, one Candidates and one column of templates (R, D) each."""
    wide = [c.take(_worth_a_look(c)) for c in candidates]
    events = observe(wide, close, powers, frames_per_s)
    strengths = solve_strengths(events, templates, first_strengths(events), 30)
    starts = np.stack([_frames(c, events.member[d], events.frame) for d, c in enumerate(wide)])
    events = with_ring(events, templates, strengths, starts)
    strengths = solve_strengths(events, templates, first_strengths(events), 60)
    strokes: list[Stroke] = []
    for d, c in enumerate(wide):
        found = evidence(events, templates, strengths, d)
        accepted = _accept(c, events.member[d], strengths[d], found, frames_per_s)
        kept = _followers(c, events.member[d], list(accepted), strengths[d], powers.band_power(c.file), frames_per_s)
        strokes += [
            Stroke(
                time_s=float(c.time_s[events.member[d, n]]),
                drum=c.drum,
                file=c.file,
                level_db=float(10.0 * np.log10(strengths[d, n] + FLOOR_POWER)),
                confidence=accepted[n],
            )
            for n in kept
        ]
    return strokes


def _worth_a_look(c: Candidates) -> NDArray[np.bool_]:
    """(n,) candidates that rise or are heard elsewhere; a ping over its own wash rises little, but has an edge."""
    clear = c.rise_db + 2.0 * np.minimum(c.heard_by, 3)
    if c.drum in CYMBALS:
        clear = clear + 2.0 + 0.4 * np.maximum(c.edge_db, 0.0)
    return np.asarray(clear > 7.0)


def _frames(c: Candidates, member: NDArray[np.int64], default: NDArray[np.int64]) -> NDArray[np.int64]:
    """(N,) frame of a drum's candidate in each event, or of the event where it has none."""
    out = default.copy()
    out[member >= 0] = c.frame[member[member >= 0]]
    return out


def _accept(
    c: Candidates, member: NDArray[np.int64], strength: Float64Array, found: Evidence, frames_per_s: float
) -> dict[int, float]:
    """Probability of each likely stroke of a drum, by event, in order of time."""
    index, features = stroke_features(c, member, strength, found, frames_per_s)
    probability = stroke_probability(features, cymbal=c.drum in CYMBALS)
    return {int(n): float(p) for n, p in zip(index, probability, strict=True) if p > LIKELY}


def stroke_features(
    c: Candidates, member: NDArray[np.int64], strength: Float64Array, found: Evidence, frames_per_s: float
) -> tuple[NDArray[np.int64], Features]:
    """Events (n,) in which a drum may have been hit, and the features of its candidate there.

    Empty if the drum has no sure stroke, by which its level could be known.
    """
    level_db = 10.0 * np.log10(strength + FLOOR_POWER)
    need = min(SURE_GAIN, max(LEAST_SURE_GAIN, 0.5 * float(found.gain.max(initial=0.0))))
    sure = np.sort(level_db[(member >= 0) & (found.fair > 0.5) & (found.gain > need)])
    loud_db = max(sure[-min(3, (len(sure) + 1) // 2)], sure[-1] - 12.0) if len(sure) else np.inf
    least_fair = 0.0 if c.drum in CYMBALS else LEAST_FAIR
    possible = (member >= 0) & (found.gain > MIN_GAIN) & (found.fair > least_fair)
    index = np.flatnonzero(possible & (level_db > loud_db - RANGE_DB))
    k = member[index]
    time_ms = np.asarray(c.frame[k] * 1000.0 / frames_per_s, np.float64)
    lag_ms = _since_last(time_ms, found.gain[index] > need)
    late = (c.lags_s[k] > LATE_S[0]) & (c.lags_s[k] < LATE_S[1])
    return index, Features(
        gain=found.gain[index],
        fair=found.fair[index],
        tilt_db=found.tilt_db[index],
        rise_db=c.rise_db[k],
        edge_db=c.edge_db[k],
        heard=np.minimum(c.heard_by[k], 4) / 4.0,
        late=np.asarray(late.any(axis=1)),
        level_db=level_db[index] - loud_db,
        lag_ms=lag_ms,
        often=float(np.log10((len(sure) + 1.0) / (len(index) + 2.0))),
    )


def _since_last(time_ms: Float64Array, sure: NDArray[np.bool_]) -> Float64Array:
    """(n,) ms since the last sure stroke of the drum, inf for none."""
    before = np.concatenate(([-np.inf], np.where(sure, time_ms, -np.inf)[:-1])) if len(time_ms) else time_ms
    return np.asarray(time_ms - np.maximum.accumulate(before))


def stroke_terms(f: Features, *, cymbal: bool) -> Float64Array:
    """(n, 14) terms of the logistic regression, the constant first."""
    one, none = np.ones(len(f.gain)), np.zeros(len(f.gain))
    edge, rise = np.clip(f.edge_db, 0.0, 30.0) / 10.0, np.clip(f.rise_db, 0.0, 40.0) / 10.0
    close = (f.lag_ms >= 16.0) & (f.lag_ms < 45.0)
    heard = f.heard * f.fair
    return np.column_stack(
        (
            one,
            np.log1p(np.maximum(f.gain, 0.0)),
            none if cymbal else rise,  # a ping rises little over its own wash
            np.clip(f.level_db, -40.0, 0.0) / 10.0,
            close,
            one if cymbal else none,
            np.abs(np.clip(f.tilt_db, -30.0, 30.0)) / 10.0,
            np.minimum(edge, 1.0),
            edge if cymbal else none,  # but its edge is sharp
            f.late,
            heard,
            heard if cymbal else none,
            f.often * one,
            none if cymbal else np.log10(np.clip(f.fair, 0.01, 1.0)),  # a shell is the loudest thing in its mic
        )
    )


# in the order of stroke_terms
WEIGHTS = (-0.38, 1.16, 1.21, 1.90, 0.97, -0.21, -2.64, 2.61, 0.66, -1.88, 0.26, 5.20, 2.62, 2.54)


def stroke_probability(features: Features, *, cymbal: bool) -> Float64Array:
    """(n,) how likely a candidate is a stroke of its mic's drum, 0 to 1.

    Source
    ------
    Own choice: logistic regression. Weights fitted on takes rendered from single hits of a recorded and
    two modelled kits, with added bleed, missing mics and human playing, each take's candidates labelled by
    the known strokes. Fitted on the modelled kits alone, they reach F 0.988
    on the candidates of the recorded one, against 0.993 fitted on all.
    """
    score = stroke_terms(features, cymbal=cymbal) @ np.array(WEIGHTS)
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(score, -50.0, 50.0))))


def _followers(
    c: Candidates,
    member: NDArray[np.int64],
    index: Sequence[int],
    strength: Float64Array,
    power: NDArray[np.float32],
    frames_per_s: float,
) -> list[int]:
    """Events of `index` that do not follow a stroke of the drum as its echo does."""
    if not index:
        return []
    reach = round(FOLLOW_S * frames_per_s)
    attack = round(0.010 * frames_per_s)
    profile = _echo_profile(c.frame[member[list(index)]], strength[list(index)], power, reach + attack)
    kept: list[int] = []
    for n in index:
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
    return np.asarray(np.median(course, axis=0), np.float64)
