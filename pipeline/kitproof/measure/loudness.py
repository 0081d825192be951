"""Loudness of a channel: integrated, loudest 400 ms, loudest 3 s, loudness range.

Conventions: power per cell of 10 ms (see cells.py), K-weighted; loudness in LUFS, ranges in LU.
A stem is measured as what it is, one channel of weight 1: the same signal in left and right would
read 3.01 LU higher. For a sparse stem the loudest 3 s say more than the gated whole.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from pyloudnorm.iirfilter import IIRfilter

from kitproof.measure.cells import CELLS_PER_S, CellSums, StatefulFilter, sliding_mean
from kitproof.model import FloatArray
from kitproof.reasons import NEVER_LOUD, SHORTER_THAN, SILENT

OFFSET_DB = -0.691  # makes a 997 Hz sine come out at its level
SURROUND_WEIGHT = 1.41
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
RANGE_GATE_LU = -20.0
RANGE_PERCENTILES = (10.0, 95.0)
MOMENTARY_CELLS = 40
SHORT_TERM_CELLS = 300
HOP_CELLS = 10  # between gating blocks, and between short-term values of the range
RANGE_MIN_S = 10.0  # percentiles of a few overlapping 3 s windows would be chance


@dataclass(frozen=True, slots=True, kw_only=True)
class LoudnessResult:
    """Loudness of one programme, names as in model.ChannelMeasures; each None has its reason."""

    integrated_lufs: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None
    loudness_range_lu: float | None
    unmeasured: Mapping[str, str] = field(default_factory=dict)


def k_weighting(rate_hz: int) -> NDArray[np.float64]:
    """(2, 6) second-order sections of the K weighting at this rate.

    Source
    ------
    ITU-R BS.1770-5 Annex 1, Tables 1 and 2; other rates from the analogue prototype behind them. Of the
    designs in pyloudnorm the class "DeMan" reproduces the tables; its default is 0.04 dB low above 100 Hz.
    """
    shelf = IIRfilter(3.999843853973347, 0.7071752369554196, 1681.974450955533, rate_hz, "high_shelf_DeMan")
    high_pass = IIRfilter(0.0, 0.5003270373238773, 38.13547087602444, rate_hz, "high_pass_DeMan")
    return np.array([np.concatenate((stage.b, stage.a)) for stage in (shelf, high_pass)])


class LoudnessMeter:
    """Loudness of one channel, as a mono programme.

    Silence, and anything that never rises above -70 LUFS, has no integrated loudness and no range.

    Source
    ------
    ITU-R BS.1770-5 Annex 1; EBU Tech 3341 (momentary, short-term), EBU Tech 3342 (range).
    """

    def __init__(self, rate_hz: int) -> None:
        self._filter = StatefulFilter(k_weighting(rate_hz))
        self._cells = CellSums(rate_hz)

    def push(self, block: FloatArray) -> None:
        """Take the next (n,) samples."""
        weighted = self._filter(block)
        self._cells.push(np.square(weighted, out=weighted))

    def energies(self) -> NDArray[np.float64]:
        """(n_cells,) K-weighted mean square per 10 ms, for loudness_of."""
        return self._cells.means()

    def result(self) -> LoudnessResult:
        """All figures; call after the last block."""
        return loudness_of(self.energies()[None, :], (1.0,))


def loudness_of(energies: NDArray[np.float64], weights: Sequence[float]) -> LoudnessResult:
    """Loudness of a programme of several channels from their cells.

    Parameters
    ----------
    energies : (n_channels, n_cells) K-weighted mean square per 10 ms
    weights : n_channels values: 1.0 for left, right, centre or a lone channel, SURROUND_WEIGHT behind

    Source
    ------
    ITU-R BS.1770-5 Annex 1 (weights, 400 ms blocks every 100 ms, both gates; an incomplete last block is
    dropped); EBU Tech 3341 sec. 2 (400 ms and 3 s); EBU Tech 3342 sec. 3 (3 s every 100 ms, gates -70 LUFS
    and -20 LU, 10th to 95th percentile). Own choices: (1) the loudest 400 ms and 3 s are looked for every
    10 ms, finer than the 100 ms asked for; (2) no range below 10 s.
    """
    cells = np.asarray(weights, dtype=np.float64) @ energies
    momentary, short_term = sliding_mean(cells, MOMENTARY_CELLS), sliding_mean(cells, SHORT_TERM_CELLS)
    values = {
        "integrated_lufs": _integrated(momentary[::HOP_CELLS]),
        "max_momentary_lufs": _loudest(momentary),
        "max_short_term_lufs": _loudest(short_term),
        "loudness_range_lu": _range(short_term[::HOP_CELLS]) if len(cells) >= RANGE_MIN_S * CELLS_PER_S else None,
    }
    shortest = {"max_short_term_lufs": 3.0, "loudness_range_lu": RANGE_MIN_S}
    missing = {}
    for name in (name for name, value in values.items() if value is None):
        at_least = shortest.get(name, 0.4)
        if len(cells) < at_least * CELLS_PER_S:
            missing[name] = SHORTER_THAN.format(least_s=at_least)
        else:
            missing[name] = SILENT if name.startswith("max") else NEVER_LOUD.format(least_lufs=ABSOLUTE_GATE_LUFS)
    return LoudnessResult(**values, unmeasured=missing)


def lufs(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Loudness of weighted mean squares; minus infinity for none."""
    with np.errstate(divide="ignore"):
        return np.asarray(OFFSET_DB + 10.0 * np.log10(power))


def _loudest(power: NDArray[np.float64]) -> float | None:
    if len(power) == 0 or power.max() <= 0.0:
        return None
    return float(lufs(power.max()))


def _integrated(blocks: NDArray[np.float64]) -> float | None:
    loud = blocks[lufs(blocks) > ABSOLUTE_GATE_LUFS]
    if len(loud) == 0:
        return None
    loud = loud[lufs(loud) > lufs(loud.mean()) + RELATIVE_GATE_LU]
    return float(lufs(loud.mean()))


def _range(windows: NDArray[np.float64]) -> float | None:
    loud = windows[lufs(windows) >= ABSOLUTE_GATE_LUFS]
    if len(loud) == 0:
        return None
    levels = lufs(loud)
    low, high = np.percentile(levels[levels >= lufs(loud.mean()) + RANGE_GATE_LU], RANGE_PERCENTILES)
    return float(high - low)
