"""Courses: does a channel's delay against the others change while the take runs?

A lag (lags.py) in another mic less the lag in the own mic is free of how exactly the stroke's time was
known. Two clocks make it grow steadily (ppm); a mic that slumps or is knocked makes it step once, at once or
within a part of the take.
Whether the own mic moved or the other is told by all drums in all channels together: the channel that
explains most is taken first, what it explains is taken away, and the rest is looked at again. So one
moved snare mic is not five moved overheads.

Conventions: lags in s, positive later; ppm positive: ever later; a step is positive if later afterwards.

Source
------
Own work. Weighted least squares with Huber's weights for strokes that landed on another cycle; the
scatter of a series from its successive differences.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.lags import Float64Array, StrokeLags
from kitproof.model import DelayCourse
from kitproof.reasons import FEW_ALIKE, SHORT_SPAN

FEWEST_STROKES = 6  # of a drum in a channel, to take part
FEWEST_DISTINCT = 8  # strokes of any drum, APART_S from one another: those of a tom in two fills differ by themselves
APART_S = 1.0
BESIDE_STEP = 0.15  # share of the strokes that must lie on either side of a step
LEAST_SPAN_S = 8.0
BETTER = 0.6  # a course must leave less than this of the rest that no course leaves
SURE = 5.0  # errors that a drift or step must be larger than
SYSTEMATIC_S = 1.5e-5  # strokes change their sound over a take, which no scatter shows
LEAST_ERROR_S = 3e-6
N_INSTANTS = 33  # tried for a step
SINKING = (0.125, 0.25, 0.4)  # shares of the span that a step may take: a boom that sinks, and then stays
SINKS_BETTER = 0.7  # a slow step must leave less than this of the rest of a sharp one, and of a drift
MOST_MOVERS = 4
ROUNDS = 6
Shape = Literal["steady", "drift", "step"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Series:
    """Lags of one drum in one channel less those in its own mic."""

    file: str
    own_file: str
    time_s: Float64Array
    lag_s: Float64Array
    error_s: float

    def sign(self, file: str) -> float:
        return 1.0 if self.file == file else -1.0

    def concerns(self, file: str) -> bool:
        return file in (self.file, self.own_file)


@dataclass(frozen=True, slots=True)
class _Solved:
    """One coefficient, common to several series that each have a constant of their own."""

    value: float
    error: float
    rest: float  # sum of Huber's function of the residuals over their errors


@dataclass(frozen=True, slots=True)
class _Fit:
    n: int
    span_s: float
    flat: float  # rest without any course
    line: _Solved
    step: _Solved
    step_time_s: float
    step_takes_s: float

    @property
    def shape(self) -> Shape:
        best, shape = (self.line, "drift") if self.line.rest <= self.step.rest else (self.step, "step")
        if best.rest > BETTER * self.flat or abs(best.value) < SURE * best.error:
            return "steady"
        return "drift" if shape == "drift" else "step"

    @property
    def gain(self) -> float:
        return self.flat - min(self.line.rest, self.step.rest)

    def course(self, time_s: Float64Array) -> Float64Array:
        if self.shape == "drift":
            return self.line.value * time_s
        return np.asarray(self.step.value * _after(time_s, self.step_time_s, self.step_takes_s))


def delay_courses(lags: Sequence[StrokeLags], own: Mapping[str, str]) -> tuple[DelayCourse, ...]:
    """How each channel's delay changes over the take, against all the others.

    Parameters
    ----------
    lags : of all channels and drums, one each; of one drum all have the same strokes
    own : drum -> file of its own close mic

    Returns
    -------
    One record per channel that appears in `lags`, in that order. Channels with too few strokes that are
    like one another, or over too short a span, have reasons.
    """
    files = list(dict.fromkeys(s.file for s in lags))
    series = _relative(lags, own)
    fits: dict[str, _Fit | None] = {f: _fit(f, series) for f in files}
    settled: dict[str, _Fit] = {}
    for _ in range(MOST_MOVERS):
        moving = {f: fit for f, fit in fits.items() if fit is not None and fit.shape != "steady" and f not in settled}
        if not moving:
            break
        file = max(moving, key=lambda f: moving[f].gain)
        settled[file] = moving[file]
        touched = {f for s in series if s.concerns(file) for f in (s.file, s.own_file)}
        series = [_without(s, file, moving[file]) if s.concerns(file) else s for s in series]
        fits |= {f: _fit(f, series) for f in files if f in touched and f not in settled}
    return tuple(_record(f, settled.get(f) or fits[f], series) for f in files)


def _relative(lags: Sequence[StrokeLags], own: Mapping[str, str]) -> list[_Series]:
    by_key = {(s.file, s.drum): s for s in lags}
    out = []
    for s in lags:
        near = by_key.get((own.get(s.drum, ""), s.drum))
        if near is None or near.file == s.file or not np.array_equal(near.time_s, s.time_s):
            continue
        lag = s.lag_s - near.lag_s
        good = np.isfinite(lag)
        if np.count_nonzero(good) < FEWEST_STROKES:
            continue
        time, lag = s.time_s[good], lag[good]
        # Successive strokes share whatever is slow: their differences show the scatter alone.
        scatter = 1.4826 * float(np.median(np.abs(np.diff(lag)))) / np.sqrt(2.0)
        error = max(scatter, LEAST_ERROR_S)
        out.append(_Series(file=s.file, own_file=near.file, time_s=time, lag_s=lag, error_s=error))
    return out


def _without(s: _Series, file: str, fit: _Fit) -> _Series:
    return replace(s, lag_s=s.lag_s - s.sign(file) * fit.course(s.time_s))


def _record(file: str, fit: _Fit | None, series: Sequence[_Series]) -> DelayCourse:
    n = sum(len(s.lag_s) for s in series if s.concerns(file)) if fit is None else fit.n
    reason = None
    if fit is None:
        reason = FEW_ALIKE.format(least=FEWEST_DISTINCT)
    elif fit.span_s < LEAST_SPAN_S:
        reason = SHORT_SPAN.format(span_s=fit.span_s, least_s=LEAST_SPAN_S)
    if fit is None or reason is not None:
        return DelayCourse(
            file=file, n_strokes=n, drift_ppm=None, drift_error_ppm=None, step_ms=None, step_error_ms=None,
            step_time_s=None, shape=None, unmeasured=dict.fromkeys(DelayCourse.NULLABLE, reason or ""),
        )  # fmt: skip
    return DelayCourse(
        file=file, n_strokes=n, drift_ppm=1e6 * fit.line.value, drift_error_ppm=1e6 * fit.line.error,
        step_ms=1e3 * fit.step.value, step_error_ms=1e3 * fit.step.error, step_time_s=fit.step_time_s,
        shape=fit.shape,
    )  # fmt: skip


# ---------------------------------------------------------------- fitting
def _fit(file: str, series: Sequence[_Series]) -> _Fit | None:
    """Drift and step of one channel from every series it has a part in; None without strokes."""
    mine = [s for s in series if s.concerns(file)]
    n = sum(len(s.lag_s) for s in mine)
    time = np.concatenate([np.zeros(0), *(s.time_s for s in mine)])
    if len(np.unique(np.floor(time / APART_S))) < FEWEST_DISTINCT:
        return None
    lag = np.concatenate([s.lag_s * s.sign(file) for s in mine])
    group = np.concatenate([np.full(len(s.lag_s), k) for k, s in enumerate(mine)])
    error = np.concatenate([np.full(len(s.lag_s), s.error_s) for s in mine])
    span = float(np.ptp(time))
    first, last = np.quantile(np.unique(time), [BESIDE_STEP, 1.0 - BESIDE_STEP])
    tries = np.linspace(first, last, N_INSTANTS)
    line = _solve(time, group, lag, error)
    step, at = _best_step(time, group, lag, error, tries, 0.0)
    at, takes = _between(time, at), 0.0
    for share in SINKING:
        slow, middle = _best_step(time, group, lag, error, tries, share * span)
        if slow.rest < SINKS_BETTER * min(step.rest, line.rest) or (takes and slow.rest < step.rest):
            step, at, takes = slow, middle, share * span
    systematic = SYSTEMATIC_S / np.sqrt(len(mine))
    return _Fit(
        n=n, span_s=span, flat=_solve(np.zeros_like(time), group, lag, error).rest,
        line=replace(line, error=float(np.hypot(line.error, systematic / max(span, 1e-9)))),
        step=replace(step, error=float(np.hypot(step.error, systematic))), step_time_s=at,
        step_takes_s=takes,
    )  # fmt: skip


def _best_step(
    time: Float64Array, group: NDArray[np.int64], lag: Float64Array, error: Float64Array, tries: Float64Array,
    takes_s: float,
) -> tuple[_Solved, float]:  # fmt: skip
    """The step that leaves least, and the middle of it."""
    steps = [_solve(_after(time, float(t), takes_s), group, lag, error) for t in tries]
    k = int(np.argmin([s.rest for s in steps]))
    return steps[k], float(tries[k])


def _after(time_s: Float64Array, at_s: float, takes_s: float) -> Float64Array:
    """0 before and 1 after an instant, rising for as long as the step takes."""
    if takes_s <= 0.0:
        return (time_s > at_s).astype(np.float64)
    return np.asarray(np.clip((time_s - at_s) / takes_s + 0.5, 0.0, 1.0))


def _between(time: Float64Array, at: float) -> float:
    """Middle of the strokes around an instant: when within that gap it happened is not known."""
    before, after = time[time <= at], time[time > at]
    return float((before.max() + after.min()) / 2.0) if len(before) and len(after) else at


def _solve(x: Float64Array, group: NDArray[np.int64], lag: Float64Array, error: Float64Array) -> _Solved:
    """Coefficient of x in lags of which each group has a constant of its own; Huber's weights beyond 2 errors."""
    weight = 1.0 / error**2
    value, spread = 0.0, 0.0
    residual = lag
    for _ in range(ROUNDS):
        xc, yc = _centred(x, group, weight), _centred(lag, group, weight)
        spread = float(np.sum(weight * xc**2))
        value = float(np.sum(weight * xc * yc)) / spread if spread > 0.0 else 0.0
        residual = (yc - value * xc) / error
        weight = np.minimum(1.0, 2.0 / np.maximum(np.abs(residual), 1e-9)) / error**2
    size = np.abs(residual)
    rest = float(np.sum(np.where(size <= 2.0, size**2, 4.0 * size - 4.0)))
    scale = max(1.0, rest / max(len(lag) - len(np.unique(group)) - 1, 1))
    return _Solved(value, float(np.sqrt(scale / spread)) if spread > 0.0 else 0.0, rest)


def _centred(y: Float64Array, group: NDArray[np.int64], weight: Float64Array) -> Float64Array:
    total = np.bincount(group, weight)
    return np.asarray(y - (np.bincount(group, weight * y) / total)[group])
