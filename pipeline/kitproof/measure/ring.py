"""How a drum rings: the pitch it settles on, how long it lasts, the pitch of the stroke itself.

A head that is struck hard is stretched and starts sharp, by two to four semitones; what is left after 0.4 s
and more lies within a few cents, however hard the stroke was. So the drum's pitch is read from the late ring,
and the pitch of the first 130 ms is given beside it for soft and for hard strokes.

1. Excerpts of the own mic around the strokes with the longest free tail, at about 2 kHz.
2. The mode: the highest peak of the mean spectrum from 0.15 to 0.65 s, every stroke counting the same. There the
   drum's own ring is far above what the mic hears of others, which differs from stroke to stroke.
3. Each stroke by itself: the peak near the mode in its late ring; it counts if it stands out of its surroundings
   and has become quieter since. Median and spread over strokes.
   Where a second tone of nearly the same strength lies beside it, the stroke does not count: it beats, or something
   else rings along, and which of the two is the drum's cannot be told.
4. Decay: a line through the level of a band around the mode, stroke by stroke; median.

Conventions: excerpts float64, shape (n_strokes, n), LEAD_S before the stroke to at most TAIL_S after it, NaN from
the next stroke of the drum on. Times in s, pitches in Hz, intervals in cents.

Source
------
Own work; late against early ring after single hits of a recorded kit (agreement within 5 cents from 0.9 s on, 15 to
60 cents from 0.4 to 0.8 s). Decay: evaluation ranges of ISO 3382-1 (T20: -5 to -25 dB, T30: -5 to -35 dB) on the level
of one mode. Pitch names: equal temperament from A4 = 440 Hz (ISO 16).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

Float64Array = NDArray[np.float64]

LEAD_S = 0.05
TAIL_S = 1.5
LOW_RATE_HZ = 2000.0
MODE_S = (0.15, 0.65)
LATE_FROM_S = (0.9, 0.6, 0.4)  # the later the steadier; the earlier the more strokes reach that far
LATE_LEAST_S = 0.3  # shorter tells no pitch to a few cents
EARLY_S = (0.0, 0.13)
NEAR_CENTS = 150.0  # how far a stroke's ring may begin from the mode of them all
CLEAR_DB = 10.0  # a peak over the median of its surroundings
SURROUND = (0.72, 1.38)  # of the mode's frequency
FEWEST = 3  # strokes for a median
FEWEST_GLIDE = 8
GLIDE_LEAST_DB = 6.0  # between the soft and the hard third
DECAY_FROM_S = 0.15  # by then a struck head is back at its pitch, and inside the band around the mode
BAND_SHARE = 0.06  # of the mode's frequency, half width of the band for decay
FRAME_S = 0.01
FALL_STEP_S = 0.05  # of the course that is saved
LEAST_FALL_DB = 6.0
CROOKED = 0.08  # standard deviation from the line over the fall: an exact decay has 0, a bend or another drum more
DECAY_AGREE = 0.25  # robust standard deviation over strokes, as a share
AGREE_CENTS = 45.0  # spread over strokes above which there is no one pitch; a drift by a semitone stays under it
FIRST_S = (0.01, 0.3)
RISES = 1.35  # five semitones: as sharp as a hard stroke starts
HOP_S = 0.1
SETTLES = (0.972, 1.012)  # pitch against that of the window before: a stretched head comes down to its pitch
SECOND_WITHIN = 0.09  # of a tone's frequency: another this near is heard as beating, or cannot be told from it
SECOND_DB = -8.0  # the weaker against the stronger
PITCH_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
A4_HZ = 440.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Late:
    """Late ring of each stroke; NaN where it does not stand out."""

    from_s: float
    hz: Float64Array  # (n_strokes,)


def thin(samples: Float64Array, rate_hz: int) -> tuple[Float64Array, float]:
    """(..., n) samples at about LOW_RATE_HZ and the exact rate; 700 Hz and below are kept within 1 dB."""
    step = max(1, int(rate_hz // LOW_RATE_HZ))
    if step == 1:
        return samples, float(rate_hz)
    low = signal.upfirdn(_low_pass(step), samples, down=step, axis=-1)
    return np.asarray(low[..., 4 : 4 + samples.shape[-1] // step]), rate_hz / step


@lru_cache(maxsize=8)
def _low_pass(step: int) -> Float64Array:
    return np.asarray(signal.firwin(8 * step + 1, 0.9 / step))


@lru_cache(maxsize=64)
def _hann(n: int) -> Float64Array:
    return np.asarray(signal.windows.hann(n, sym=False))


def find_mode(excerpts: Float64Array, rate_hz: float, band_hz: tuple[float, float]) -> float | None:
    """The frequency that most strokes go on ringing at, Hz; None if nothing stands out in the band.

    excerpts : (n_strokes, n). Silence gives None.
    """
    hz, power = _spectra(excerpts, rate_hz, MODE_S)
    inside = (hz >= band_hz[0] * SURROUND[0]) & (hz <= band_hz[1] * SURROUND[1])
    total = power[:, inside].sum(axis=1)
    usable = np.isfinite(total) & (total > 0.0)
    if usable.sum() < FEWEST:
        return None
    mean = np.exp(np.mean(np.log(power[usable] / total[usable, None] + 1e-9), axis=0))
    searched = np.where((hz >= band_hz[0]) & (hz <= band_hz[1]), mean, 0.0)
    best = int(np.argmax(searched))
    return _clear_peak(hz, mean, best)


def late_ring(excerpts: Float64Array, rate_hz: float, mode_hz: float) -> Late | None:
    """The pitch of each stroke's late ring, from the latest start that enough strokes reach clearly; None if none does.

    excerpts : (n_strokes, n). Strokes that disagree by AGREE_CENTS give None.
    """
    wanted = max(FEWEST, int(0.5 * len(excerpts)))
    courses = [follow(x, rate_hz, mode_hz) for x in excerpts]
    best: Late | None = None
    for from_s in LATE_FROM_S:
        found = np.array([_late_of(x, rate_hz, c, from_s) for x, c in zip(excerpts, courses, strict=True)])
        clear = found[np.isfinite(found)]
        if len(clear) < FEWEST or spread(cents(clear, float(np.median(clear)))) > AGREE_CENTS:
            continue
        if best is None or len(clear) > 1.5 * np.isfinite(best.hz).sum():
            best = Late(from_s=from_s, hz=found)
        if len(clear) >= wanted:
            break
    return best


def follow(x: Float64Array, rate_hz: float, mode_hz: float) -> list[float]:
    """The pitch of one stroke's ring in windows HOP_S apart from MODE_S on, until it is lost; empty if it is not clear.

    From window to window a head comes down a little; what lies further away is something else.
    """
    until_s = free_s(x, rate_hz)
    if until_s < LATE_FROM_S[-1]:
        return []
    start = start_of_ring(x, rate_hz, mode_hz)
    if start is None or two_tones(x, rate_hz, start) is not None:
        return []
    course = [start]
    while len(course) * HOP_S + MODE_S[1] <= until_s and len(course) * HOP_S + MODE_S[0] <= LATE_FROM_S[0]:
        span = (MODE_S[0] + len(course) * HOP_S, MODE_S[1] + len(course) * HOP_S)
        found = _peak_near(x, rate_hz, course[-1], span)
        if found is None:
            break
        course.append(found)
    return course


def _peak_near(x: Float64Array, rate_hz: float, tone_hz: float, span_s: tuple[float, float]) -> float | None:
    """The peak of a part of an excerpt just under a tone, or at it."""
    hz, power = _spectra(x[None, :], rate_hz, span_s)
    near = (hz >= tone_hz * SETTLES[0]) & (hz <= tone_hz * SETTLES[1])
    best = int(np.argmax(np.where(near, power[0], 0.0)))
    found = _clear_peak(hz, power[0], best)
    return found if near[best - 1] and near[min(best + 1, len(near) - 1)] else None


def _late_of(x: Float64Array, rate_hz: float, course: list[float], from_s: float) -> float:
    until_s = free_s(x, rate_hz)
    n_hops = round((from_s - MODE_S[0] - 0.5 * HOP_S) / HOP_S)
    if until_s - from_s < LATE_LEAST_S or not course or len(course) <= min(n_hops, _reach(until_s)):
        return math.nan
    found = _peak_near(x, rate_hz, course[min(n_hops, len(course) - 1)], (from_s, until_s))
    if found is None:
        return math.nan
    # What grows after the stroke belongs to something that was struck later.
    late = band_power(x[None, :], rate_hz, (0.97 * found, 1.03 * found), (from_s, until_s))[0]
    middle = band_power(x[None, :], rate_hz, (0.97 * found, 1.12 * found), (max(from_s - 0.4, 0.1), from_s))[0]
    first = band_power(x[None, :], rate_hz, (0.97 * found, RISES * found), FIRST_S)[0]
    return found if late < middle < first else math.nan


def _reach(until_s: float) -> int:
    """The last window that an excerpt of this length holds."""
    return max(0, int((until_s - MODE_S[1]) / HOP_S + 1e-9))


def free_s(x: Float64Array, rate_hz: float) -> float:
    """How long an excerpt lasts after the stroke, until the next one or its end."""
    n = int(np.argmax(np.isnan(x))) if np.isnan(x[-1]) else len(x)
    return n / rate_hz - LEAD_S


def start_of_ring(x: Float64Array, rate_hz: float, mode_hz: float) -> float | None:
    """Where one stroke's ring begins, Hz, near the mode of them all."""
    hz, power = _spectra(x[None, :], rate_hz, (MODE_S[0], min(MODE_S[1], free_s(x, rate_hz))))
    near = np.abs(np.log2(np.maximum(hz, 1.0) / mode_hz)) <= NEAR_CENTS / 1200.0
    return _clear_peak(hz, power[0], int(np.argmax(np.where(near, power[0], 0.0))))


def two_tones(x: Float64Array, rate_hz: float, tone_hz: float) -> float | None:
    """Distance of a second tone of nearly the same strength from the first, Hz; None if there is none."""
    span = (MODE_S[0], min(MODE_S[1], free_s(x, rate_hz)))
    hz, power = _spectra(x[None, :], rate_hz, span)
    apart = np.abs(hz - tone_hz)
    # The window's main lobe reaches 2 / length to either side; inside it there is only one peak.
    beside = (apart >= 1.6 / (span[1] - span[0])) & (apart <= SECOND_WITHIN * tone_hz)
    at = int(np.argmax(np.where(beside, power[0], 0.0)))
    top = float(np.max(power[0, apart <= 1.0]))
    is_peak = 0 < at < len(hz) - 1 and power[0, at - 1] <= power[0, at] >= power[0, at + 1]
    return float(apart[at]) if is_peak and power[0, at] > 10.0 ** (SECOND_DB / 10.0) * top else None


def _spectra(excerpts: Float64Array, rate_hz: float, span_s: tuple[float, float]) -> tuple[Float64Array, Float64Array]:
    first, last = (round((LEAD_S + s) * rate_hz) for s in span_s)
    part = excerpts[:, first : min(last, excerpts.shape[1])]
    size = fft.next_fast_len(int(4.0 * rate_hz))  # lines 1/4 Hz apart: the parabola through three does the rest
    power = np.abs(fft.rfft(part * _hann(part.shape[1]), size, axis=1)) ** 2
    return fft.rfftfreq(size, 1.0 / rate_hz), np.asarray(power, np.float64)


def _clear_peak(hz: Float64Array, power: Float64Array, at: int) -> float | None:
    """The frequency of a peak between the lines, None if it is none or hardly over its surroundings."""
    if not 0 < at < len(hz) - 1 or power[at] <= 0.0 or not power[at - 1] <= power[at] >= power[at + 1]:
        return None
    around = (hz >= SURROUND[0] * hz[at]) & (hz <= SURROUND[1] * hz[at])
    if power[at] < 10.0 ** (CLEAR_DB / 10.0) * np.median(power[around]):
        return None
    return _between(hz, power, at)


def _between(hz: Float64Array, power: Float64Array, at: int) -> float:
    """Top of the parabola through the logarithms of three lines."""
    a, b, c = np.log(np.maximum(power[at - 1 : at + 2], 1e-300))
    bend = a - 2.0 * b + c
    return float(hz[at] + (hz[1] - hz[0]) * (0.5 * (a - c) / bend if bend < 0.0 else 0.0))


def band_power(
    excerpts: Float64Array, rate_hz: float, band_hz: tuple[float, float], span_s: tuple[float, float]
) -> Float64Array:
    """(n_strokes,) mean square of a band in part of each excerpt; NaN where one does not reach."""
    hz, power = _spectra(excerpts, rate_hz, span_s)
    near = (hz >= band_hz[0]) & (hz <= band_hz[1])
    n = round(span_s[1] * rate_hz) - round(span_s[0] * rate_hz)
    return np.asarray(power[:, near].sum(axis=1) * 2.0 / (0.375 * n * 2.0 * (len(hz) - 1)))


def envelopes_db(excerpts: Float64Array, rate_hz: float, mode_hz: float) -> tuple[Float64Array, Float64Array]:
    """Level of the band around a mode over time: (n_frames,) s after the stroke, (n_strokes, n_frames) dB re 1.0."""
    n = excerpts.shape[1]
    time_s = np.arange(n) / rate_hz - LEAD_S
    length = 2 * round(rate_hz / (BAND_SHARE * mode_hz) / 2.0) + 1
    window = signal.windows.hann(length)
    base = excerpts * np.exp(-2j * np.pi * mode_hz * time_s)
    smooth = signal.fftconvolve(np.nan_to_num(base), 2.0 * window[None, :] / window.sum(), mode="same", axes=1)
    half = length // 2
    missing = np.isnan(excerpts)
    reach = np.zeros_like(missing)
    reach[:, : n - half] = missing[:, half:]
    reach[:, n - half :] = True
    level = 20.0 * np.log10(np.maximum(np.abs(smooth), 1e-9))
    step = round(FRAME_S * rate_hz)
    return time_s[::step], np.where(reach, np.nan, level)[:, ::step]


def decay_s(time_s: Float64Array, level_db: Float64Array) -> tuple[float, float] | None:
    """Time to fall by 60 dB and the range it was read from, dB, of one level over time; None if it does not fall so.

    Read from 5 dB under the highest level after DECAY_FROM_S to 35 dB under it, or to 25. A ring that outlasts the
    excerpt is read from LATE_FROM_S[-1] to its end, if that is at least LEAST_FALL_DB.
    """
    use = (time_s >= DECAY_FROM_S) & np.isfinite(level_db)
    t, y = time_s[use], level_db[use]
    if len(t) < 10:
        return None
    y = y - np.max(y)
    for to_db in (-35.0, -25.0):
        end = int(np.argmax(y <= to_db))
        begin = int(np.argmax(y <= -5.0))
        if end and begin and end - begin >= 4:
            return _line(t[begin:end], y[begin:end])
    late = t >= LATE_FROM_S[-1]
    return _line(t[late], y[late]) if late.sum() >= 25 else None


def _line(t: Float64Array, y: Float64Array) -> tuple[float, float] | None:
    slope, offset = np.polyfit(t, y, 1)
    fall_db = -float(slope) * float(np.ptp(t))
    if fall_db < LEAST_FALL_DB or np.std(y - slope * t - offset) > CROOKED * fall_db:
        return None
    return -60.0 / float(slope), fall_db


def agreed_decay(time_s: Float64Array, levels_db: Float64Array) -> tuple[float, float] | None:
    """Median over strokes of decay and range; None if fewer than FEWEST have one, or they differ by too much.

    levels_db : (n_strokes, n_frames)
    """
    found = [d for d in (decay_s(time_s, row) for row in levels_db) if d is not None]
    if len(found) < FEWEST:
        return None
    decay, fall = np.median(found, axis=0)
    return None if spread(np.array([d for d, _ in found])) > DECAY_AGREE * decay else (float(decay), float(fall))


def common_fall(time_s: Float64Array, levels_db: Float64Array) -> tuple[float, ...]:
    """How the strokes' rings fall together: every FALL_STEP_S from DECAY_FROM_S, dB against each one's highest, median.

    levels_db : (n_strokes, n_frames). It ends where fewer than FEWEST strokes, or than half of them, reach.
    """
    step, first = round(FALL_STEP_S / FRAME_S), int(np.argmax(time_s >= DECAY_FROM_S - FRAME_S / 2))
    part = levels_db[:, first:]
    part = part[np.isfinite(part[:, 0])] if part.size else part
    if len(part) < FEWEST:
        return ()
    relative = (part - np.nanmax(part, axis=1, keepdims=True))[:, ::step]
    reach = np.isfinite(relative).sum(axis=0) < max(FEWEST, 0.5 * len(part))
    end = int(np.argmax(reach)) if reach.any() else relative.shape[1]
    return tuple(np.nanmedian(relative[:, :end], axis=0).round(1).tolist())


def early_pitch(excerpts: Float64Array, rate_hz: float, band_hz: tuple[float, float]) -> Float64Array:
    """(n_strokes,) pitch of the first 130 ms, Hz, the highest peak within the band; NaN where there is none."""
    hz, power = _spectra(excerpts, rate_hz, EARLY_S)
    out = np.full(len(excerpts), np.nan)
    inside = (hz >= band_hz[0]) & (hz <= band_hz[1])
    for i, row in enumerate(power):
        peaks = signal.find_peaks(row)[0]
        peaks = peaks[inside[peaks]]
        if len(peaks):
            out[i] = _between(hz, row, int(peaks[np.argmax(row[peaks])]))
    return out


def nearest_pitch(hz: float) -> tuple[str, float]:
    """Name of the nearest equal-tempered pitch and how far above it, cents: 61.6 Hz is ("B1", -4).

    Source: ISO 16 (A4 = 440 Hz); equal temperament.
    """
    steps = 12.0 * math.log2(hz / A4_HZ) + 57.0  # from C0
    whole = round(steps)
    return f"{PITCH_NAMES[whole % 12]}{whole // 12}", 100.0 * (steps - whole)


def cents(hz: Float64Array, reference_hz: float) -> Float64Array:
    """Interval above a reference, cents."""
    return np.asarray(1200.0 * np.log2(hz / reference_hz))


def spread(values: Float64Array) -> float:
    """Robust standard deviation: 1.4826 times the median distance from the median."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))
