"""What the search for hits needs of a channel, gathered in the one pass over its samples.

Conventions: audio float64, shape (n,), full scale 1.0. A frame is about 1 ms; frame i is centred at
i * hop / rate. An edge bin is about 0.25 ms; bin i starts at i * bin / rate. Levels are in dB re 1.0 and
kept in half precision (steps of 0.06 dB at -100 dB), so that a long take stays small.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from kitproof.errors import StageInputError
from kitproof.model import FloatArray

FRAME_S = 0.001  # hits of a press roll are 15 ms apart, a drum's attack takes 1 to 5 ms
WINDOW_S = 0.004  # long enough to part low from high, short enough not to smear an attack
MID_HZ = (300.0, 2000.0)  # where the attack of a shell is quick and hats and wires are weak
EDGE_S = 0.00025  # 9 cm of sound: fine enough to see which mic hears a drum first
# Octaves, with the lowest three together: a window of 4 ms cannot part them.
BAND_EDGES_HZ = (0.0, 120.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
N_BANDS = len(BAND_EDGES_HZ) - 1
BATCH = 96  # frames at a time: they stay in the cache, and the product stays on one core
FLOOR_POWER = 1e-13  # -130 dB: below any converter's noise


@dataclass(frozen=True, slots=True, kw_only=True)
class OnsetTrack:
    """Level of one channel over time, in bands, and its sharpest edge over time."""

    band_db: NDArray[np.float16]  # (n_frames, N_BANDS) mean square per band
    edge_db: NDArray[np.float16]  # (n_bins,) largest step between neighbouring samples
    mid_db: NDArray[np.float16]  # (n_bins,) largest amplitude between 300 Hz and 2 kHz
    frames_per_s: float
    edges_per_s: float

    def band_power(self) -> NDArray[np.float32]:
        """(n_frames, N_BANDS) mean square per band, at least FLOOR_POWER."""
        power: NDArray[np.float32] = np.take(_POWER_OF_HALF, self.band_db.view(np.uint16))
        return power

    def mean_power(self, time_s: NDArray[np.float64], span_s: tuple[float, float], bands: slice) -> NDArray[np.float64]:
        """(n, n_bands) mean of the band powers over a span around each time; the ends of the track are repeated."""
        per_s = self.frames_per_s
        offsets = np.arange(round(span_s[0] * per_s), round(span_s[1] * per_s))
        index = np.clip(np.round(time_s * per_s).astype(int)[:, None] + offsets, 0, len(self.band_db) - 1)
        return np.asarray((10.0 ** (self.band_db[index, bands].astype(np.float64) / 10.0)).mean(axis=1))


def _power_table() -> NDArray[np.float32]:
    """The power of every half-precision level by its bit pattern: a look-up is ten times quicker than 10 ** x."""
    db = np.arange(1 << 16, dtype=np.uint16).view(np.float16).astype(np.float64)
    db = np.where(np.isfinite(db), np.clip(db, -300.0, 300.0), -300.0)
    return np.asarray(10.0 ** (db / 10.0), dtype=np.float32)


_POWER_OF_HALF: NDArray[np.float32] = _power_table()


class OnsetMeter:
    """Band levels per millisecond and edges per quarter of a millisecond, block by block.

    Source
    ------
    Own choice. Energy per band catches a ghost note under a cymbal; the largest step between neighbouring
    samples is a plain high-pass that marks the first direct sound better than energy does, which on a
    large drum goes on rising for 10 ms.
    """

    def __init__(self, rate_hz: int) -> None:
        if rate_hz < 8000:
            raise StageInputError(f"cannot look for hits at {rate_hz} Hz; 8000 Hz are needed at least")
        self._rate_hz = rate_hz
        self._hop = round(rate_hz * FRAME_S)
        self._half_edge = max(1, int(rate_hz * EDGE_S / 2.0 + 1e-6))
        n = round(rate_hz * WINDOW_S)
        self._window = np.hanning(n + 1)[1:].astype(np.float32)
        # Bins at most 190 Hz apart put one in each of the lowest bands; powers of two are quickest.
        self._n_fft = 1 << math.ceil(math.log2(max(n, rate_hz / 190.0)))
        hz = np.repeat(np.fft.rfftfreq(self._n_fft, 1.0 / rate_hz), 2)  # real and imaginary part of each bin
        edges = np.array(BAND_EDGES_HZ)
        bands = (hz[:, None] >= edges[:-1]) & (hz[:, None] < edges[1:])
        scale = 2.0 / (self._n_fft * float(np.sum(self._window**2)))
        self._bands = (bands * scale).astype(np.float32)
        self._frames = np.zeros((BATCH, self._n_fft), np.float32)
        self._held = np.zeros(n // 2, np.float32)  # so that frame 0 is centred on the first sample
        self._edge_held = np.zeros(0, np.float32)
        self._last = np.float32(0.0)
        self._mid = _mid_filter(rate_hz / self._half_edge)
        self._mid_state = np.zeros((len(self._mid), 2), np.float32)
        self._mid_db: list[NDArray[np.float16]] = []
        self._band_db: list[NDArray[np.float16]] = []
        self._edge_db: list[NDArray[np.float16]] = []

    def push(self, block: FloatArray) -> None:
        """Take the next (n,) samples."""
        samples = block.astype(np.float32)
        if len(samples):
            self._push_bands(samples)
            self._push_edges(samples)

    def _push_bands(self, samples: NDArray[np.float32]) -> None:
        held = np.concatenate((self._held, samples))
        n = len(self._window)
        n_frames = (len(held) - n) // self._hop + 1
        if n_frames > 0:
            frames = np.lib.stride_tricks.sliding_window_view(held, n)[:: self._hop][:n_frames]
            power = np.empty((n_frames, N_BANDS), np.float32)
            for first in range(0, n_frames, BATCH):
                some = frames[first : first + BATCH]
                np.multiply(some, self._window, out=self._frames[: len(some), :n])
                parts = fft.rfft(self._frames[: len(some)], axis=1).view(np.float32)
                power[first : first + BATCH] = np.square(parts, out=parts) @ self._bands
            self._band_db.append(_to_db(power))
            held = held[n_frames * self._hop :].copy()
        self._held = held

    def _push_edges(self, samples: NDArray[np.float32]) -> None:
        held = np.concatenate((self._edge_held, samples))
        n_halves = len(held) // (2 * self._half_edge) * 2
        used = n_halves * self._half_edge
        if n_halves:
            whole = held[:used]
            steps = np.empty_like(whole)
            steps[0] = whole[0] - self._last
            np.subtract(whole[1:], whole[:-1], out=steps[1:])
            self._last = whole[-1]
            self._edge_db.append(_peaks_db(np.abs(steps, out=steps), 2 * self._half_edge))
            means = _by_column(whole, self._half_edge, np.add) / np.float32(self._half_edge)
            middle, self._mid_state = signal.sosfilt(self._mid, means, zi=self._mid_state)
            self._mid_db.append(_peaks_db(np.abs(middle), 2))
        self._edge_held = held[used:].copy()

    def result(self) -> OnsetTrack:
        """The tracks of all samples so far; call once, at the end."""
        self._push_bands(np.zeros(len(self._window), np.float32))
        none: NDArray[Any] = np.zeros((0, N_BANDS), np.float16)
        return OnsetTrack(
            band_db=np.concatenate(self._band_db) if self._band_db else none,
            edge_db=np.concatenate(self._edge_db) if self._edge_db else none[:, 0],
            mid_db=np.concatenate(self._mid_db) if self._mid_db else none[:, 0],
            frames_per_s=self._rate_hz / self._hop,
            edges_per_s=self._rate_hz / (2 * self._half_edge),
        )


def _mid_filter(rate_hz: float) -> NDArray[np.float32]:
    """Band-pass for samples that are means over half an edge bin, by themselves a low-pass."""
    return np.asarray(signal.butter(1, MID_HZ, "bandpass", fs=rate_hz, output="sos").astype(np.float32))


def _by_column(values: NDArray[np.float32], width: int, combine: np.ufunc) -> NDArray[np.float32]:
    """(n / width,) each run of `width` values combined; column by column, far quicker than along short rows."""
    columns = values.reshape(-1, width).T
    out: NDArray[np.float32] = columns[0].copy()
    for column in columns[1:]:
        combine(out, column, out=out)
    return out


def _peaks_db(values: NDArray[np.float32], width: int) -> NDArray[np.float16]:
    peaks = _by_column(values, width, np.maximum)
    return _to_db(peaks * peaks)


def _to_db(power: NDArray[np.float32]) -> NDArray[np.float16]:
    return (10.0 * np.log10(np.maximum(power, np.float32(FLOOR_POWER)))).astype(np.float16)
