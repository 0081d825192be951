"""What a mic hears, as the sum of all strokes of all drums: strength of the stroke times a course over time.

The course is the same for all strokes of a drum, in steps that grow from its attack to the end of its ring. What a
stroke's window then holds is parted between that stroke and everything else.

Conventions: powers are mean squares; strengths are powers in the drum's own mic; a step is STEP_S long; the energy
window of a stroke is BEFORE_S before its time to AFTER_S after it; bands are those of onsets.py.

Source
------
Own work; see bleed.py, which is made of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse

from kitproof.measure.excerpts import DrumTimes

BEFORE_S, AFTER_S = 0.001, 0.060
STEP_S = 0.002
QUIET_S = 0.05
LOW_PERCENTILE, MOST_UNDER = 15.0, 2.0  # so many percent of the strokes may be 3 dB under their coupling
RISE_S = 0.020  # before and after a stroke, to see whether it raises the level
# Courses over time in steps that grow, s after the stroke: attack, window, ring
COURSE_S = (-0.004, 0.004, 0.008, 0.016, 0.028, 0.044, 0.060, 0.100, 0.160, 0.260, 0.420, 0.680, 1.1)
N_ROUNDS = 25
Float64Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Courses:
    """How one mic's power in every band follows the strokes of every drum."""

    per_strength: Float64Array  # (n_drums, n_course, n_bands) power per strength
    model: Float64Array  # (n_steps, n_bands) power explained


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
                step, share = self._steps(drum.time_s, COURSE_S[k], COURSE_S[k + 1])
                inside = (step >= 0) & (step < self.n_steps) & (share > 0)
                rows.append(step[inside])
                columns.append(np.full(len(rows[-1]), d * self.n_course + k))
                values.append((power * share)[inside])
        shape = (self.n_steps, len(drums) * self.n_course)
        places = (np.concatenate(rows), np.concatenate(columns))
        self.matrix = sparse.csr_array((np.concatenate(values), places), shape)

    def explained(self, drum: int, courses: Courses) -> Float64Array:
        """(n_steps, n_bands) power that one drum's strokes explain."""
        columns = self.matrix[:, drum * self.n_course : (drum + 1) * self.n_course]
        return np.asarray(columns @ courses.per_strength[drum])

    def _steps(self, time_s: Float64Array, low_s: float, high_s: float) -> tuple[NDArray[np.int64], Float64Array]:
        """(n, n_hits) each: the steps that [t+low, t+high) can touch, and the share of each that it covers."""
        begin, end = (time_s + low_s) / self.step_s, (time_s + high_s) / self.step_s
        most = int(np.ceil((high_s - low_s) / self.step_s)) + 1
        step = np.floor(begin).astype(np.int64) + np.arange(most)[:, None]
        return step, np.clip(np.minimum(end, step + 1) - np.maximum(begin, step), 0.0, 1.0)

    def levels(self, power: NDArray[np.float32]) -> Float64Array:
        """(n_steps, n_bands) mean power per step."""
        n = self.n_steps * self.hop
        return np.asarray(power[:n].reshape(self.n_steps, self.hop, -1).mean(axis=1), np.float64)


def fit_courses(design: Design, level: Float64Array, noise: Float64Array) -> Courses:
    """Non-negative courses that explain a mic's level (n_steps, n_bands), Itakura-Saito, multiplicative updates.

    All bands at once: the matrix, which has far more places than there are bands, is then walked through once for all.
    """
    matrix, turned = design.matrix, design.matrix.T
    struck = np.asarray(matrix.sum(axis=1), np.float64)[:, None]
    course = np.maximum(_times(turned, level) / np.maximum(_times(turned, struck), 1e-30), 1e-12)
    most = 4.0 / np.maximum(level, 1e-300)
    # What is as long as the take is worked on in place: fresh memory costs as much as the work.
    pull = np.empty_like(level)
    for _ in range(N_ROUNDS):
        per_model = _times(matrix, course)
        per_model += noise
        np.reciprocal(per_model, out=per_model)
        # One over the model; less where the level is over four times the model: what no drum explains counts little.
        np.minimum(per_model, most, out=pull)
        per_model *= level
        per_model *= pull
        course = course * np.sqrt(_times(turned, per_model) / (_times(turned, pull) + 1e-30))
    per_strength = course.reshape(-1, design.n_course, course.shape[1])
    return Courses(per_strength=per_strength, model=noise + _times(matrix, course))


def _times(matrix: sparse.csr_array | sparse.csc_array, columns: Float64Array) -> Float64Array:
    return np.asarray(matrix @ columns, np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class DrumInMic:
    """One drum in one mic, (n_hits, n_bands) each. Energies are sums of power over steps, in each stroke's window."""

    seen: Float64Array  # energy
    alone: Float64Array  # the same with everything else taken off
    part: Float64Array  # the same as the fitted course has it
    whole: Float64Array  # the same explained by all drums
    before: Float64Array  # mean power in the RISE_S before the stroke
    after: Float64Array  # and after it


@dataclass(frozen=True, slots=True, kw_only=True)
class Mic:
    """One mic, explained."""

    noise: Float64Array  # (n_bands,)
    quietest: Float64Array  # (n_bands,) power of the quietest steps, under the mean of the noise
    model: Float64Array  # (n_steps, n_bands) power explained by all strokes and the noise
    own: Float64Array  # (n_steps, n_bands) power explained by the own drum's
    drums: tuple[DrumInMic, ...]


class WindowSums:
    """Sums of a course over time in windows that begin and end between its steps."""

    def __init__(self, values: Float64Array) -> None:
        """`values` : (n_steps, n_bands)"""
        self._total = np.zeros((len(values) + 1, values.shape[1]))
        np.cumsum(values, axis=0, out=self._total[1:])

    def over(self, begin: Float64Array, length: float) -> Float64Array:
        """(n, n_bands) sums over `length` steps from each of (n,) `begin` on; nothing is outside."""
        return self._until(begin + length) - self._until(begin)

    def _until(self, step: Float64Array) -> Float64Array:
        at = np.clip(step, 0.0, len(self._total) - 1)
        whole = np.minimum(at.astype(np.int64), len(self._total) - 2)
        share = (at - whole)[:, None]
        return np.asarray(self._total[whole] + share * (self._total[whole + 1] - self._total[whole]))


def _noise(level: Float64Array, step_s: float) -> Float64Array:
    """(n_bands,) mean power of the quietest stretches: single steps of noise fall far below their mean."""
    smooth = ndimage.uniform_filter1d(level, max(1, round(QUIET_S / step_s)), axis=0)
    return np.asarray(np.maximum(np.percentile(smooth, 3, axis=0), 1e-13))


def explain(design: Design, level: Float64Array, drums: Sequence[DrumTimes], own: int) -> Mic:
    """One mic's level, (n_steps, n_bands), explained by the strokes of all drums."""
    noise = _noise(level, design.step_s)
    courses = fit_courses(design, level, noise)
    heard, explained = WindowSums(level), WindowSums(courses.model)
    return Mic(
        noise=noise, quietest=np.maximum(np.percentile(level, 3, axis=0), 1e-13), model=courses.model,
        own=design.explained(own, courses),
        drums=tuple(
            _explained_strokes(design, heard, explained, WindowSums(design.explained(i, courses)), d, foreign=i != own)
            for i, d in enumerate(drums)
        ),
    )  # fmt: skip


def _explained_strokes(
    design: Design, level: WindowSums, model: WindowSums, mine: WindowSums, d: DrumTimes, *, foreign: bool
) -> DrumInMic:
    begin, length = (d.time_s - BEFORE_S) / design.step_s, (BEFORE_S + AFTER_S) / design.step_s
    seen, part, whole = (sums.over(begin, length) for sums in (level, mine, model))
    # A coupling is there at every stroke: where the mic hears less than it says at too many of them, it was
    # put to the account of this drum for others that were hit with it and not found.
    heard = seen / np.maximum(part, 1e-30)
    kept = np.ones(part.shape[1])
    if foreign:
        kept = np.minimum(1.0, MOST_UNDER * np.percentile(heard, LOW_PERCENTILE, axis=0))
    whole, part = whole - (1.0 - kept) * part, kept * part
    # Where a stroke does not dominate its window, the fitted course times its strength stands for it.
    alone = np.where(part > 0.5 * whole, np.maximum(seen - (whole - part), 0.05 * part), part)
    span = RISE_S / design.step_s
    before = level.over((d.time_s - 0.003 - RISE_S) / design.step_s, span) / span
    after = level.over((d.time_s - BEFORE_S) / design.step_s, span) / span
    return DrumInMic(seen=seen, alone=alone, part=part, whole=whole, before=before, after=after)
