"""Hum: a tone of the mains and its harmonics, in the rests and under the playing.

The low end of a channel is kept at about 2 kHz, cut into long overlapping segments and transformed. Where
the drums are loud a sample says little about a tone that never changes, so each moment counts by the
inverse of its power; what the drums leave is spread over all frequencies, while the mains stand in one
line per harmonic. A drum tuned to 50 or 60 Hz falls silent and is struck at any phase: its line is broad.

Conventions: audio float64, shape (n,), full scale 1.0; a tone's level is its peak amplitude, dBFS.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage, signal

from kitproof.model import FloatArray, Hum, HumLine
from kitproof.reasons import NO_HUM, SHORT_FOR_TWO, SHORTER_THAN, SILENT
from kitproof.units import amplitude_to_db, power_to_db

LOW_RATE_HZ = 2000.0  # of the kept low end, about
PASS_HZ, STOP_HZ = 620.0, 1380.0  # mirrors of each other at half of 2 kHz
MAINS_HZ = (50.0, 60.0)
OFF_HZ = 0.3  # of the fundamental: grids keep within 0.2 Hz (EN 50160: 1 % for 99.5 % of the time, rarely used)
N_HARMONICS = 10
SEGMENT_S = 12.0
SHORTEST_S = 6.0
AROUND_HZ = 6.0  # background of a line
CLEAR_DB = 10.0  # a harmonic over its background
SUM_DB = 19.0  # of all harmonics over 4 dB; 12.3 was the most in 100 channels without hum
FEWEST_LINES = 2
NEAR_HZ = 0.1  # two lines alone must stand as near as this: a tom's modes may be multiples of 60.2 Hz
WEIGHT_S = 0.05
Float64Array = NDArray[np.float64]
Complex128Array = NDArray[np.complex128]


class LowBandMeter:
    """Keeps a channel's low end at about LOW_RATE_HZ, float32: 2 MB for four minutes.

    Source
    ------
    Own choice: an FIR low-pass (Kaiser, 60 dB) worked out as a product of matrices, one row per kept sample.
    """

    def __init__(self, rate_hz: int) -> None:
        self._step = max(1, round(rate_hz / LOW_RATE_HZ))
        self.low_rate_hz = rate_hz / self._step
        taps = _low_pass(rate_hz, self._step)
        self._filters = taps.reshape(-1, self._step)[:, ::-1].T.copy()  # (step, n_parts)
        self._rest: FloatArray = np.zeros(0)
        self._carry = np.zeros(self._filters.shape[1] - 1)
        self._kept: list[NDArray[np.float32]] = []

    def push(self, block: FloatArray) -> None:
        """Take the next (n,) samples."""
        joined = np.concatenate((self._rest, block)) if len(self._rest) else block
        n = len(joined) // self._step
        self._rest = joined[n * self._step :].copy()
        if n == 0:
            return
        parts = joined[: n * self._step].reshape(n, self._step) @ self._filters
        n_parts = parts.shape[1]
        out = np.zeros(n + n_parts - 1)
        for k in range(n_parts):
            out[k : k + n] += parts[:, k]
        m = min(n_parts - 1, len(out))
        out[:m] += self._carry[:m]
        self._carry = out[n:].copy()
        self._kept.append(out[:n].astype(np.float32))

    def result(self) -> NDArray[np.float32]:
        """(n_low,) the low end; call after the last block."""
        return np.concatenate([np.zeros(0, np.float32), *self._kept])


def _low_pass(rate_hz: int, step: int) -> Float64Array:
    if step == 1:
        return np.ones(1)
    n, beta = signal.kaiserord(60.0, (STOP_HZ - PASS_HZ) / (rate_hz / 2.0))
    n = -(-n // step) * step
    return np.asarray(signal.firwin(n, (PASS_HZ + STOP_HZ) / 2.0, window=("kaiser", beta), fs=rate_hz))


@dataclass(frozen=True, slots=True)
class _Spectrum:
    hz: Float64Array
    lines: Complex128Array  # (n_segments, n_hz), amplitude of a tone at its line
    gain: Float64Array  # (n_segments,) weight of each segment: inverse of its background


def find_hum(low: NDArray[np.float32], low_rate_hz: float) -> Hum:
    """Mains tone in a channel's low end.

    low : (n,) as LowBandMeter keeps it; silence has none. None where there is none, with the reason.

    Source
    ------
    Mains 50 and 60 Hz, stable to 0.2 Hz over 10 s: common practice. Own choices: weighting by inverse power;
    at least two harmonics that stand out of the lines around them by CLEAR_DB.
    """
    if len(low) < SHORTEST_S * low_rate_hz:
        return _no_hum(SHORTER_THAN.format(least_s=SHORTEST_S))
    if not low.any():
        return _no_hum(SILENT)
    segments = _segments(low.astype(np.float64), low_rate_hz)
    best = max((_comb(segments, mains) for mains in MAINS_HZ), key=lambda c: c[1])
    hz, total, snr, level = best
    clear = [k for k in range(len(snr)) if snr[k] >= CLEAR_DB]
    doubtful = len(clear) == FEWEST_LINES and min(abs(hz - mains) for mains in MAINS_HZ) > NEAR_HZ
    if len(clear) < FEWEST_LINES or total < SUM_DB or doubtful:
        return _no_hum(NO_HUM)
    lines = tuple(
        HumLine(harmonic=k + 1, level_dbfs=float(amplitude_to_db(level[k]) or -200.0), snr_db=float(snr[k]))
        for k in clear
    )
    spread = _spread(segments, hz, [k + 1 for k in clear])
    power = sum(10.0 ** (line.level_dbfs / 10.0) / 2.0 for line in lines)
    missing = {} if spread is not None else {"spread_hz": SHORT_FOR_TWO}
    return Hum(
        fundamental_hz=hz, spread_hz=spread, lines=lines, level_dbfs=power_to_db(power),
        confidence=round(float(min(0.99, 0.6 + (total - SUM_DB) / 60.0)), 3), unmeasured=missing,
    )  # fmt: skip


def _no_hum(reason: str) -> Hum:
    missing = dict.fromkeys(Hum.NULLABLE, reason)
    return Hum(fundamental_hz=None, spread_hz=None, lines=(), level_dbfs=None, confidence=None, unmeasured=missing)


def _segments(low: Float64Array, rate: float) -> _Spectrum:
    """Weighted long spectra, lines as amplitudes of the tones that stand there."""
    n = min(len(low), round(SEGMENT_S * rate))
    hop = max(1, n // 2)
    starts = np.arange(0, max(1, len(low) - n + 1), hop)
    m = round(WEIGHT_S * rate)
    low = low - low.mean()
    high_pass = signal.butter(2, 35.0, "highpass", fs=rate, output="sos")
    fast = signal.sosfiltfilt(high_pass, low)
    power = ndimage.uniform_filter1d(ndimage.uniform_filter1d(np.square(fast), m), m)
    n_fft = fft.next_fast_len(2 * n, real=True)
    keep = int((N_HARMONICS * 61.0 + AROUND_HZ) / rate * n_fft) + 2
    window = signal.windows.hann(n)
    rows, gains = [], []
    for s in starts:
        p = power[s : s + n]
        floor = float(np.percentile(p, 10)) + 1e-16
        weight = window / (p + floor)
        weight /= weight.sum() / 2.0
        rows.append(fft.rfft(fast[s : s + n] * weight, n_fft)[:keep])
        gains.append(1.0 / (floor + 1e-30))
    hz = np.arange(keep) * rate / n_fft
    # The high-pass above ran forwards and backwards: undo its square where the lines are.
    _, response = signal.sosfreqz(high_pass, np.maximum(hz, 20.0), fs=rate)
    return _Spectrum(hz=hz, lines=np.asarray(rows) / np.abs(response) ** 2, gain=np.asarray(gains))


def _comb(s: _Spectrum, mains: float) -> tuple[float, float, Float64Array, Float64Array]:
    """Best fundamental near `mains`: (Hz, sum of dB over the background, each harmonic's dB, amplitude)."""
    weight = s.gain / s.gain.sum()
    power = weight @ (np.abs(s.lines) ** 2)
    step = s.hz[1]
    candidates = np.arange(mains - OFF_HZ, mains + OFF_HZ + 1e-9, 0.005)
    snr = np.zeros((N_HARMONICS, len(candidates)))
    level = np.zeros_like(snr)
    for k in range(1, N_HARMONICS + 1):
        around = np.abs(s.hz - k * mains)
        ring = power[(around <= AROUND_HZ) & (around > OFF_HZ * k + 4.0 * step)]
        if len(ring) < 8:
            continue
        background = float(np.percentile(ring, 85)) + 1e-30
        here = np.interp(k * candidates, s.hz, power)
        snr[k - 1] = 10.0 * np.log10(here / background + 1e-6)
        level[k - 1] = np.sqrt(here)
    total = np.sum(np.clip(snr - 4.0, 0.0, 25.0), axis=0)
    at = int(np.argmax(total + 1e-3 * snr.max(axis=0)))
    return float(candidates[at]), float(total[at]), snr[:, at], level[:, at]


def _spread(s: _Spectrum, hz: float, harmonics: list[int]) -> float | None:
    """Standard deviation of the fundamental over segments, each from its strongest lines."""
    if len(s.lines) < 2:
        return None
    found = []
    for row in np.abs(s.lines):
        grid = np.arange(hz - 0.15, hz + 0.15, 0.005)
        score = sum(np.interp(k * grid, s.hz, row) for k in harmonics)
        found.append(float(grid[int(np.argmax(score))]))
    return float(np.std(found))
