"""The room from the take itself: how much of the snare comes at once to a distant mic, and how it dies away there.

A snare stroke is not an impulse, and a song leaves few gaps; what can be had is the level after those strokes that no
other follows for a while. Their power, in the band from 250 Hz to 4 kHz, is averaged, noise taken off, and integrated
backwards. The slope from -5 to -25 dB gives a decay, which is the room's or the snare's own, whichever is longer: an
upper bound for a dry room, close to the truth in a live one.

Conventions: excerpts (n_strokes, n) around the direct sound in this mic, full scale 1.0.

Source
------
Backward integration: Schroeder, New method of measuring reverberation time, JASA 37 (1965) 409. Range -5 to -25 dB
(T20) and early over late energy with a border of 50 ms (C50): ISO 3382-1, here with a drum in place of the source it
asks for, so the figures compare takes and mics, not rooms with standards.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from kitproof.measure.views import ChannelView
from kitproof.observed.roomsound import RoomSound
from kitproof.roles import DISTANT_ROLES

Floats = NDArray[np.float64]
BAND_HZ = (250.0, 4000.0)
LEAD_S, TAIL_S = 0.02, 0.50
FREE_S = 0.18  # after the stroke without another one: the least that shows 20 dB of a live room
MOST_STROKES, FEWEST_STROKES = 24, 4
EARLY_S = 0.050
STEP_S = 0.002
TOP_DB, BOTTOM_DB = -5.0, -25.0
PICKED_DB = 14.0  # the direct sound: first time within this of the stroke's peak
DRUM = "snare"
NO_STROKES = "fewer than 4 strokes of the snare that nothing follows for a while"
NO_RANGE = "noise or the next stroke comes before the level has fallen by 25 dB"


def measure_room(view: ChannelView) -> Iterator[RoomSound]:
    """One record for each distant mic; others hear too little of the room."""
    if view.brief.channel.role not in DISTANT_ROLES:
        return
    time_s, free_s = free_strokes(view)
    if len(time_s) < FEWEST_STROKES:
        yield _nothing(view.file, len(time_s), NO_STROKES)
        return
    rate, n = view.rate_hz, round((LEAD_S + TAIL_S) * view.rate_hz)
    waves = np.stack([view.read(round((t - LEAD_S) * rate), n) for t in time_s])
    yield room_sound(view.file, waves, free_s, rate)


def free_strokes(view: ChannelView) -> tuple[Floats, Floats]:
    """(times, free time after each) of the snare strokes that stand longest alone, in order of time."""
    drums = view.brief.drums
    if DRUM not in drums:
        return np.zeros(0), np.zeros(0)
    every = np.sort(np.concatenate([d.time_s for d in drums.values()]))
    time_s = drums[DRUM].time_s
    after = every[np.minimum(np.searchsorted(every, time_s + 0.005), len(every) - 1)]
    free_s = np.where(after > time_s + 0.005, after - time_s, np.inf)
    before = every[np.maximum(np.searchsorted(every, time_s - 0.005) - 1, 0)]
    alone = (free_s >= FREE_S) & ((time_s - before > 0.08) | (before >= time_s - 0.005))
    best = np.sort(np.flatnonzero(alone)[np.argsort(-free_s[alone], kind="stable")][:MOST_STROKES])
    return time_s[best], np.minimum(free_s[best], TAIL_S)


def room_sound(file: str, waves: Floats, free_s: Floats, rate_hz: int) -> RoomSound:
    """The figures from excerpts that begin LEAD_S before the stroke at the snare's own mic.

    waves : (n_strokes, n), full scale 1.0
    free_s : (n_strokes,) time after each until something else is struck
    """
    power = band_power(waves, rate_hz)
    step = power.shape[1] / (LEAD_S + TAIL_S)
    noise = np.median(power[:, : round(0.6 * LEAD_S * step)], axis=1)
    starts = [direct_sound(p, float(floor)) for p, floor in zip(power, noise, strict=True)]
    ratios = _early_over_late(power, starts, free_s, noise, step)
    if len(ratios) < FEWEST_STROKES:
        return _nothing(file, len(waves), NO_STROKES)
    low, middle, high = np.percentile(ratios, [25, 50, 75])
    found = _decay(power, starts, free_s, noise, step)
    decay_s, range_db, misfit_db = (None, None, None) if found is None else found
    why = dict.fromkeys(("decay_s", "decay_range_db", "decay_misfit_db"), NO_RANGE) if found is None else {}
    return RoomSound(
        file=file, n_strokes=len(ratios), early_over_late_db=round(float(middle), 1),
        early_spread_db=round(float(high - low), 1), decay_s=_rounded(decay_s, 3),
        decay_range_db=_rounded(range_db, 1), decay_misfit_db=_rounded(misfit_db, 2), unmeasured=why,
    )  # fmt: skip


def band_power(waves: Floats, rate_hz: int) -> Floats:
    """(n_strokes, n_steps) mean power in steps of STEP_S, within BAND_HZ."""
    heard = signal.sosfilt(_filter(rate_hz), waves, axis=1)
    n = max(1, round(STEP_S * rate_hz))
    whole = heard.shape[1] // n * n
    return np.asarray(np.mean(heard[:, :whole].reshape(len(waves), -1, n) ** 2, axis=2) + 1e-20)


@cache
def _filter(rate_hz: int) -> Floats:
    return np.asarray(signal.butter(4, BAND_HZ, btype="bandpass", fs=rate_hz, output="sos"))


def direct_sound(power: Floats, noise: float) -> int:
    """Index of the first step within PICKED_DB of the peak."""
    return int(np.argmax(power >= max(power.max() * 10.0 ** (-PICKED_DB / 10.0), 2.0 * noise)))


def _early_over_late(power: Floats, starts: Sequence[int], free_s: Floats, noise: Floats, step: float) -> list[float]:
    """dB, for every stroke with at least 80 ms after the border."""
    ratios = []
    for p, start, free, floor in zip(power, starts, free_s, noise, strict=True):
        end, border = round((LEAD_S + free) * step), start + round(EARLY_S * step)
        late = float(np.maximum(p[border:end] - floor, 0.0).sum())
        if end - border >= round(0.08 * step) and late > 0.0:
            ratios.append(10.0 * float(np.log10(float(p[start:border].sum()) / late)))
    return ratios


def _decay(
    power: Floats, starts: Sequence[int], free_s: Floats, noise: Floats, step: float
) -> tuple[float, float, float] | None:
    """(time to fall by 60 dB, range, misfit) of the mean course; None if it does not fall far enough."""
    length = round(float(np.median(free_s)) * step) - max(starts) + round(LEAD_S * step)
    use = [i for i, s in enumerate(starts) if round((LEAD_S + free_s[i]) * step) - s >= length]
    if length < round(0.1 * step) or len(use) < FEWEST_STROKES:
        return None
    courses = [(power[i, starts[i] : starts[i] + length] - noise[i]) / power[i].max() for i in use]
    floor = float(np.mean(noise[use] / power[use].max(axis=1)))
    return decay_of(np.maximum(np.mean(courses, axis=0), 0.0), step, floor)


def decay_of(course: Floats, steps_per_s: float, noise: float = 0.0) -> tuple[float, float, float] | None:
    """(time to fall by 60 dB, range in dB, misfit in dB) of one course of power with its noise taken off.

    The end is cut where the power meets the noise, and what a straight line would still hold beyond the end is put
    back, so that a course that ends too early does not look shorter than it is.
    """
    after_peak = course[int(np.argmax(course)) :]
    quiet = np.flatnonzero(after_peak < 2.0 * noise)
    if len(quiet):
        after_peak = after_peak[: quiet[0]]
    n = len(after_peak)
    if n < 12 or after_peak[-n // 4 :].mean() <= 0.0:
        return None
    late = 10.0 * np.log10(np.maximum(after_peak[-n // 3 :], 1e-20))
    slope = float(np.polyfit(np.arange(len(late)), late, 1)[0])
    if slope >= -0.01:
        return None
    beyond = float(np.mean(after_peak[-n // 6 :])) / (10.0 ** (-slope / 10.0) - 1.0)
    left = np.cumsum(after_peak[::-1])[::-1] + beyond
    level = 10.0 * np.log10(left / left[0])
    range_db = -float(level[-1])
    inside = np.flatnonzero((level <= TOP_DB) & (level >= BOTTOM_DB))
    if range_db < -BOTTOM_DB or len(inside) < 6:
        return None
    per_step, at_zero = np.polyfit(inside, level[inside], 1)
    misfit = float(np.sqrt(np.mean((level[inside] - (per_step * inside + at_zero)) ** 2)))
    return float(-60.0 / per_step / steps_per_s), range_db, misfit


def _rounded(value: float | None, decimals: int) -> float | None:
    return None if value is None else round(value, decimals)


def _nothing(file: str, n: int, why: str) -> RoomSound:
    return RoomSound(
        file=file, n_strokes=n, early_over_late_db=None, early_spread_db=None, decay_s=None, decay_range_db=None,
        decay_misfit_db=None, unmeasured=dict.fromkeys(RoomSound.NULLABLE, why),
    )  # fmt: skip
