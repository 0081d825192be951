"""Bleed: how loud each drum is in the other drums' close mics, as if every stroke stood alone.

Strokes that happen to stand alone are ghosts or fills, and other drums ring on under them. So the level
of a mic over the whole take is explained as the sum of all strokes of all drums at once: strength of
the stroke, known from the drum's own mic, times a course over time that is the same for all its strokes.

Conventions: powers are mean squares; strengths are powers in the drum's own mic; the energy window of a
stroke is BEFORE_S before its time to AFTER_S after it.

Source
------
Own work. The courses are non-negative and fitted with the Itakura-Saito divergence, as in coupling.py,
which weighs a quiet moment like a loud one. Tried and dropped: medians over strokes without another
within 200 ms (5 dB off, the lonely strokes are not the usual ones); least squares (the loudest moments
decide alone).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse

from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.onsets import BAND_EDGES_HZ, OnsetTrack
from kitproof.model import BleedEntry
from kitproof.reasons import BELOW, DRUM_NOT_HIT, FEW_STAND_OUT, HIDDEN, NOT_ALONE, OWN_DRUM_HIDDEN

BEFORE_S, AFTER_S = 0.001, 0.060
STEP_S = 0.002
QUIET_S = 0.05
LOW_PERCENTILE, MOST_UNDER = 15.0, 2.0  # so many percent of the strokes may be 3 dB under their coupling
RISE_S, RISE = 0.020, 1.25  # a stroke that stands out raises the level of this long by this factor, 1 dB
WIDEST_SPREAD_DB = 10.0  # strokes that differ by more than this are not one coupling
# Courses over time in steps that grow, s after the stroke: attack, window, ring
COURSE_S = (-0.004, 0.004, 0.008, 0.016, 0.028, 0.044, 0.060, 0.100, 0.160, 0.260, 0.420, 0.680, 1.1)
N_ROUNDS = 25
LOW_HZ, HIGH_HZ = 250.0, 4000.0
FEWEST_HITS = 3  # for a spread
FEWEST_PLAIN = 0.15  # share of a drum's strokes that have to stand out in a mic
FLOOR_DB = -60.0  # quieter bleed than this is nobody's concern and mostly noise
Float64Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """How one mic's power in one region follows the strokes of every drum."""

    per_strength: Float64Array  # (n_drums, n_steps) power per strength
    model: Float64Array  # (n_frames,) power explained


@dataclass(frozen=True, slots=True, kw_only=True)
class MicBleed:
    """Bleed of all drums in one close mic."""

    entries: tuple[BleedEntry, ...]
    foreign_time_share: float | None  # None where the mic's own drum was not hit


@dataclass(frozen=True, slots=True, kw_only=True)
class BleedMeasures:
    """Bleed of all drums in all close mics."""

    entries: tuple[BleedEntry, ...]
    foreign_time_share: Mapping[str, float]  # by file of a close mic whose drum was hit


def measure_bleed(file: str, own_drum: str, track: OnsetTrack, drums: Sequence[DrumTimes]) -> MicBleed:
    """Bleed in one close mic: one entry for every drum of `drums` but its own.

    drums : all strokes, strength as amplitude in the own mic ("unmiked" may be among them, with the
    strength in the mic that heard it)
    """
    if not drums:
        return MicBleed(entries=(), foreign_time_share=None)
    design = Design(drums, len(track.band_db), track.frames_per_s)
    entries, share = _in_one_mic(file, own_drum, track, design, drums)
    return MicBleed(entries=tuple(entries), foreign_time_share=share)


class Design:
    """The strokes of all drums laid out over time: one column a drum and step of its course."""

    def __init__(self, drums: Sequence[DrumTimes], n_frames: int, frames_per_s: float) -> None:
        self.n_frames = n_frames
        self.hop = max(1, round(STEP_S * frames_per_s))
        self.n_steps = n_frames // self.hop
        self.step_s = self.hop / frames_per_s
        self.n_course = len(COURSE_S) - 1
        rows: list[NDArray[np.int64]] = []
        columns: list[NDArray[np.int64]] = []
        values: list[Float64Array] = []
        for d, drum in enumerate(drums):
            power = drum.strength**2
            for k in range(self.n_course):
                for first, share in self._steps(drum.time_s, COURSE_S[k], COURSE_S[k + 1]):
                    inside = (first >= 0) & (first < self.n_steps) & (share > 0)
                    rows.append(first[inside])
                    columns.append(np.full(int(inside.sum()), d * self.n_course + k))
                    values.append((power * share)[inside])
        shape = (self.n_steps, len(drums) * self.n_course)
        places = (np.concatenate(rows), np.concatenate(columns))
        self.matrix = sparse.csr_array((np.concatenate(values), places), shape)

    def _steps(self, time_s: Float64Array, low_s: float, high_s: float) -> list[tuple[NDArray[np.int64], Float64Array]]:
        """For each step that [t+low, t+high) can touch: its index per stroke, and the share of it covered."""
        begin, end = (time_s + low_s) / self.step_s, (time_s + high_s) / self.step_s
        first = np.floor(begin).astype(np.int64)
        out = []
        for i in range(int(np.ceil((high_s - low_s) / self.step_s)) + 1):
            step = first + i
            share = np.clip(np.minimum(end, step + 1) - np.maximum(begin, step), 0.0, 1.0)
            out.append((step, share))
        return out

    def levels(self, power: NDArray[np.float32]) -> Float64Array:
        """(n_steps,) mean power per step."""
        n = self.n_steps * self.hop
        return np.asarray(power[:n].reshape(self.n_steps, self.hop).mean(axis=1), np.float64)


def fit_course(design: Design, level: Float64Array, noise: float) -> Course:
    """Non-negative courses that explain a mic's level, Itakura-Saito, multiplicative updates."""
    matrix, turned = design.matrix, design.matrix.T.tocsr()
    struck = np.asarray(matrix.sum(axis=1), np.float64)
    course = np.maximum(_times(turned, level) / np.maximum(_times(turned, struck), 1e-30), 1e-12)
    for _ in range(N_ROUNDS):
        model = noise + _times(matrix, course)
        pull = (struck > 0) / model / np.maximum(1.0, level / model / 4.0)  # what no drum explains counts little
        course = course * np.sqrt(_times(turned, pull * level / model) / (_times(turned, pull) + 1e-30))
    return Course(per_strength=course.reshape(-1, design.n_course), model=noise + _times(matrix, course))


def _times(matrix: sparse.csr_array, vector: Float64Array) -> Float64Array:
    return np.asarray(matrix @ vector, np.float64)


def _in_one_mic(
    file: str, own_drum: str, track: OnsetTrack, design: Design, drums: Sequence[DrumTimes]
) -> tuple[list[BleedEntry], float | None]:
    names = [d.drum for d in drums]
    if own_drum not in names:
        why = DRUM_NOT_HIT.format(drum=own_drum)
        return [_none(d, file, why) for d in drums if d.drum != own_drum], None
    power = track.band_power()
    bands = [_in_one_band(design, power[:, b], drums, names.index(own_drum)) for b in range(power.shape[1])]
    low = [b for b in range(len(bands)) if BAND_EDGES_HZ[b + 1] <= LOW_HZ]
    high = [b for b in range(len(bands)) if BAND_EDGES_HZ[b] >= HIGH_HZ]
    middle = [b for b in range(len(bands)) if b not in low and b not in high]
    regions = {"bleed_db": [*low, *middle, *high], "bleed_low_db": low, "bleed_mid_db": middle, "bleed_high_db": high}
    own = names.index(own_drum)
    if _standing(bands, own).share < FEWEST_PLAIN:
        why = OWN_DRUM_HIDDEN.format(drum=own_drum)
        return [_none(d, file, why) for d in drums if d.drum != own_drum], None
    entries = []
    for i, d in enumerate(drums):
        if i == own:
            continue
        ratio = {name: _level_db(bands, i, chosen) - _level_db(bands, own, chosen) for name, chosen in regions.items()}
        at_most_db = _heard_db(bands, i) - _level_db(bands, own, regions["bleed_db"])
        entries.append(_entry(d, file, ratio, at_most_db, _standing(bands, i)))
    return entries, _foreign_share(bands, own)


@dataclass(frozen=True, slots=True, kw_only=True)
class DrumInBand:
    """One drum in one band of one mic. Energies are sums of power over steps, in each stroke's window."""

    model: Float64Array  # (n_steps,) power explained by its strokes
    seen: Float64Array  # (n_hits,) energy
    alone: Float64Array  # (n_hits,) the same with everything else taken off
    part: Float64Array  # (n_hits,) the same as the fitted course has it
    whole: Float64Array  # (n_hits,) the same explained by all drums
    before: Float64Array  # (n_hits,) mean power in the RISE_S before the stroke
    after: Float64Array  # (n_hits,) and after it


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """One band of one mic, explained."""

    noise: float
    quietest: float  # power of the quietest steps, under the mean of the noise
    model: Float64Array  # (n_steps,) power explained by all strokes and the noise
    drums: tuple[DrumInBand, ...]


def _noise(level: Float64Array, step_s: float) -> float:
    """Mean power of the quietest stretches: single steps of noise fall far below their mean."""
    smooth = ndimage.uniform_filter1d(level, max(1, round(QUIET_S / step_s)))
    return max(float(np.percentile(smooth, 3)), 1e-13)


def _in_one_band(design: Design, power: NDArray[np.float32], drums: Sequence[DrumTimes], own: int) -> Band:
    level = design.levels(power)
    noise = _noise(level, design.step_s)
    course = fit_course(design, level, noise)
    strokes = [_explained_strokes(design, level, course, i, d, foreign=i != own) for i, d in enumerate(drums)]
    quietest = max(float(np.percentile(level, 3)), 1e-13)
    return Band(noise=noise, quietest=quietest, model=course.model, drums=tuple(strokes))


def _explained_strokes(
    design: Design, level: Float64Array, course: Course, i: int, d: DrumTimes, *, foreign: bool
) -> DrumInBand:
    columns = design.matrix[:, i * design.n_course : (i + 1) * design.n_course]
    mine = np.asarray(columns @ course.per_strength[i]).ravel()
    begin, length = (d.time_s - BEFORE_S) / design.step_s, (BEFORE_S + AFTER_S) / design.step_s
    seen, part, whole = (_window_sums(v, begin, length) for v in (level, mine, course.model))
    # A coupling is there at every stroke: where the mic hears less than it says at too many of them, it was
    # put to the account of this drum for others that were hit with it and not found.
    heard = seen / np.maximum(part, 1e-30)
    kept = min(1.0, MOST_UNDER * float(np.percentile(heard, LOW_PERCENTILE))) if foreign else 1.0
    mine, whole, part = kept * mine, whole - (1.0 - kept) * part, kept * part
    # Where a stroke does not dominate its window, the fitted course times its strength stands for it.
    alone = np.where(part > 0.5 * whole, np.maximum(seen - (whole - part), 0.05 * part), part)
    span = RISE_S / design.step_s
    before = _window_sums(level, (d.time_s - 0.003 - RISE_S) / design.step_s, span) / span
    after = _window_sums(level, (d.time_s - BEFORE_S) / design.step_s, span) / span
    return DrumInBand(model=mine, seen=seen, alone=alone, part=part, whole=whole, before=before, after=after)


def _level_db(bands: Sequence[Band], i: int, chosen: Sequence[int]) -> float:
    """Median energy of drum i's strokes in the chosen bands, each as if it stood alone, dB."""
    return 10.0 * float(np.log10(np.median(np.sum([bands[b].drums[i].alone for b in chosen], axis=0)) + 1e-20))


def _heard_db(bands: Sequence[Band], i: int) -> float:
    """Median energy of all that the mic hears at drum i's strokes, dB: they can be no louder themselves."""
    return 10.0 * float(np.log10(np.median(np.sum([b.drums[i].seen for b in bands], axis=0)) + 1e-20))


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How far a drum stands out of what a mic hears."""

    share: float  # of its strokes that make up at least half of some band in their window, a band that matters
    n: int  # number of those
    spread_db: float  # interquartile range over those, against the fitted course


def _standing(bands: Sequence[Band], i: int) -> Standing:
    """Judged in the bands that hold most of the drum's energy in this mic."""
    every = [b.drums[i] for b in bands]
    energy = np.array([np.median(d.alone) for d in every])
    main = [d for d, e in zip(every, energy, strict=True) if e >= 0.25 * energy.max()]
    part, whole = np.sum([d.part for d in main], axis=0), np.sum([d.whole for d in main], axis=0)
    left = np.sum([np.maximum(d.seen - (d.whole - d.part), 0.05 * d.part) for d in main], axis=0)
    # A drum that bleeds into a mic is heard to begin there; one that is only explained into it is not.
    begins = np.sum([d.after for d in main], axis=0) > RISE * np.sum([d.before for d in main], axis=0)
    plain = np.asarray((part > 0.5 * whole) & begins)
    if not plain.any():
        return Standing(share=0.0, n=0, spread_db=0.0)
    low, high = np.percentile(10.0 * np.log10(np.maximum(left, 1e-20) / np.maximum(part, 1e-20))[plain], [25, 75])
    return Standing(share=float(plain.mean()), n=int(plain.sum()), spread_db=float(high - low))


def _window_sums(values: Float64Array, begin: Float64Array, length: float) -> Float64Array:
    """(n,) sums over windows that begin and end between steps."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    grid = np.arange(len(total))
    return np.asarray(np.interp(begin + length, grid, total) - np.interp(begin, grid, total))


def _foreign_share(bands: Sequence[Band], own: int) -> float:
    """Share of the time with sound in a mic in which the other drums make up more than half of it."""
    model, noise = np.sum([b.model for b in bands], axis=0), sum(b.noise for b in bands)
    mine = np.sum([b.drums[own].model for b in bands], axis=0)
    sounding = model - noise > sum(b.quietest for b in bands)
    if not sounding.any():
        return 0.0
    return float(np.mean(mine[sounding] < 0.5 * (model[sounding] - noise)))


def _entry(d: DrumTimes, file: str, ratio: Mapping[str, float], at_most_db: float, plain: Standing) -> BleedEntry:
    if plain.share < FEWEST_PLAIN:
        return _none(d, file, HIDDEN, at_most_db)
    if plain.n >= FEWEST_HITS and plain.spread_db > WIDEST_SPREAD_DB:
        return _none(d, file, NOT_ALONE.format(spread_db=plain.spread_db), at_most_db)
    levels = {name: db if db >= FLOOR_DB else None for name, db in ratio.items()}
    reasons = {name: BELOW.format(least_db=FLOOR_DB) for name, db in levels.items() if db is None}
    if plain.n < FEWEST_HITS:
        reasons["spread_db"] = FEW_STAND_OUT.format(n=plain.n)
    return BleedEntry(
        drum=d.drum, file=file, bleed_db=levels["bleed_db"], bleed_low_db=levels["bleed_low_db"],
        bleed_mid_db=levels["bleed_mid_db"], bleed_high_db=levels["bleed_high_db"],
        spread_db=plain.spread_db if plain.n >= FEWEST_HITS else None, n_hits=len(d.time_s), unmeasured=reasons,
        at_most_db=FLOOR_DB if levels["bleed_db"] is None else None,
    )  # fmt: skip


def _none(d: DrumTimes, file: str, why: str, at_most_db: float | None = None) -> BleedEntry:
    names = ("bleed_db", "bleed_low_db", "bleed_mid_db", "bleed_high_db", "spread_db")
    return BleedEntry(
        drum=d.drum, file=file, bleed_db=None, bleed_low_db=None, bleed_mid_db=None, bleed_high_db=None,
        spread_db=None, n_hits=len(d.time_s), unmeasured=dict.fromkeys(names, why), at_most_db=at_most_db,
    )  # fmt: skip
