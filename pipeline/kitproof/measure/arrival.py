"""Arrival: when, and with which sign, a drum's direct sound reaches a mic.

The mean stroke (stacking.py) shows the path from a drum to a mic: direct sound first, reflections after.
Its first sound is picked as seismologists pick first breaks, and its sign read from the first motion.

Source
------
Own work, after first-break picking in seismology: a threshold where the sound stands out, Akaike's
information criterion of the variance before and after where noise hides its foot (Maeda 1985, Sleeman
and van Eck 1999, from memory). Tried and dropped: the strongest peak of cross-correlation, plain and
with PHAT weighting: on a ringing drum it lands on a later cycle or a reflection, 1 to 6 ms late, and
changes sign from stroke to stroke.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from kitproof.measure.excerpts import LEAD_S
from kitproof.measure.stacking import ALONE, AlignedStrokes, Stack, stack_strokes

UPSAMPLING = 16  # a threshold is crossed between samples: 0.02 sample of error at most
SEARCH_S = (-0.0005, 0.030)  # not before the own mic; room mics hear a drum up to 10 m, 30 ms, later
PEAK_S = 0.040
UNDER_PEAK_DB = 30.0  # first sound: within this of the peak
OVER_NOISE_DB = 9.0  # and this far out of what was there before
LEAST_SNR_DB = 15.0  # under this nothing is picked
HOLD_S = 0.001  # sounds parted by a longer gap are not one: a stray one may come before the direct sound
DIRECT_DB = 14.0  # direct sound is not further than this under the peak
LOBE_PART = 0.15  # first motion: first half wave that reaches this part of the peak
AIC_S = 0.005
SINGLE_SNR_DB = 12.0  # of a single stroke, which is only asked where most of them agree
TOGETHER_S = 0.0004  # single picks this near one another agree
EARLIER_S = 0.0006
Float64Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """First sound of a drum in a mic, after the stroke's time at the own mic; None: not found."""

    time_s: float | None
    spread_s: float | None  # standard error, from groups of strokes; of three or four strokes the farthest one's
    sign: int  # first motion: +1 or -1; 0: unclear
    sign_confidence: float  # 0 to 1
    snr_db: float  # peak over what was there before
    n_hits: int  # strokes it was found in


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstBreak:
    """Pick of one waveform."""

    time_s: float | None
    sign: int
    clarity: float
    snr_db: float
    lobe: tuple[int, int] = (0, 0)  # first half wave, samples of the waveform, end exclusive


def locate(strokes: AlignedStrokes) -> Arrival:
    """Arrival of a drum in a mic: where most strokes have it is looked at closely, in their mean.

    Strokes in which something sounds clearly earlier hold another drum too and are left out; which ones
    those are is known only when most strokes agree.
    """
    usual_s, usable = _usual_time(strokes)
    if usual_s is None:
        found = find_arrival(stack_strokes(strokes))
        usual_s, usable = found.time_s, None
        if usual_s is None:
            return found
    # Whole samples: a mic that is later by any amount gets the same treatment, shifted.
    around_s = round(usual_s * strokes.rate_hz) / strokes.rate_hz
    return find_arrival(stack_strokes(strokes, around_s, usable), around_s)


def _usual_time(strokes: AlignedStrokes) -> tuple[float | None, NDArray[np.bool_] | None]:
    """Time at which the most single strokes are picked, and (n_hits,) those without earlier sound."""
    singles = [first_break(w, strokes.rate_hz, upsampling=1, least_snr_db=SINGLE_SNR_DB) for w in strokes.waves]
    times = np.array([np.nan if s.time_s is None else s.time_s for s in singles])
    picked = np.sort(times[np.isfinite(times)])
    if len(picked) < 3:
        return None, None
    inside = np.searchsorted(picked, picked + 2.0 * TOGETHER_S, side="right") - np.arange(len(picked))
    best = int(np.argmax(inside))
    if inside[best] < max(3, 0.3 * len(picked)):
        return None, None
    usual = float(np.median(picked[best : best + inside[best]]))
    return usual, ~(times < usual - EARLIER_S)


def find_arrival(s: Stack, around_s: float = 0.0) -> Arrival:
    """First sound of a stack; its spread from the groups, its sign from the first motion."""
    whole = first_break(s.mean, s.rate_hz, around_s)
    if whole.time_s is None:
        return Arrival(time_s=None, spread_s=None, sign=0, sign_confidence=0.0, snr_db=whole.snr_db, n_hits=s.n_hits)
    groups = [first_break(g, s.rate_hz, around_s) for g in s.groups]
    times = np.array([g.time_s for g in groups if g.time_s is not None])
    spread = None
    if s.n_hits in ALONE:
        # Single strokes: all of them have to show it, and the worst one counts.
        spread = float(np.abs(times - whole.time_s).max()) if len(times) == s.n_hits else None
    elif len(times) >= 2:
        # From the median distance: one group that lands on a reflection must not blow it up.
        spread = float(1.4826 * np.median(np.abs(times - whole.time_s)) / np.sqrt(len(times)))
    # A group's own first motion may be lost in noise; whether it moves with the mean there is not.
    low, high = whole.lobe
    along = [float(g[low:high] @ s.mean[low:high]) > 0.0 for g in s.groups]
    agreement = float(np.mean(along)) if along else 0.8
    return Arrival(
        time_s=whole.time_s, spread_s=spread, sign=whole.sign if agreement >= 0.8 and whole.clarity > 0.0 else 0,
        sign_confidence=round(whole.clarity * agreement, 3), snr_db=whole.snr_db, n_hits=s.n_hits,
    )  # fmt: skip


def first_break(
    mean: Float64Array,
    rate_hz: int,
    around_s: float = 0.0,
    *,
    upsampling: int = UPSAMPLING,
    least_snr_db: float = LEAST_SNR_DB,
) -> FirstBreak:
    """First sound of a waveform that begins LEAD_S before the stroke.

    Among the stretches of sound that a gap of HOLD_S parts, the first that is not DIRECT_DB under the
    peak; within it, where the wave first leaves the larger of OVER_NOISE_DB over the noise before it and
    UNDER_PEAK_DB under its peak. Silence, a peak too close to the noise, or sound that is already under
    way where the search begins gives time_s None.
    """
    wave = mean if upsampling == 1 else np.asarray(fft.irfft(fft.rfft(mean), len(mean) * upsampling) * upsampling)
    per_s = rate_hz * upsampling
    zero = round(LEAD_S * per_s)
    first, last = zero + round(SEARCH_S[0] * per_s), zero + round(SEARCH_S[1] * per_s)
    size = np.abs(wave)
    quiet_end = zero + round((around_s - 0.0005) * per_s)
    quiet = size[max(round(0.0012 * per_s), quiet_end - round(0.006 * per_s)) : quiet_end]
    noise = float(np.percentile(quiet, 95)) + 1e-12
    peak = float(size[first : zero + round(PEAK_S * per_s)].max())
    snr_db = 20.0 * float(np.log10(max(peak, 1e-12) / noise))
    noise_limit, peak_limit = noise * 10.0 ** (OVER_NOISE_DB / 20.0), peak * 10.0 ** (-UNDER_PEAK_DB / 20.0)
    threshold = max(noise_limit, peak_limit)
    above = first + np.flatnonzero(size[first:last] >= threshold)
    if snr_db < least_snr_db or len(above) == 0:
        return FirstBreak(time_s=None, sign=0, clarity=0.0, snr_db=snr_db)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(above) > HOLD_S * per_s) + 1))
    loudest = np.maximum.reduceat(size[above], starts)
    at = int(above[starts[int(np.argmax(loudest >= peak * 10.0 ** (-DIRECT_DB / 20.0)))]])
    if at == first and size[first - 1] >= threshold:
        # Already under way where the search begins: it began at some earlier moment, and nobody knows when.
        return FirstBreak(time_s=None, sign=0, clarity=0.0, snr_db=snr_db)
    before, here = size[at - 1], size[at]
    exact = at - 1 + (threshold - before) / max(here - before, 1e-15)
    if noise_limit > peak_limit:
        exact = min(float(at), max(float(first), _foot(wave, at, per_s, upsampling)))
    sign, clarity, lobe = _first_motion(wave, at, per_s, max(LOBE_PART * peak, 1.5 * threshold), noise)
    lobe = (lobe[0] // upsampling, -(-lobe[1] // upsampling))
    return FirstBreak(time_s=(exact - zero) / per_s, sign=sign, clarity=clarity, snr_db=snr_db, lobe=lobe)


def _foot(wave: Float64Array, at: int, per_s: float, upsampling: int) -> float:
    """Index before `at` at which the variance changes most: Akaike's criterion, lowest where it does."""
    low = max(round(0.0012 * per_s), at - round(AIC_S * per_s))
    part = wave[low : at + round(0.0004 * per_s)]
    n = len(part)
    k = np.arange(round(0.0005 * per_s), n - upsampling, max(1, upsampling // 4))
    if len(k) == 0:
        return float(at)
    total = np.cumsum(part**2)
    before, after = total[k - 1] / k, (total[-1] - total[k - 1]) / (n - k)
    criterion = k * np.log(before + 1e-20) + (n - k) * np.log(after + 1e-20)
    return float(low + k[int(np.argmin(criterion))])


def _first_motion(
    wave: Float64Array, at: int, per_s: float, need: float, noise: float
) -> tuple[int, float, tuple[int, int]]:
    """Sign of the first half wave that reaches `need`; how clear it is, 0 to 1, by its height over the noise;
    and where it begins and ends."""
    span = wave[at : at + round(0.006 * per_s)]
    strong = np.flatnonzero(np.abs(span) >= min(need, 0.5 * float(np.abs(span).max())))
    if len(strong) == 0:
        return 0, 0.0, (at, at)
    k = int(strong[0])
    sign = 1 if span[k] > 0 else -1
    against = np.flatnonzero(span * sign < 0)
    begin = int(against[against < k][-1]) + 1 if (against < k).any() else 0
    end = int(against[against > k][0]) if (against > k).any() else len(span)
    height = float((span[k:end] * sign).max())
    return sign, float(np.clip((height / noise - 1.5) / 6.0, 0.0, 1.0)), (at + begin, at + end)
