"""How the room dies away after the snare: decay times in octaves, and how much of a mic is room.

The snare is the loudest short sound of a kit, so its strokes with a free tail are taken in place of the shot that
room acoustics would use. In octave bands and frames of 2.5 ms:

1. power of every stroke against its first 40 ms, less what was there before it; median over the strokes, so that a
   stroke nobody noticed in one of them does not count;
2. backward integration from where the next stroke comes or what was there before is reached, with what is missing
   after it added as if the decay went on;
3. straight lines: 0 to -10 dB (early decay), -5 to -25 dB (T20), each times what makes it 60 dB.

The snare is no shot: it rings itself. The same is measured in its own mic, which hears a hundred times more drum than
room, and where the room does not clearly take longer than the drum there is no figure.

Conventions: excerpts float64 (n_strokes, n), LEAD_S before the stroke's time, NaN from the next stroke on. Silence
gives nothing.

Source
------
ISO 3382-1 and -2: evaluation ranges, backward integration, correction for a cut end, lower limit 10 dB over the
background, octaves of IEC 61260-1, early-to-late energy at 50 ms. Taking snare strokes for the source: own choice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from kitproof.measure.excerpts import DrumTimes

Float64Array = NDArray[np.float64]

OCTAVES_HZ = tuple(1000.0 * 10.0 ** (0.3 * k) for k in (-2, -1, 0, 1, 2))  # 251 Hz to 3.98 kHz
LEAD_S = 0.05
TAIL_S = 1.0
FRAME_S = 0.0025
BEFORE_S = (-0.045, -0.005)
FIRST_S = 0.04
FEWEST = 4
MOST = 16
USUAL = 8
LEAST_FREE_S = 0.12
LOUD_SHARE = 0.5  # of the median strength: softer strokes are ghosts
T20_DB, EDT_DB = (-5.0, -25.0), (0.0, -10.0)
MARGIN_DB = 10.0
CROOKED = 0.06  # standard deviation from the line over its range; r^2 of 0.96
EARLY_S = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Decay:
    """One band of one mic. None: the range was not there, or the decay is no line."""

    edt_s: float | None
    t20_s: float | None
    range_db: float  # from the start to what was there before, or to the cut
    early_late_db: float | None  # energy of the first 50 ms over the rest


def free_strokes(snare: DrumTimes, every_s: Float64Array) -> tuple[Float64Array, float]:
    """Times of the loud strokes with the longest free tails, and how long all of these are; none if too few.

    every_s : strokes of all drums, sorted. What is struck together with the snare does not end its tail.
    """
    if not len(snare.time_s):
        return np.zeros(0), 0.0
    loud = snare.strength >= LOUD_SHARE * np.median(snare.strength)
    alone = loud & snare.clear
    use = alone if alone.sum() >= FEWEST else loud
    time_s = snare.time_s[use]
    following = np.searchsorted(every_s, time_s + 0.012)
    until = np.append(every_s, math.inf)[following]
    free = np.minimum(until - time_s - 0.004, TAIL_S)
    usable = np.flatnonzero(free >= LEAST_FREE_S)
    if len(usable) < FEWEST:
        return np.zeros(0), 0.0
    order = usable[np.argsort(-free[usable], kind="stable")]
    tail = float(free[order[min(USUAL, len(order)) - 1]])
    chosen = order[free[order] >= tail][:MOST]
    return np.sort(time_s[chosen]), tail


@lru_cache(maxsize=16)
def _octave(centre_hz: float, rate_hz: int) -> Float64Array:
    edges = (centre_hz * 10.0**-0.15, centre_hz * 10.0**0.15)
    return np.asarray(signal.butter(3, edges, "bandpass", fs=rate_hz, output="sos"))


def band_course(excerpts: Float64Array, rate_hz: int, centre_hz: float) -> tuple[Float64Array, float]:
    """(n_frames,) power from the stroke on against its first 40 ms, without what was before; and that, likewise.

    excerpts : (n_strokes, n) from LEAD_S before the stroke
    """
    power = signal.sosfilt(_octave(centre_hz, rate_hz), excerpts, axis=1) ** 2
    size = max(1, round(FRAME_S * rate_hz))
    n = power.shape[1] // size
    frames = power[:, : n * size].reshape(len(power), n, size).mean(axis=2)
    zero = round(LEAD_S / FRAME_S)
    before = frames[:, zero + round(BEFORE_S[0] / FRAME_S) : zero + round(BEFORE_S[1] / FRAME_S)].mean(axis=1)
    first = frames[:, zero : zero + round(FIRST_S / FRAME_S)].mean(axis=1) - before
    use = first > before
    if use.sum() < FEWEST:
        return np.zeros(0), 0.0
    course = np.median(frames[use, zero:] / first[use, None], axis=0)
    return course, float(np.median(before[use] / first[use]))


def decay_of(course: Float64Array, before: float, frame_s: float = FRAME_S) -> Decay | None:
    """Decay of one band from its power over time; None where nothing sounds.

    course : (n_frames,) power; before : what was there already, which is taken away
    """
    if len(course) < 8 or not course.max() > 0.0:
        return None
    start = int(np.argmax(course[: max(8, round(FIRST_S / frame_s))]))
    power = np.maximum(course[start:] - before, 0.0)
    smooth = np.convolve(np.pad(power, 4, mode="edge"), np.ones(9) / 9.0, "valid")
    sunk = np.flatnonzero(smooth < before)
    end = int(sunk[0]) if len(sunk) else len(power)
    if end < 8:
        return None
    power = power[:end]
    level = _integrated_db(power, frame_s)
    reach = -float(level[-1])
    above = math.inf if before <= 0.0 else 10.0 * math.log10(power.max() / before)
    edt, t20 = (_line(level, frame_s, a, b) for a, b in (EDT_DB, T20_DB))
    return Decay(
        edt_s=edt if min(reach, above - MARGIN_DB) >= -EDT_DB[1] else None,
        t20_s=t20 if min(reach, above - MARGIN_DB) >= -T20_DB[1] else None,
        range_db=min(reach, above),
        early_late_db=_early_late(level, frame_s),
    )


def _integrated_db(power: Float64Array, frame_s: float) -> Float64Array:
    """Backward integration, re its start, with the missing end added from the slope that is found with it."""
    n = len(power)
    tail = power[-max(4, n // 6) :]
    end = float(tail.mean())
    energy = np.cumsum(power[::-1])[::-1] * frame_s
    missing = 0.0
    for _ in range(6):
        level = 10.0 * np.log10((energy + missing) / (energy[0] + missing))
        late = level <= level[-1] * 0.5
        slope = float(np.polyfit(np.flatnonzero(late) * frame_s, level[late], 1)[0]) if late.sum() >= 4 else -1e9
        rate = max(-slope * math.log(10.0) / 10.0, 1e-3)  # 1/s of the energy
        at_end = end * math.exp(-rate * len(tail) * frame_s / 2.0)
        missing = at_end / rate
    return np.asarray(10.0 * np.log10((energy + missing) / (energy[0] + missing)))


def _line(level: Float64Array, frame_s: float, high_db: float, low_db: float) -> float | None:
    inside = np.flatnonzero((level <= high_db) & (level >= low_db))
    if len(inside) < 4:
        return None
    slope, offset = np.polyfit(inside * frame_s, level[inside], 1)
    rest = level[inside] - (slope * inside * frame_s + offset)
    if slope >= 0.0 or np.std(rest) > CROOKED * (high_db - low_db):
        return None
    return float(-60.0 / slope)


def _early_late(level: Float64Array, frame_s: float) -> float | None:
    k = round(EARLY_S / frame_s)
    if k >= len(level) - 4:
        return None
    late = 10.0 ** (level[k] / 10.0)
    return float(10.0 * math.log10((1.0 - late) / late)) if late < 1.0 else None
