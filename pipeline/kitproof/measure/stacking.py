"""Stacking: the mean stroke of a drum in a mic, out of many strokes among other drums and noise.

Every stroke is shifted so that its first sound at the drum's own mic stands at the same instant, between
samples too, divided by its strength there, and the median over the strokes is taken, instant by instant.

Conventions: excerpts float32 (n_hits, n) as in excerpts.py; a mean stroke is a waveform of n_fft samples,
full scale 1.0, at the median strength of its drum, with the stroke's time exactly LEAD_S after its start.

Source
------
Stacking of records is the practice of seismology. Own choices: (1) the median beside the mean, because other drums
are in some excerpts and not in others; (2) only the better half of the strokes, by strength over what was heard
before; (3) filters that do not ring ahead, so that the first sound stays where it is. Tried and dropped:
subtracting the other drums' mean strokes in turn (three
times the work, no better, and it leaves traces before the first sound); zero-phase filters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from kitproof.measure.excerpts import LEAD_S, DrumTimes, Float32Array

N_GROUPS = 5
FEWEST = 5  # strokes in a stack, where there are that many
ALONE = (3, 4)  # of so few, each stroke is a group: a line check has no more
BETTER_HALF = 0.5
ENOUGH_CLEAR = 6  # so many strokes without another drum near them, and the others are left out
# Where a drum speaks and the drums played with it, or its own ring from before, do not: high-pass, low-pass, Hz
REGION_HZ: dict[str, tuple[float, float]] = {
    "kick": (0.0, 1200.0), "snare": (150.0, 0.0), "hi-hat": (1500.0, 0.0), "ride": (1500.0, 0.0),
    "rack-tom": (150.0, 0.0), "floor-tom": (150.0, 0.0),
}  # fmt: skip
Float64Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stack:
    """The mean stroke of one drum in one mic."""

    drum: str
    file: str
    n_hits: int
    rate_hz: int
    mean: Float64Array  # (n_fft,) from LEAD_S before the stroke
    groups: tuple[Float64Array, ...]  # the same over groups of strokes


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignedStrokes:
    """The strokes of one drum in one mic, filtered and aligned, ready to be stacked more than once."""

    drum: DrumTimes
    file: str
    rate_hz: int
    filtered: Float32Array  # (n_hits, n) as read, in the drum's region
    waves: Float64Array  # (n_hits, n_fft) aligned, divided by the strength at the own mic


def align_strokes(
    file: str, rate_hz: int, d: DrumTimes, excerpts: Float32Array, late_s: Float64Array
) -> AlignedStrokes:
    """Filter and align excerpts.

    excerpts : (n_hits, n) in the order of d.time_s; late_s : (n_hits,) how much later than LEAD_S before
    the stroke each begins.
    """
    filtered = _in_region(d.drum, excerpts, rate_hz)
    waves = aligned(filtered, late_s, rate_hz) / d.strength[:, None]
    return AlignedStrokes(drum=d, file=file, rate_hz=rate_hz, filtered=filtered, waves=waves)


def stack_strokes(a: AlignedStrokes, around_s: float | None = None, usable: NDArray[np.bool_] | None = None) -> Stack:
    """The mean stroke of one drum in one mic.

    around_s : when the drum is expected here, s after the stroke: strokes are chosen by what is heard
    before that. None: not known yet, and the median is taken, which a drum that is hit in between cannot
    mislead. usable : (n_hits,) strokes to choose from; None: all.
    """
    d, rate_hz = a.drum, a.rate_hz
    use, merit = _best(d, a.filtered, rate_hz, around_s or 0.0, usable)
    scale = float(np.median(d.strength))
    n_groups = len(use) if len(use) in ALONE else min(N_GROUPS, len(use) // 2)
    parts = [use] + ([use[g::n_groups] for g in range(n_groups)] if n_groups >= 2 else [])
    best = [np.median(a.waves[part], axis=0) * scale for part in parts]
    if around_s is not None:
        means = [_weighted(a.waves[part], (merit * d.strength)[part]) * scale for part in parts]
        # The mean does not change when a mic is later by any amount; the median has to be clearly better.
        if _standing_out(best[0], rate_hz) <= 2.0 * _standing_out(means[0], rate_hz):
            best = means
    return Stack(drum=d.drum, file=a.file, n_hits=len(use), rate_hz=rate_hz, mean=best[0], groups=tuple(best[1:]))


def _weighted(waves: Float64Array, weight: Float64Array) -> Float64Array:
    """Mean of least variance; no single stroke may decide it."""
    weight = np.minimum(weight, 10.0 * np.median(weight))
    return np.asarray(weight @ waves / weight.sum())


def _standing_out(wave: Float64Array, rate_hz: int) -> float:
    """Peak of a mean stroke over what is left before it."""
    zero = round(LEAD_S * rate_hz)
    before = np.percentile(np.abs(wave[rate_hz // 1000 : zero - rate_hz // 1000]), 95)
    return float(np.abs(wave[zero:]).max() / (before + 1e-12))


def aligned(excerpts: Float32Array, late_s: Float64Array, rate_hz: int) -> Float64Array:
    """(n_hits, n_fft) waveforms, each delayed by a part of a sample so that its stroke stands at LEAD_S.

    The ends are faded over 1 ms, so that the shift does not wrap a step around.
    """
    n = excerpts.shape[1]
    n_fft = int(fft.next_fast_len(n + rate_hz // 500, real=True))
    lines = fft.rfft(excerpts * _fades(n, rate_hz), n_fft, axis=1)
    hz = fft.rfftfreq(n_fft, 1.0 / rate_hz)
    turn = np.exp(-2j * np.pi * hz[None, :] * late_s[:, None]).astype(np.complex64)
    return np.asarray(fft.irfft(lines * turn, n_fft, axis=1), np.float64)


def _in_region(drum: str, excerpts: Float32Array, rate_hz: int) -> Float32Array:
    low, high = next((r for name, r in REGION_HZ.items() if drum.startswith(name)), (0.0, 0.0))
    out = excerpts * _fades(excerpts.shape[1], rate_hz)
    if low:
        out = signal.sosfilt(signal.butter(2, low, "highpass", fs=rate_hz, output="sos"), out, axis=1)
    if high:
        out = signal.sosfilt(signal.butter(2, high, fs=rate_hz, output="sos"), out, axis=1)
    return np.asarray(out, np.float32)


def _best(
    d: DrumTimes, excerpts: Float32Array, rate_hz: int, around_s: float, usable: NDArray[np.bool_] | None
) -> tuple[NDArray[np.int64], Float64Array]:
    """Indexes of the strokes that stand out best from what was heard before them, best first; all merits."""
    before = excerpts[:, round((LEAD_S + around_s - 0.0065) * rate_hz) : round((LEAD_S + around_s - 0.0005) * rate_hz)]
    quiet = np.mean(np.square(before, dtype=np.float64), axis=1)
    merit = d.strength / (quiet + 0.1 * np.median(quiet) + 1e-14)
    wanted = usable if usable is not None and usable.any() else np.ones(len(merit), bool)
    n_known = int(wanted.sum())  # few clear strokes are all used: half of them would be too few to average
    if (d.clear & wanted).sum() >= ENOUGH_CLEAR:
        wanted = d.clear & wanted
    merit, n_usable = np.where(wanted, merit, 0.0), int(wanted.sum())
    n = min(max(FEWEST, int(BETTER_HALF * n_known)), n_usable)
    return np.argsort(-merit, kind="stable")[:n], np.asarray(merit)


def _fades(n: int, rate_hz: int) -> Float32Array:
    fade = np.ones(n, np.float32)
    m = max(2, rate_hz // 1000)
    ramp = (0.5 - 0.5 * np.cos(np.pi * (np.arange(m) + 0.5) / m)).astype(np.float32)
    fade[:m], fade[-m:] = ramp, ramp[::-1]
    return fade
