"""The room after the snare: how much of a stroke comes at once, and how it dies away, octave by octave.

The snare is the loudest short sound of a kit, so its strokes with a free tail are taken in place of the shot that
room acoustics would use. In octave bands and frames of 2.5 ms:

1. power of every stroke against its first 40 ms, less what was there before it; median over the strokes, so that a
   stroke nobody noticed in one of them does not count;
2. backward integration from where the next stroke comes or what was there before is reached, with what is missing
   after it added as if the decay went on;
3. straight lines: 0 to -10 dB (early decay), -5 to -25 dB (T20), each times what makes it 60 dB.

From 250 Hz to 4 kHz, stroke by stroke: energy of the first 50 ms from the direct sound on, over what follows.

The snare is no shot: it rings itself. The same is measured in its own mic, which hears a hundred times more drum than
room; only where a distant mic takes clearly longer is it the room.

Conventions: excerpts float64 (n_strokes, n), from LEAD_S before the stroke's time to where the next one comes. Silence
gives None.

Source
------
ISO 3382-1 and -2: evaluation ranges, backward integration, correction for a cut end, lower limit 10 dB over the
background, octaves of IEC 61260-1, the border of 50 ms (C50). Taking snare strokes for the source: own choice, so the
figures compare mics and takes, not rooms with a standard.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from kitproof.measure.excerpts import DrumTimes, read_excerpts
from kitproof.measure.views import ChannelView, TakeView
from kitproof.observed.room import OctaveDecay, RoomDecay
from kitproof.reasons import DRUM_AS_LONG, FEW_FREE_SNARES, NOT_IN_OWN_MIC, TAIL_COVERED
from kitproof.roles import DISTANT_ROLES

Float64Array = NDArray[np.float64]

OCTAVES_HZ = tuple(1000.0 * 10.0 ** (0.3 * k) for k in (-2, -1, 0, 1, 2))  # 251 Hz to 3.98 kHz
LEAD_S = 0.05
TAIL_S = 1.0
FRAME_S = 0.0025
BEFORE_S = (-0.045, -0.005)
FIRST_S = 0.04
FEWEST = 6  # a stroke that nobody noticed spoils the median of fewer
MOST = 16
USUAL = 8
LEAST_FREE_S = 0.12
LOUD_SHARE = 0.5  # of the median strength: softer strokes are ghosts
T20_DB, EDT_DB = (-5.0, -25.0), (0.0, -10.0)
MARGIN_DB = 10.0
CROOKED = 0.045  # standard deviation from the line over its range; r^2 of 0.976
OVER_DRUM = 1.6  # a room that takes so much longer than the drum is read a fifth too long at most
EARLY_S, LEAST_LATE_S = 0.050, 0.080  # the border, and how much of what follows it must be there
WHOLE_HZ = (OCTAVES_HZ[0], OCTAVES_HZ[-1])
DIRECT_DB = 14.0  # under the loudest frame, and the direct sound has begun: a room's first echoes are not louder


@dataclass(frozen=True, slots=True, kw_only=True)
class Decay:
    """One octave of one mic. None: the range was not there, or the decay is no line."""

    early_s: float | None
    t20_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SnareDecay:
    """A clue: the octaves of one mic, a distant one or the snare's own."""

    file: str
    n_strokes: int
    free_s: float
    early_over_late_db: tuple[float, ...]  # stroke by stroke
    octaves: tuple[Decay, ...]  # as OCTAVES_HZ; empty with too few strokes


def hear_decay(view: ChannelView) -> Iterator[SnareDecay]:
    """The snare in a distant mic, or in its own."""
    brief = view.brief
    own = brief.is_own_mic and brief.own_drum == "snare"
    if "snare" not in brief.drums or not (own or brief.channel.role in DISTANT_ROLES):
        return
    every = np.sort(np.concatenate([d.time_s for d in brief.drums.values()]))
    time_s, free_s = free_strokes(brief.drums["snare"], every)
    found: tuple[Decay, ...] = ()
    ratios: list[float] = []
    if len(time_s):
        x = read_excerpts(view.reader, brief.channel.index_in_file, time_s, lead_s=LEAD_S, tail_s=free_s)
        x64 = x.astype(np.float64)
        found = tuple(decay_of(*band_course(x64, view.rate_hz, hz)) for hz in OCTAVES_HZ)
        ratios = early_over_late_db(x64, view.rate_hz)
    yield SnareDecay(
        file=view.file, n_strokes=len(time_s), free_s=free_s, early_over_late_db=tuple(ratios), octaves=found
    )


def room_decays(view: TakeView) -> Iterator[RoomDecay]:
    """Every distant mic against the snare's own."""
    heard = {c.file: c for c in view.of_kind(SnareDecay)}
    own = heard.pop(view.own.get("snare", ""), None)
    for clue in heard.values():
        drum = own.octaves if own is not None and own.octaves else (NOTHING,) * len(OCTAVES_HZ)
        octaves = tuple(_octave_decay(*o) for o in zip(OCTAVES_HZ, clue.octaves, drum, strict=False))
        yield _room_decay(clue, octaves)


def _room_decay(clue: SnareDecay, octaves: tuple[OctaveDecay, ...]) -> RoomDecay:
    middle = spread = None
    if len(clue.early_over_late_db) >= FEWEST:
        low, middle, high = np.percentile(clue.early_over_late_db, [25, 50, 75]).round(1).tolist()
        spread = round(high - low, 1)
    few = dict.fromkeys(RoomDecay.NULLABLE, FEW_FREE_SNARES.format(least=FEWEST))
    return RoomDecay(
        file=clue.file, n_strokes=clue.n_strokes, free_s=clue.free_s, early_over_late_db=middle, early_spread_db=spread,
        octaves=octaves, unmeasured={} if middle is not None else few,
    )  # fmt: skip


def _octave_decay(hz: float, here: Decay, drum: Decay) -> OctaveDecay:
    why = {n: TAIL_COVERED for n, v in (("early_s", here.early_s), ("t20_s", here.t20_s)) if v is None}
    if drum.t20_s is None:
        why["drum_s"] = NOT_IN_OWN_MIC
    room_s = None
    if here.t20_s is None or drum.t20_s is None:
        why["room_s"] = TAIL_COVERED if here.t20_s is None else NOT_IN_OWN_MIC
    elif here.t20_s < OVER_DRUM * drum.t20_s:
        why["room_s"] = DRUM_AS_LONG
    else:
        room_s = here.t20_s
    return OctaveDecay(
        centre_hz=hz, early_s=here.early_s, t20_s=here.t20_s, drum_s=drum.t20_s, room_s=room_s, unmeasured=why
    )


NOTHING = Decay(early_s=None, t20_s=None)


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
    return _band(centre_hz, centre_hz, rate_hz)


def _band(lowest_hz: float, highest_hz: float, rate_hz: int) -> Float64Array:
    """All octaves from one centre to another."""
    edges = (lowest_hz * 10.0**-0.15, highest_hz * 10.0**0.15)
    return np.asarray(signal.butter(3, edges, "bandpass", fs=rate_hz, output="sos"))


def _frames(excerpts: Float64Array, sos: Float64Array, rate_hz: int) -> Float64Array:
    """(n_strokes, n_frames) power of a band."""
    power = signal.sosfilt(sos, excerpts, axis=1) ** 2
    size = max(1, round(FRAME_S * rate_hz))
    n = power.shape[1] // size
    return np.asarray(power[:, : n * size].reshape(len(power), n, size).mean(axis=2))


def _before(frames: Float64Array) -> Float64Array:
    """(n_strokes,) power before each stroke."""
    zero = round(LEAD_S / FRAME_S)
    first, last = (zero + round(s / FRAME_S) for s in BEFORE_S)
    return np.asarray(frames[:, first:last].mean(axis=1))


def early_over_late_db(excerpts: Float64Array, rate_hz: int) -> list[float]:
    """Of every stroke that leaves LEAST_LATE_S after the border; 0 dB are as much before it as after.

    excerpts : (n_strokes, n) from LEAD_S before the stroke
    """
    frames = _frames(excerpts, _band(*WHOLE_HZ, rate_hz), rate_hz)
    border, least = round(EARLY_S / FRAME_S), round(LEAST_LATE_S / FRAME_S)
    ratios = []
    for course, before in zip(frames, _before(frames), strict=True):
        start = int(np.argmax(course >= max(course.max() * 10.0 ** (-DIRECT_DB / 10.0), 2.0 * before)))
        late = np.maximum(course[start + border :] - before, 0.0)
        if len(late) >= least and late.sum() > 0.0:
            ratios.append(10.0 * math.log10(float(course[start : start + border].sum() / late.sum())))
    return ratios


def band_course(excerpts: Float64Array, rate_hz: int, centre_hz: float) -> tuple[Float64Array, float]:
    """(n_frames,) power from the stroke on against its first 40 ms, without what was before; and that, likewise.

    excerpts : (n_strokes, n) from LEAD_S before the stroke
    """
    frames = _frames(excerpts, _octave(centre_hz, rate_hz), rate_hz)
    zero, before = round(LEAD_S / FRAME_S), _before(frames)
    first = frames[:, zero : zero + round(FIRST_S / FRAME_S)].mean(axis=1) - before
    use = first > before
    if use.sum() < FEWEST:
        return np.zeros(0), 0.0
    course = np.median(frames[use, zero:] / first[use, None], axis=0)
    return course, float(np.median(before[use] / first[use]))


def decay_of(course: Float64Array, before: float, frame_s: float = FRAME_S) -> Decay:
    """Decay of one band from its power over time.

    course : (n_frames,) power; before : what was there already, which is taken away
    """
    if len(course) < 8 or not course.max() > 0.0:
        return NOTHING
    start = int(np.argmax(course[: max(8, round(FIRST_S / frame_s))]))
    power = np.maximum(course[start:] - before, 0.0)
    smooth = np.convolve(np.pad(power, 4, mode="edge"), np.ones(9) / 9.0, "valid")
    sunk = np.flatnonzero(smooth < before)
    end = int(sunk[0]) if len(sunk) else len(power)
    power = power[:end]
    if end < 8 or not power[-max(4, end // 6) :].sum() > 0.0:
        return NOTHING
    level = _integrated_db(power, frame_s)
    reach = -float(level[-1])
    above = math.inf if before <= 0.0 else 10.0 * math.log10(power.max() / before)
    edt, t20 = (_line(level, frame_s, a, b) for a, b in (EDT_DB, T20_DB))
    usable = min(reach, above - MARGIN_DB)
    return Decay(
        early_s=edt if usable >= -EDT_DB[1] else None,
        t20_s=t20 if usable >= -T20_DB[1] else None,
    )


def _integrated_db(power: Float64Array, frame_s: float) -> Float64Array:
    """Backward integration, re its start, with the missing end added from the slope that is found with it."""
    n = len(power)
    tail = power[-max(4, n // 6) :]
    end = float(tail.mean())
    energy = np.cumsum(power[::-1])[::-1] * frame_s
    missing = 0.0
    for _ in range(6):
        level = _relative_db(energy + missing)
        late = level <= level[-1] * 0.5
        slope = float(np.polyfit(np.flatnonzero(late) * frame_s, level[late], 1)[0]) if late.sum() >= 4 else -1e9
        rate = max(-slope * math.log(10.0) / 10.0, 1e-3)  # 1/s of the energy
        at_end = end * math.exp(-rate * len(tail) * frame_s / 2.0)
        missing = at_end / rate
    return _relative_db(energy + missing)


def _relative_db(energy: Float64Array) -> Float64Array:
    return np.asarray(10.0 * np.log10(np.maximum(energy / energy[0], 1e-20)))


def _line(level: Float64Array, frame_s: float, high_db: float, low_db: float) -> float | None:
    inside = np.flatnonzero((level <= high_db) & (level >= low_db))
    if len(inside) < 4:
        return None
    slope, offset = np.polyfit(inside * frame_s, level[inside], 1)
    rest = level[inside] - (slope * inside * frame_s + offset)
    if slope >= 0.0 or np.std(rest) > CROOKED * (high_db - low_db):
        return None
    return float(-60.0 / slope)
