"""Noise floor: what remains of a channel when no drum sounds, found in its quietest stretches.

Conventions: power is mean square per cell of 10 ms; levels are RMS relative to amplitude 1.0, of the signal
above 20 Hz (an offset is not noise). Where it is quiet is decided above 80 Hz: rumble from traffic or a fan
swells so slowly and so much that it would hide what is quiet.

The difficulty is that on a busy take something rings nearly all the time. The search starts at the
quietest 50 ms and takes in everything that differs from it by no more than noise of one level fluctuates
anyway, so the answer is a mean and not a lucky minimum. It counts as the floor only if it stays level and
is the same played backwards: a ring falls, and a wash of cymbals rises at once and falls slowly. Otherwise
it is no more than an upper bound, and the floor is None. A wash so dense that its level never moves by
more than noise does, over a file without a quiet start or end, cannot be told from noise and is taken for it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from kitproof.measure.bands import BANDS_PER_OCTAVE, N_LOW_BANDS, octave_edges_hz
from kitproof.measure.cells import CELLS_PER_S, CellSums, StatefulFilter, sliding_mean
from kitproof.model import FloatArray, NoiseBand
from kitproof.reasons import EMPTIED, NEVER_QUIET, SHORT_FOR_FLOOR
from kitproof.units import power_to_db

LOWEST_HZ = 20.0
QUIET_ABOVE_HZ = 80.0
DIGITAL_SHARE = 0.5  # of equal neighbours in a cell: zeros, a held value, or noise below half a 16-bit step
WINDOW_CELLS = 5
GUARD_CELLS = 5  # left out beside digital silence and at both ends of the file: fades live there
RUN_MIN_CELLS = 8
RUN_TRIM_CELLS = 2  # the last of the ring
TOTAL_MIN_S = 0.2
SPREAD = 2.5  # standard deviations of a window around the floor that still belong to it
MAX_SPREAD = 0.25  # of the mean power, one standard deviation of a window
MAX_SLOPE_DB_S = 5.0  # must be ruled out with two standard errors; the slowest cymbals fall by about 6
STEP_CELLS = 3  # on either side of a step, for telling sudden rises from slow falls
MAX_SKEW_ERRORS = 2.2
EDGE_S = 5.0  # so long may a fade at either end be,
EDGE_SHARE = 0.1  # but no more than this of the file
STRAY_S = 0.1  # windows below the floor elsewhere that may be put aside
_ENOUGH_WINDOWS = 20000  # to know how windows fluctuate
BAND_MIN_BT = 10.0  # bandwidth times seconds: below, one standard deviation exceeds 1.4 dB


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseResult:
    """Noise floor of one channel; None has its reason. `quiet_runs` are the stretches it was taken from."""

    noise_floor_dbfs: float | None
    quiet_runs: tuple[tuple[float, float], ...]  # start and end, s
    at_most_dbfs: float | None = None  # if the ring hides the floor, it lies below this
    unmeasured: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Cluster:
    """Windows of one level: which ones, the runs of cells they cover, and how the level moves within them."""

    chosen: NDArray[np.bool_]
    mean: float
    runs: tuple[tuple[int, int], ...]
    slope_db_s: float
    slope_error_db_s: float
    struck: bool  # rises at once and falls slowly, as a ring does that is struck again and again

    @property
    def seconds(self) -> float:
        return sum(end - start for start, end in self.runs) / CELLS_PER_S

    @property
    def level(self) -> bool:
        """Long enough, and a slope beyond the limit can be ruled out."""
        worst = abs(self.slope_db_s) + 2.0 * self.slope_error_db_s
        return self.seconds >= TOTAL_MIN_S and worst <= MAX_SLOPE_DB_S and not self.struck


class NoiseMeter:
    """Noise floor of one channel: RMS above 20 Hz of its quietest level stretches.

    Digital silence (and any held value) is not looked at: it says something about a gate or an editor,
    nothing about the room. Without any stretch that stays level the floor is None and `at_most_dbfs` says
    below what it lies.

    Source
    ------
    Own choice; the thought of tracking minima and undoing their bias is common in speech enhancement.
    """

    def __init__(self, rate_hz: int) -> None:
        self._above_20 = StatefulFilter(_high_pass(LOWEST_HZ, rate_hz), settled=True)
        self._above_80 = StatefulFilter(_high_pass(QUIET_ABOVE_HZ, rate_hz))
        self._power, self._upper_power, self._equal = CellSums(rate_hz), CellSums(rate_hz), CellSums(rate_hz)
        self._before = np.nan

    def push(self, block: FloatArray) -> None:
        """Take the next (n,) samples."""
        if len(block) == 0:
            return
        filtered = self._above_20(block)
        upper = self._above_80(filtered)
        self._power.push(np.square(filtered, out=filtered))
        self._upper_power.push(np.square(upper, out=upper))
        equal = np.empty(len(block), dtype=np.float64)
        equal[0] = block[0] == self._before
        np.equal(block[1:], block[:-1], out=equal[1:])
        self._equal.push(equal)
        self._before = float(block[-1])

    def result(self) -> NoiseResult:
        """The floor; call after the last block."""
        return floor_of(self._power.means(), self._upper_power.means(), self._equal.means() >= DIGITAL_SHARE)


def _high_pass(corner_hz: float, rate_hz: int) -> NDArray[np.float64]:
    return np.asarray(signal.butter(2, corner_hz, "highpass", fs=rate_hz, output="sos"))


def floor_of(full_power: NDArray[np.float64], power: NDArray[np.float64], digital: NDArray[np.bool_]) -> NoiseResult:
    """Noise floor from cells.

    Parameters
    ----------
    full_power : (n_cells,) mean square per 10 ms, above 20 Hz: what the floor is the level of
    power : (n_cells,) the same above 80 Hz: what decides where it is quiet
    digital : (n_cells,) True where the cell is digital silence or a held value
    """
    usable = ~_widened(digital, GUARD_CELLS)
    usable[:GUARD_CELLS] = usable[len(usable) - GUARD_CELLS :] = False
    windows = sliding_mean(power, WINDOW_CELLS)
    left = sliding_mean(usable.astype(np.float64), WINDOW_CELLS) > 1.0 - 0.5 / WINDOW_CELLS
    digital_s = np.count_nonzero(digital) / CELLS_PER_S
    if np.count_nonzero(left) < TOTAL_MIN_S * CELLS_PER_S:
        return _unknown(EMPTIED if digital_s > 0.0 else SHORT_FOR_FLOOR)
    edge = int(min(EDGE_S * CELLS_PER_S, EDGE_SHARE * len(power)))
    near_edge = _widened(~usable, edge)[: len(left)]
    stray = 0
    found = _lowest_cluster(power, windows, left)
    bound = found.mean
    while not found.level:
        stray += int(np.count_nonzero(found.chosen & ~near_edge))
        left = left & ~found.chosen
        if stray > STRAY_S * CELLS_PER_S or np.count_nonzero(left) < TOTAL_MIN_S * CELLS_PER_S:
            return _hidden(bound, digital_s)
        found = _lowest_cluster(power, windows, left)
    cells = np.concatenate([full_power[start:end] for start, end in found.runs])
    return NoiseResult(
        noise_floor_dbfs=power_to_db(float(cells.mean())),
        quiet_runs=tuple((start / CELLS_PER_S, end / CELLS_PER_S) for start, end in found.runs),
    )


def noise_bands(band_power: FloatArray, low_s: float, high_s: float, rate_hz: int) -> tuple[NoiseBand, ...]:
    """Octave bands of the noise.

    Parameters
    ----------
    band_power : (n_bands,) mean power per band of bands.py over the quiet stretches, NaN where unknown
    low_s, high_s : seconds of quiet that the bands below and above 355 Hz were taken from

    A band is left out if its power is unknown, if it reaches beyond half the rate, or if the quiet is too
    short for a band so narrow (a narrow band fluctuates slowly: at 31.5 Hz half a second is the least).

    Source
    ------
    IEC 61260-1 octave bands, base ten. Spread of a mean power: 1/sqrt(bandwidth * time), common knowledge.
    """
    edges = octave_edges_hz()
    bands = []
    for k in range(len(band_power) // BANDS_PER_OCTAVE):
        low_hz, high_hz = float(edges[k]), float(edges[k + 1])
        first = k * BANDS_PER_OCTAVE
        power = float(np.sum(band_power[first : first + BANDS_PER_OCTAVE]))
        seconds = low_s if first < N_LOW_BANDS else high_s
        level = power_to_db(power) if power > 0.0 else None
        if level is not None and (high_hz - low_hz) * seconds >= BAND_MIN_BT and high_hz < 1.02 * rate_hz / 2:
            bands.append(NoiseBand(low_hz=low_hz, high_hz=high_hz, level_dbfs=level))
    return tuple(bands)


def _unknown(reason: str, at_most_dbfs: float | None = None) -> NoiseResult:
    return NoiseResult(
        noise_floor_dbfs=None, quiet_runs=(), at_most_dbfs=at_most_dbfs, unmeasured={"noise_floor_dbfs": reason}
    )


def _hidden(bound: float, digital_s: float) -> NoiseResult:
    """The ring never falls to the floor."""
    at_most = power_to_db(bound)
    if at_most is None or digital_s >= TOTAL_MIN_S:
        return _unknown(EMPTIED, at_most)
    return _unknown(NEVER_QUIET.format(at_most_dbfs=at_most), at_most)


def _lowest_cluster(power: NDArray[np.float64], windows: NDArray[np.float64], left: NDArray[np.bool_]) -> _Cluster:
    """Everything in `left` that the quietest window could be a random sample of."""
    mean = float(windows[left].min())
    spread = MAX_SPREAD
    chosen = left
    for _ in range(50):
        chosen = left & (windows <= mean * (1.0 + SPREAD * spread))
        new_mean = float(windows[chosen].mean())
        spread = min(MAX_SPREAD, _window_spread(power, chosen))
        settled = abs(new_mean - mean) <= 1e-9 * mean
        mean = new_mean
        if settled:
            break
    runs = _runs(chosen)
    slope, error = _slope(power, runs)
    return _Cluster(chosen, mean, runs, slope, error, _struck(power, runs))


def _window_spread(power: NDArray[np.float64], chosen: NDArray[np.bool_]) -> float:
    """Relative standard deviation of a window's power, from that of the cells in it."""
    at = np.flatnonzero(chosen)
    at = at[:: -(-len(at) // _ENOUGH_WINDOWS)]
    inside = power[at[:, None] + np.arange(WINDOW_CELLS)]
    means = inside.mean(axis=1)
    if not np.all(means > 0.0):
        return MAX_SPREAD
    relative = inside.var(axis=1, ddof=1) / means**2
    return float(np.sqrt(relative.mean() / WINDOW_CELLS))


def _runs(chosen: NDArray[np.bool_]) -> tuple[tuple[int, int], ...]:
    """Stretches of cells (start, end) that chosen windows cover, if long enough, their start trimmed."""
    marks = np.zeros(len(chosen) + WINDOW_CELLS, dtype=np.int64)
    marks[:-WINDOW_CELLS] += chosen
    marks[WINDOW_CELLS:] -= chosen
    steps = np.diff((np.cumsum(marks) > 0).astype(np.int8), prepend=0)
    starts, ends = np.flatnonzero(steps == 1), np.flatnonzero(steps == -1)
    long = ends - starts >= RUN_MIN_CELLS
    return tuple(zip((starts[long] + RUN_TRIM_CELLS).tolist(), ends[long].tolist(), strict=True))


def _slope(power: NDArray[np.float64], runs: Sequence[tuple[int, int]]) -> tuple[float, float]:
    """How fast the level moves within the runs, dB/s, and the standard error; one line per run, one common slope."""
    along, products, residual, freedom = 0.0, 0.0, 0.0, -1
    for start, end in runs:
        level = 10.0 * np.log10(np.maximum(power[start:end], 1e-30))
        time = np.arange(end - start) / CELLS_PER_S
        level, time = level - level.mean(), time - time.mean()
        along += float(time @ time)
        products += float(time @ level)
        residual += float(level @ level)
        freedom += end - start - 1
    if freedom < 1:
        return 0.0, np.inf
    slope = products / along
    return slope, float(np.sqrt(max(residual - slope * products, 0.0) / freedom / along))


def _struck(power: NDArray[np.float64], runs: Sequence[tuple[int, int]]) -> bool:
    """Whether steps upwards are larger and rarer than steps downwards: noise is the same played backwards."""
    steps = [np.zeros(0)]
    for start, end in runs:
        if end - start > 2 * STEP_CELLS:
            level = sliding_mean(10.0 * np.log10(np.maximum(power[start:end], 1e-30)), STEP_CELLS)
            steps.append(level[STEP_CELLS:] - level[:-STEP_CELLS])
    step = np.concatenate(steps)
    step -= step.mean() if len(step) else 0.0
    variance = float(step @ step) / max(len(step), 1)
    if variance == 0.0:
        return False
    skew = float(np.sum(step**3)) / len(step) / variance**1.5
    return bool(skew > MAX_SKEW_ERRORS * (6.0 * STEP_CELLS / len(step)) ** 0.5)


def _widened(mask: NDArray[np.bool_], n: int) -> NDArray[np.bool_]:
    """True within n places of a True; the ends of the array count as False."""
    marked = np.concatenate((np.zeros(n), mask, np.zeros(n)))
    total = np.concatenate(([0.0], np.cumsum(marked)))
    return np.asarray(total[2 * n + 1 :] > total[: len(mask)])
