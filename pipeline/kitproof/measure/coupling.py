"""Who was hit: every event of the take explained by the drums that can have made it.

A room is linear: a drum reaches each mic with the same share of its energy, in the same colour, at every
stroke, give or take a few dB. So the energy that an event adds to all close mics is the sum, over the
drums, of strength times coupling. `templates` holds the couplings, `strengths` the energies; both are
found together, and neither may be negative.

Conventions: row r = (mic, band, slice), R rows in all; N events; D drums; all values are powers.
Templates are scaled so that a strength is the energy in the drum's own mic during the first slice,
mean square summed over bands.

Source
------
Non-negative factorisation with the Itakura-Saito divergence, multiplicative updates (Fevotte, Bertin,
Durrieu, Neural Computation 21, 2009; from memory): the divergence fits powers that are known to within
a factor, not a difference. Departures: the powers before the event are a fixed part of the model, and a
row that is far too loud counts by its logarithm only, because it may hold a cymbal that has no mic.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.candidates import Candidates, Float64Array, Powers
from kitproof.measure.onsets import FLOOR_POWER, N_BANDS

SLICES_S = ((-0.001, 0.010), (0.010, 0.030), (0.030, 0.060))
N_SLICES = len(SLICES_S)
GAP_S = 0.005  # a drum reaches the farthest close mic within 2 m
TOO_LOUD = 3.0  # seen over explained, beyond which a row counts by its logarithm
BATCH = 64  # events at a time: they stay in the cache, and the products on one core
_TINY = 1e-30


@dataclass(frozen=True, slots=True, kw_only=True)
class Events:
    """Candidates of all close mics that belong together in time, and what every mic heard."""

    drums: tuple[str, ...]
    mics: tuple[str, ...]
    frame: NDArray[np.int64]  # (N,) first candidate of the event
    member: NDArray[np.int64]  # (D, N) index of the drum's candidate in the event, -1: none
    seen: Float64Array  # (R, N) mean power in mic, band and slice
    before: Float64Array  # (R, N) mean power just before, at least the noise
    weight: Float64Array  # (R, N) 1, or 0 where the next event has begun
    own_rows: NDArray[np.bool_]  # (D, R)
    slices: tuple[tuple[int, int], ...]  # SLICES_S in frames

    @property
    def active(self) -> NDArray[np.bool_]:
        """(D, N) whether the drum's own mic has a candidate in the event."""
        return np.asarray(self.member >= 0)

    def take(self, keep: NDArray[np.bool_]) -> Events:
        """The events where `keep` (N,) is true."""
        return replace(
            self,
            frame=self.frame[keep],
            member=self.member[:, keep],
            seen=self.seen[:, keep],
            before=self.before[:, keep],
            weight=self.weight[:, keep],
        )

    def first_slice(self, values: Float64Array, drum: int, bands: slice = slice(None)) -> Float64Array:
        """Sum over bands of the own mic's rows of the first slice; values (R, ...) -> (...)."""
        rows = values[self.own_rows[drum]].reshape(N_BANDS, N_SLICES, *values.shape[1:])
        return np.asarray(rows[bands, 0].sum(axis=0))


def group_events(candidates: Sequence[Candidates], frames_per_s: float) -> list[list[tuple[int, int, int]]]:
    """Lists of (frame, drum index, candidate index), cut where nothing starts for GAP_S."""
    every = sorted((int(f), d, k) for d, c in enumerate(candidates) for k, f in enumerate(c.frame))
    events: list[list[tuple[int, int, int]]] = []
    for one in every:
        if events and one[0] - events[-1][-1][0] <= GAP_S * frames_per_s:
            events[-1].append(one)
        else:
            events.append([one])
    return events


def observe(candidates: Sequence[Candidates], mics: Sequence[str], powers: Powers, frames_per_s: float) -> Events:
    """Group the candidates (one entry per drum) into events and look up what every mic heard."""
    groups = group_events(candidates, frames_per_s)
    frame = np.array([g[0][0] for g in groups], np.int64)
    member = np.full((len(candidates), len(groups)), -1, np.int64)
    for n, group in enumerate(groups):
        for _, d, k in group:
            best = member[d, n]
            if best < 0 or candidates[d].rise_db[k] > candidates[d].rise_db[best]:
                member[d, n] = k
    seen, before, weight = observe_frames(frame, mics, powers, frames_per_s)
    own_rows = np.zeros((len(candidates), len(mics), N_BANDS * N_SLICES), bool)
    for d, c in enumerate(candidates):
        own_rows[d, list(mics).index(c.file)] = True
    return Events(
        drums=tuple(c.drum for c in candidates), mics=tuple(mics), frame=frame, member=member,
        seen=seen, before=before, weight=weight, own_rows=own_rows.reshape(len(candidates), -1),
        slices=tuple((round(first * frames_per_s), round(last * frames_per_s)) for first, last in SLICES_S),
    )  # fmt: skip


def observe_frames(
    frame: NDArray[np.int64], mics: Sequence[str], powers: Powers, frames_per_s: float
) -> tuple[Float64Array, Float64Array, Float64Array]:
    """(R, N) powers seen, powers before and weights for events at the given frames."""
    n, ms = len(frame), frames_per_s / 1000.0
    seen = np.zeros((len(mics), N_BANDS, N_SLICES, n))
    before = np.zeros_like(seen)
    weight = np.zeros_like(seen)
    following = np.append(frame[1:], np.iinfo(np.int64).max // 2) - 2
    for i, mic in enumerate(mics):
        noise, total = powers.noise(mic), powers.total(mic)
        quiet = total.means(frame, -round(8 * ms), -round(2 * ms))
        before[i] = np.maximum(quiet, noise).T[:, None, :]
        for s, (first, last) in enumerate(SLICES_S):
            a, b = round(1000 * first * ms), round(1000 * last * ms)
            seen[i, :, s] = total.means(frame, a, b, until=following).T
            weight[i, :, s] = np.minimum(frame + b, following) - (frame + a) >= 3
    shape = (len(mics) * N_BANDS * N_SLICES, n)
    return np.maximum(seen, FLOOR_POWER).reshape(shape), before.reshape(shape), weight.reshape(shape)


def first_strengths(events: Events) -> Float64Array:
    """(D, N) strengths to start from: all that is new in the own mic, 0 where it has no candidate."""
    new = np.maximum(events.seen - events.before, 0.0)
    own = np.stack([events.first_slice(new, d) for d in range(len(events.drums))])
    return np.where(events.active, own + 1e-12, 0.0)


def with_ring(events: Events, templates: Float64Array, strengths: Float64Array, starts: NDArray[np.int64]) -> Events:
    """The events with what still sounds of the strokes just before counted into their power before.

    `starts` (D, N): frame at which each drum's own mic hears it in each event. Sound that reaches a far mic
    5 ms late, or a second sound of the same stroke, then no longer looks like a stroke of another drum.
    """
    n_events, shape = len(events.frame), (len(events.mics) * N_BANDS, N_SLICES, -1)
    parts = templates.reshape(shape)
    ring = np.zeros((shape[0], N_SLICES, n_events))
    edges = np.array(events.slices)
    for back in (1, 2, 3):
        lag = (events.frame[back:] - starts[:, : n_events - back]).astype(float)  # (D, n)
        for s, (first, last) in enumerate(edges):
            for t, (begin, end) in enumerate(edges):
                overlap = np.minimum(lag + last, end) - np.maximum(lag + first, begin)
                some = np.clip(overlap, 0.0, None) / (last - first) * strengths[:, : n_events - back]
                ring[:, s, back:] += parts[:, t] @ some
    return replace(events, before=np.maximum(events.before, ring.reshape(events.before.shape)))


def solve_strengths(
    events: Events,
    templates: Float64Array,
    strengths: Float64Array,
    n_steps: int,
    limits: tuple[Float64Array, Float64Array] | None = None,
) -> Float64Array:
    """(D, N) strengths that explain what was seen, from a start > 0; a zero stays zero.

    `limits`: (D, N) least and greatest strengths.
    """
    out = strengths.copy()
    t = templates.astype(np.float32)  # powers need range, not digits, and this is where the time goes
    for some in _batches(events):
        seen, before, weight = (a[:, some].astype(np.float32) for a in (events.seen, events.before, events.weight))
        part = out[:, some].astype(np.float32)
        for _ in range(n_steps):
            model = before + t @ part
            ratio = seen / model
            pull = weight / (np.maximum(1.0, ratio / TOO_LOUD) * model)
            part *= np.sqrt((t.T @ (pull * ratio)) / (t.T @ pull + _TINY))
            if limits is not None:
                np.clip(part, limits[0][:, some], limits[1][:, some], out=part)
        out[:, some] = part
    return out


def refine_templates(
    events: Events, templates: Float64Array, strengths: Float64Array, n_rounds: int
) -> tuple[Float64Array, Float64Array]:
    """Templates and strengths improved in turn; the scaling of the templates is kept."""
    templates, strengths = templates.copy(), strengths.copy()
    for _ in range(n_rounds):
        strengths = solve_strengths(events, templates, strengths, 8)
        templates = template_step(events, template_step(events, templates, strengths), strengths)
        for d in range(len(events.drums)):
            scale = float(events.first_slice(templates[:, d], d)) + _TINY
            templates[:, d] /= scale
            strengths[d] *= scale
    return templates, strengths


def template_step(events: Events, templates: Float64Array, strengths: Float64Array) -> Float64Array:
    """(R, D) templates that explain what was seen a little better."""
    up, down = np.zeros_like(templates), np.zeros_like(templates)
    for some in _batches(events):
        seen, part = events.seen[:, some], strengths[:, some]
        model = events.before[:, some] + templates @ part
        pull = _robust(seen, model, events.weight[:, some]) / model
        up += (pull * seen / model) @ part.T
        down += pull @ part.T
    return np.asarray(templates * np.sqrt(up / (down + _TINY)))


def misfit(events: Events, templates: Float64Array, strengths: Float64Array) -> Float64Array:
    """(R, N) divergence of seen from explained, logarithmic where seen is far too loud; >= 0."""
    ratio = events.seen / (events.before + templates @ strengths)
    mild = np.minimum(ratio, TOO_LOUD)
    return events.weight * (mild - np.log(mild) - 1.0 + (TOO_LOUD - 1.0) * np.log(ratio / mild))


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What speaks for one drum in each event, (N,) each; 0 where its mic has no candidate."""

    gain: Float64Array  # how much worse its own mic is explained without it, sum of the misfit
    share: Float64Array  # largest share that it has of any row of its own mic, 0 to 1
    fair: Float64Array  # its share of what all drums together add to its own mic in the first slice, 0 to 1
    tilt_db: Float64Array  # what it added there, below 500 Hz over above 4 kHz, against its template


def evidence(events: Events, templates: Float64Array, strengths: Float64Array, drum: int) -> Evidence:
    """Compare the events in which the drum's own mic has a candidate with and without the drum."""
    active = events.active[drum]
    some, with_it = events.take(active), strengths[:, active]
    without = with_it.copy()
    without[drum] = 0.0
    without = solve_strengths(some, templates, without, 25)
    rows = events.own_rows[drum]
    worse = misfit(some, templates, without) - misfit(some, templates, with_it)
    every = templates[rows] @ with_it
    own = templates[rows, drum][:, None] * with_it[drum]
    share = (own / (some.before[rows] + every) * some.weight[rows]).max(axis=0, initial=0.0)
    first = _first_bands(own)
    others = _first_bands(every - own)
    base = _first_bands(some.before[rows]) + others
    rest = np.maximum(_first_bands(some.seen[rows]) - base, 0.0)
    low, high = (_excess_db(rest[part], first[part], base[part]) for part in (slice(0, 3), slice(6, N_BANDS)))
    values = {
        "gain": worse[rows].sum(axis=0),
        "share": share,
        "fair": first.sum(axis=0) / (_first_bands(every).sum(axis=0) + _TINY),
        "tilt_db": low - high,
    }
    out = {name: np.zeros(len(active)) for name in values}
    for name, value in values.items():
        out[name][active] = value
    return Evidence(**out)


def first_bands(rows: Float64Array, n_mics: int) -> Float64Array:
    """(n_mics, N_BANDS, n) rows (R, n) of the first slice."""
    return np.asarray(rows.reshape(n_mics, N_BANDS, N_SLICES, -1)[:, :, 0])


def _first_bands(rows: Float64Array) -> Float64Array:
    """(N_BANDS, n) rows of the first slice, of one mic's rows."""
    return np.asarray(first_bands(rows, 1)[0])


def _excess_db(found: Float64Array, expected: Float64Array, base: Float64Array) -> Float64Array:
    """(n,) level of what was found over what was expected, bands (b, n) together; 0 where `base` hides both."""
    hidden = 0.3 * base.sum(axis=0)
    return np.asarray(10.0 * np.log10((found.sum(axis=0) + hidden) / (expected.sum(axis=0) + hidden)))


def _batches(events: Events) -> list[slice]:
    """Events in groups of BATCH."""
    return [slice(first, first + BATCH) for first in range(0, len(events.frame), BATCH)]


def _robust(seen: Float64Array, model: Float64Array, weight: Float64Array) -> Float64Array:
    return np.asarray(weight / np.maximum(1.0, seen / model / TOO_LOUD))
