"""Steady tones over 300 Hz: the whine of a supply or a computer, the buzz of a dimmer.

What drums and cymbals sound changes from moment to moment; a machine's tone stands at one pitch and one level from the
start of the take to its end. Excerpts are taken all over the take, more where it is quiet, and a line counts only if
it has the same level in all excerpts in which it could be heard at all, whatever is played.

Many lines at multiples of the mains are a buzz; the hum meter looks at the first ten only.

Conventions: audio float64, shape (n,), full scale 1.0; a tone's level is its peak amplitude, dBFS.

Source
------
Mains 50 and 60 Hz: IEC 60038; within 1 %: EN 50160, in practice 0.2 %. Own choices: the excerpts and the limits.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from kitproof.measure.views import ChannelView
from kitproof.observed.interference import SteadyLine, SteadyLines
from kitproof.reasons import NO_HIGH_MAINS, SILENT_OR_SHORT
from kitproof.units import power_to_db

EXCERPT_S = 0.3  # at least; the next power of two of samples
N_EXCERPTS, MOST_QUIET = 36, 24
FEWEST_EXCERPTS = 6
LOWEST_HZ, HIGHEST_HZ = 300.0, 20000.0
BLOCK_BINS = 24  # of the floor around a line
CLEAR_DB = 15.0  # a line over those around it where it is quietest; 13 and 15 once in 467 channels without a tone
HEARD_DB = 8.0  # and in an excerpt in which it could be heard
STEADY_DB = 1.5  # standard deviation of its level over such excerpts
SPREAD_SHARE = 0.4  # of the take that the excerpts in which it is heard must span
MAINS_HZ, OFF_SHARE = (50.0, 60.0), 0.004
BUZZ_HZ = (1000.0, 8000.0)
FEWEST_BUZZ = 8
MOST_LINES = 20
FURTHEST_BINS = 0.75  # of a line from the highest bin: half, and what noise adds
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Spectra:
    hz: Floats
    power: Floats  # (n_excerpts, n_bins) of a sine: its amplitude squared
    floor: Floats  # (n_excerpts, n_bins) the usual bin around it
    time_s: Floats  # (n_excerpts,)


def find_steady_lines(view: ChannelView) -> Iterator[SteadyLines]:
    """The steady tones of one channel; none without the reason if the channel is too short or silent."""
    n = 1 << int(np.ceil(np.log2(EXCERPT_S * view.rate_hz)))
    starts = excerpt_starts(view.n_frames, n, view.rate_hz, view.brief.quiet_runs)
    pieces = [view.read(int(s), n) for s in starts]
    yield steady_lines(view.file, pieces, starts / view.rate_hz, view.rate_hz, view.n_frames / view.rate_hz)


def excerpt_starts(n_frames: int, n: int, rate_hz: int, quiet: tuple[tuple[float, float], ...]) -> NDArray[np.int64]:
    """First frames of the excerpts, in order: all over the take, and in the quiet runs."""
    last = n_frames - n
    if last < 0:
        return np.zeros(0, np.int64)
    all_over = np.linspace(0, last, N_EXCERPTS).round().astype(np.int64)
    in_quiet = [
        s for a, b in quiet for s in range(int(a * rate_hz), min(int(b * rate_hz) - n, last) + 1, n // 2)
    ]  # fmt: skip
    chosen = np.asarray(in_quiet, np.int64)
    if len(chosen) > MOST_QUIET:
        chosen = chosen[np.linspace(0, len(chosen) - 1, MOST_QUIET).round().astype(int)]
    return np.unique(np.concatenate((all_over, chosen)))


def steady_lines(file: str, pieces: list[Floats], time_s: Floats, rate_hz: int, duration_s: float) -> SteadyLines:
    """Steady tones in excerpts of one channel.

    pieces : each (n,), all of one length; time_s : (n_pieces,) their starts; duration_s : of the file
    """
    sounding = [i for i, p in enumerate(pieces) if np.any(p != p[0])]
    if len(sounding) < FEWEST_EXCERPTS:
        return _nothing(file, (), SILENT_OR_SHORT)
    s = _spectra([pieces[i] for i in sounding], time_s[sounding], rate_hz)
    bins = _steady_bins(s, duration_s)
    mains, on_mains = _mains(s, bins)
    lines = tuple(_line(s, k) for k in bins if not on_mains(k))
    lines = tuple(sorted(lines, key=lambda line: -line.level_dbfs)[:MOST_LINES])
    if mains is None:
        return _nothing(file, lines, NO_HIGH_MAINS)
    own = [k for k in bins if on_mains(k)]
    power = sum(10.0 ** (_line(s, k).level_dbfs / 10.0) / 2.0 for k in own)
    return SteadyLines(
        file=file, lines=lines, buzz_hz=mains, buzz_reach_hz=float(s.hz[own[-1]]), buzz_dbfs=power_to_db(power),
        n_buzz=len(own),
    )  # fmt: skip


def _nothing(file: str, lines: tuple[SteadyLine, ...], reason: str) -> SteadyLines:
    return SteadyLines(
        file=file, lines=lines, buzz_hz=None, buzz_reach_hz=None, buzz_dbfs=None, n_buzz=0,
        unmeasured=dict.fromkeys(SteadyLines.NULLABLE, reason),
    )  # fmt: skip


def _spectra(pieces: list[Floats], time_s: Floats, rate_hz: int) -> _Spectra:
    n = len(pieces[0])
    # Four terms: a loud stroke elsewhere in the excerpt must not reach over to a line 90 dB below it.
    window = signal.windows.blackmanharris(n, sym=False)
    top = min(HIGHEST_HZ, 0.49 * rate_hz)
    first, last = int(LOWEST_HZ / rate_hz * n), int(top / rate_hz * n)
    first, last = first // BLOCK_BINS * BLOCK_BINS, last // BLOCK_BINS * BLOCK_BINS
    scale = 2.0 / window.sum()
    rows = [np.abs(fft.rfft((p - p.mean()) * window)[first:last] * scale) ** 2 for p in pieces]
    power = np.asarray(rows) + 1e-30
    blocks = np.median(power.reshape(len(power), -1, BLOCK_BINS), axis=2)
    # The highest of a block and its neighbours would take a line for its own floor; the median of three does not.
    padded = np.pad(blocks, ((0, 0), (1, 1)), mode="edge")
    floor = np.median([padded[:, :-2], padded[:, 1:-1], padded[:, 2:]], axis=0)
    hz = np.arange(first, last) * rate_hz / n
    return _Spectra(hz=hz, power=power, floor=np.repeat(floor, BLOCK_BINS, axis=1), time_s=time_s)


def _steady_bins(s: _Spectra, duration_s: float) -> list[int]:
    """Bins at which a line has the same level wherever it could be heard."""
    weight = 1.0 / s.floor
    mean = np.sum(s.power * weight, axis=0) / np.sum(weight, axis=0)
    usual = len(s.power) / np.sum(weight, axis=0)
    inner = mean[1:-1]
    peak = (inner >= mean[:-2]) & (inner >= mean[2:]) & (inner > 10.0 ** (CLEAR_DB / 10.0) * usual[1:-1])
    return [int(k) for k in np.flatnonzero(peak) + 1 if _is_steady(s, int(k), duration_s)]


def _is_steady(s: _Spectra, k: int, duration_s: float) -> bool:
    line = _line(s, k)
    if line.over_db < CLEAR_DB:
        return False  # one loud moment made the mean
    level = float(10.0 ** (line.level_dbfs / 10.0))
    audible = s.floor[:, k] * 10.0 ** (HEARD_DB / 10.0) < level
    if np.count_nonzero(audible) < FEWEST_EXCERPTS:
        return False
    if np.ptp(s.time_s[audible]) < SPREAD_SHARE * duration_s:
        return False
    # A line between two bins moves from one to the other; the Blackman-Harris main lobe is four bins wide.
    here = s.power[audible, max(0, k - 1) : k + 2].max(axis=1)
    db = 10.0 * np.log10(here)
    error = 8.7 * np.sqrt(s.floor[audible, k] / level)  # what the rest adds to it, 1 standard deviation
    off = (db - np.median(db)) / np.hypot(STEADY_DB, error)
    return bool(np.mean(np.abs(off) < 2.0) >= 0.9)


def _mains(s: _Spectra, bins: list[int]) -> tuple[float | None, Callable[[int], bool]]:
    """The mains frequency on whose multiples many lines stand up into the kHz, and whether a bin is one of them."""
    hz = np.array([_line(s, k).hz for k in bins])
    width = s.hz[1] - s.hz[0]
    best: tuple[int, float] = (0, 0.0)
    for mains in MAINS_HZ:
        for f in np.arange(mains * (1.0 - OFF_SHARE), mains * (1.0 + OFF_SHARE), 0.005):
            n_on, reach = _on_comb(hz, float(f), width)
            if n_on > best[0] and reach >= BUZZ_HZ[0]:
                best = (n_on, float(f))
    if best[0] < FEWEST_BUZZ:
        return None, lambda k: False
    fine = hz[_off(hz, best[1]) < 0.5 * width]
    exact = float(np.sum(fine) / np.sum(np.round(fine / best[1])))  # the highest multiples tell most
    on = {k for k, at in zip(bins, hz.tolist(), strict=True) if _off(at, best[1]) < 0.5 * width}
    return exact, lambda k: k in on


def _off(hz: Floats | float, mains: float) -> Any:
    return np.abs(hz - np.round(np.asarray(hz) / mains) * mains)


def _on_comb(hz: Floats, mains: float, width: float) -> tuple[int, float]:
    """How many lines stand on multiples of `mains`, and how high, if far more than chance puts there."""
    low = hz[hz <= BUZZ_HZ[1]]
    on = low[_off(low, mains) < 0.5 * width]
    if len(on) < FEWEST_BUZZ:
        return 0, 0.0
    # Every second multiple of a full-wave rectifier is missing; a few lines of another machine lie anywhere.
    possible = len(np.unique(np.round(on / mains)))
    between = np.count_nonzero(_off(low, mains) >= 2.0 * width)
    return (possible, float(on.max())) if possible > 2 * between else (0, 0.0)


def _line(s: _Spectra, k: int) -> SteadyLine:
    """Its exact pitch from three bins, its level from the excerpts in which least else sounds."""
    quiet = np.argsort(s.floor[:, k])[: max(3, len(s.power) // 4)]
    a, b, c = (np.log(s.power[quiet, k + i].mean()) for i in (-1, 0, 1))
    shift = 0.5 * (a - c) / (a - 2.0 * b + c) if a + c < 2.0 * b else 0.0
    if abs(shift) > FURTHEST_BINS:  # where least else sounds, bin k is on a slope and not on a line
        return SteadyLine(hz=float(s.hz[k]), level_dbfs=float(10.0 * b / np.log(10.0)), over_db=0.0)
    top = np.exp(b - 0.25 * (a - c) * shift)
    return SteadyLine(
        hz=float(s.hz[k] + shift * (s.hz[1] - s.hz[0])), level_dbfs=float(10.0 * np.log10(top)),
        over_db=float(10.0 * np.log10(top / s.floor[quiet, k].mean())),
    )  # fmt: skip
