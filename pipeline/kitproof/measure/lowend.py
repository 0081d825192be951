"""The low end in mono: which mics add below 150 Hz and which cancel, and how much of it lies in the sides.

A cutter wants the lows of a pair alike in both sides, and a phone plays the sum of both. What counts is how
alike two mics are there, at no lag, over the whole take.

Conventions: low ends as the pass keeps them (about 2 kHz), float32 (n,), full scale 1.0.

Source
------
Lows of a record in mono below about 150 Hz: guidance of cutting houses, 75 to 300 Hz quoted; no standard
sets it. The sum of two equal parts of correlation r has 1 + r of their energy together: arithmetic.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from kitproof.model import Channel, LowEndPair
from kitproof.reasons import NOT_A_PAIR
from kitproof.roles import PAIRS

MONO_BELOW_HZ = 150.0
QUIET_DB = -20.0  # a mic this far under the median mic down there takes no part
Float64Array = NDArray[np.float64]


def measure_low_end(
    channels: Sequence[Channel], low: Mapping[str, NDArray[np.float32]], low_rate_hz: float
) -> tuple[LowEndPair, ...]:
    """Every two mics of the kit that have a low end: how alike, what the sum gains or loses, side over middle.

    channels : the kit's mics; low : file -> (n,) low end at low_rate_hz, lengths may differ by a little.
    Silent and much quieter mics are left out. Empty for fewer than two mics.
    """
    files = [c.file for c in channels if c.file in low and low[c.file].any()]
    if len(files) < 2:
        return ()
    n = min(len(low[f]) for f in files)
    if n < low_rate_hz:
        return ()
    sos = signal.butter(4, MONO_BELOW_HZ, fs=low_rate_hz, output="sos")
    lows = np.stack([signal.sosfilt(sos, low[f][:n].astype(np.float64)) for f in files])
    gram = lows @ lows.T
    power_db = 10.0 * np.log10(np.diag(gram) + 1e-30)
    loud = power_db > np.median(power_db) + QUIET_DB
    sides = _spaced_pairs(channels)
    return tuple(
        _pair(files[i], files[j], gram[i, i], gram[j, j], gram[i, j], (files[i], files[j]) in sides)
        for i in range(len(files))
        for j in range(i + 1, len(files))
        if loud[i] and loud[j]
    )


def _spaced_pairs(channels: Sequence[Channel]) -> set[tuple[str, str]]:
    by_role = {c.role: c.file for c in channels}
    found = [(by_role[a], by_role[b]) for a, b in PAIRS if a in by_role and b in by_role]
    return {pair for a, b in found for pair in ((a, b), (b, a))}


def _pair(a: str, b: str, aa: float, bb: float, ab: float, spaced: bool) -> LowEndPair:
    alike = float(ab / np.sqrt(aa * bb))
    middle, side = aa + bb + 2.0 * ab, aa + bb - 2.0 * ab
    return LowEndPair(
        a=a, b=b, below_hz=MONO_BELOW_HZ, correlation=alike,
        mono_db=float(10.0 * np.log10(max(1.0 + alike, 1e-6))),
        side_db=float(10.0 * np.log10(max(side, 1e-30) / max(middle, 1e-30))) if spaced else None,
        unmeasured={} if spaced else {"side_db": NOT_A_PAIR},
    )  # fmt: skip
