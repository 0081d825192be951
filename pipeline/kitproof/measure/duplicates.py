"""Duplicates: two channels that carry one signal, under whatever gain, polarity and whole-sample shift.

In the one pass each channel leaves its level in short cells. Channels whose levels run alike are then
compared sample by sample at a few loud places: of one signal nothing remains when the other is taken away;
two mics, however near each other, never cancel.

Conventions: audio float64, shape (n,), full scale 1.0; a shift is positive when b has the signal later.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from kitproof.ingest.audiofile import SpanReader
from kitproof.model import Duplicate, FloatArray
from kitproof.units import amplitude_to_db, power_to_db

CELL = 1024
MOST_SHIFT_CELLS = 4  # 85 ms at 48 kHz
ALIKE = 0.9  # correlation of the levels in dB: coincident mics reach it too, hence the second step
SILENT_PEAK = 1e-4  # nothing over -80 dBFS: silence is not a copy of silence
RESIDUAL_DB = -60.0
N_SPANS = 4
SPAN = 16384
Float64Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Print:
    """Level of a channel in cells of CELL samples."""

    rate_hz: int
    power: NDArray[np.float32]  # (n_cells,) mean square


class PrintMeter:
    """Leaves the fingerprint of one channel: mean square per CELL samples; the last, shorter cell is left out.

    Source
    ------
    Own choice.
    """

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._rest: FloatArray = np.zeros(0)
        self._power: list[Float64Array] = []

    def push(self, block: FloatArray) -> None:
        """Take the next (n,) samples."""
        joined = np.concatenate((self._rest, block)) if len(self._rest) else block
        n = len(joined) // CELL
        cells = joined[: n * CELL].reshape(n, CELL)
        self._power.append(np.einsum("ij,ij->i", cells, cells) / CELL)
        self._rest = joined[n * CELL :].copy()

    def result(self) -> Print:
        """The fingerprint; call after the last block."""
        return Print(rate_hz=self._rate_hz, power=np.concatenate([np.zeros(0), *self._power]).astype(np.float32))


def alike(prints: Mapping[str, Print]) -> list[tuple[str, str]]:
    """Pairs of channels of one rate whose levels run alike, shifted by up to MOST_SHIFT_CELLS."""
    courses = {}
    for file, p in prints.items():
        if len(p.power) > 4 * MOST_SHIFT_CELLS and float(p.power.max()) > SILENT_PEAK**2:
            level = 10.0 * np.log10(p.power.astype(np.float64) + 1e-12)
            courses[file] = np.maximum(level, level.max() - 50.0)
    return [
        (a, b)
        for a, b in combinations(courses, 2)
        if prints[a].rate_hz == prints[b].rate_hz and _likeness(courses[a], courses[b]) >= ALIKE
    ]


def _likeness(a: Float64Array, b: Float64Array) -> float:
    n = min(len(a), len(b)) - MOST_SHIFT_CELLS
    best = 0.0
    for shift in range(MOST_SHIFT_CELLS + 1):
        for x, y in ((a[shift : shift + n], b[:n]), (a[:n], b[shift : shift + n])):
            x, y = x - x.mean(), y - y.mean()
            size = float(np.sqrt((x @ x) * (y @ y)))
            best = max(best, float(x @ y) / size if size > 0.0 else 0.0)
    return best


def confirm(a: tuple[Path, int, str], b: tuple[Path, int, str], power: NDArray[np.float32]) -> Duplicate | None:
    """Whether two channels, each (path, index in file, file), are one signal; `power` is a's fingerprint.

    Raises
    ------
    StemError : a file cannot be read
    """
    starts = _loud_places(power)
    with SpanReader(a[0]) as first, SpanReader(b[0]) as second:
        spans = [(first.read(s, SPAN)[:, a[1]], second.read(s, SPAN)[:, b[1]]) for s in starts]
    return compare(a[2], b[2], spans)


def compare(a: str, b: str, spans: list[tuple[FloatArray, FloatArray]]) -> Duplicate | None:
    """Best shift and gain from the first span, what remains from all of them; None if it is more than RESIDUAL_DB.

    spans : (n,) samples of a and of b at the same places, loudest first
    """
    if not spans or not np.any(spans[0][0]) or not np.any(spans[0][1]):
        return None
    shift = _shift(*spans[0])
    pairs = [_overlap(x, y, shift) for x, y in spans]
    x, y = (np.concatenate(parts) for parts in zip(*pairs, strict=True))
    own, cross = float(x @ x), float(x @ y)
    whole = float(y @ y)
    if own == 0.0 or whole == 0.0 or cross == 0.0:
        return None
    gain = cross / own
    rest = y - gain * x
    residual = power_to_db(max(float(rest @ rest) / whole, 1e-16))
    if residual is None or residual > RESIDUAL_DB:
        return None
    return Duplicate(
        a=a, b=b, shift_samples=shift, gain_db=float(amplitude_to_db(abs(gain)) or 0.0), inverted=gain < 0.0,
        residual_db=residual,
    )  # fmt: skip


def _loud_places(power: NDArray[np.float32]) -> list[int]:
    """First samples of the loudest stretches, one from each quarter of the file, loudest first."""
    parts = np.array_split(np.arange(len(power)), N_SPANS)
    loudest = [int(p[np.argmax(power[p])]) for p in parts if len(p)]
    loudest.sort(key=lambda k: -float(power[k]))
    return [max(0, k * CELL - SPAN // 4) for k in loudest]


def _shift(x: FloatArray, y: FloatArray) -> int:
    n = fft.next_fast_len(len(x) + len(y), real=True)
    course = fft.irfft(np.conj(fft.rfft(x, n)) * fft.rfft(y, n), n)
    k = int(np.argmax(np.abs(course)))
    return k if k < n // 2 else k - n


def _overlap(x: FloatArray, y: FloatArray, shift: int) -> tuple[FloatArray, FloatArray]:
    return (x[: len(x) - shift], y[shift:]) if shift >= 0 else (x[-shift:], y[: len(y) + shift])
