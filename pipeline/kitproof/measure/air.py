"""Air that hits a kick mic: what lies below 25 Hz right after the beater and is never twice the same.

A drum's own lows are a wave: the same for every stroke but for its strength, and swinging about the middle. Air out
of the port pushes the capsule one way, a few milliseconds after the beater, and is turbulent: no two puffs are alike.
So, below 25 Hz, from 2 ms before the stroke to 150 ms after it:

1. the shape that all strokes share, each with a strength of its own, is taken away;
2. what is left is held against the whole below 25 Hz, against what was there before the stroke (a rumble is there at
   any time), and against the drum's body from 35 to 140 Hz.

Conventions: excerpts float64 (n_strokes, n), full scale 1.0, LEAD_S before the stroke to TAIL_S after it. Silence and
fewer than FEWEST strokes give None with a reason.

Source
------
Below 25 Hz, 2 to 10 ms after the beater, poorly repeated, to one side: common practice. The rest: own choice.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.ring import thin
from kitproof.measure.views import ChannelView
from kitproof.observed.room import KickAir
from kitproof.reasons import FEW_KICKS, SILENT

Float64Array = NDArray[np.float64]

KICK_ROLES = ("kick", "kick-in", "kick-out")
LEAD_S, TAIL_S = 0.20, 0.30
BEFORE_S = (-0.17, -0.02)  # as long as AFTER_S, so that a rumble has the same energy in both
AFTER_S = (-0.002, 0.148)
AIR_HZ = 25.0
BODY_HZ = (35.0, 140.0)
FREE_S = 0.35  # from the kick stroke before, whose air may not be over, and to the next
LOUD_SHARE = 0.5
FEWEST, MOST = 8, 24
NAMES = ("uneven", "air_db", "over_before_db", "one_sided")


def find_air(view: ChannelView) -> Iterator[KickAir]:
    """One record for every mic at a kick that was struck."""
    if view.brief.channel.role not in KICK_ROLES or "kick" not in view.brief.drums:
        return
    time_s = lone_strokes(view.brief.drums["kick"])
    n = round((LEAD_S + TAIL_S) * view.rate_hz)
    rows = [thin(view.read(round((t - LEAD_S) * view.rate_hz), n), view.rate_hz) for t in time_s]
    if len(rows) < FEWEST:
        yield _none(view.file, len(rows), FEW_KICKS.format(least=FEWEST))
    else:
        yield kick_air(view.file, np.array([x for x, _ in rows]), rows[0][1])


def lone_strokes(kick: DrumTimes) -> Float64Array:
    """Times of the loud strokes with no other of the kick near them, at most MOST, evenly spread."""
    gap = np.diff(kick.time_s, prepend=-np.inf, append=np.inf)
    loud = kick.strength >= LOUD_SHARE * np.median(kick.strength) if len(kick.strength) else np.zeros(0, bool)
    chosen = kick.time_s[loud & (np.minimum(gap[:-1], gap[1:]) >= FREE_S)]
    index = np.linspace(0, len(chosen) - 1, min(len(chosen), MOST)).round().astype(int)
    return np.asarray(chosen[index])


def kick_air(file: str, excerpts: Float64Array, rate_hz: float) -> KickAir:
    """What one mic shows below 25 Hz. excerpts : (n_strokes, n) at some 2 kHz, from LEAD_S before the stroke."""
    low = signal.sosfiltfilt(_low_pass(rate_hz), excerpts, axis=1)
    before, after = (_span(low, s, rate_hz) for s in (BEFORE_S, AFTER_S))
    body = _span(signal.sosfilt(_body(rate_hz), excerpts, axis=1), AFTER_S, rate_hz)
    body_power = np.mean(body**2, axis=1)
    use = body_power > 1e-16
    if use.sum() < FEWEST:
        return _none(file, int(use.sum()), SILENT)
    before, after, body_power = before[use], after[use], body_power[use]
    rest = after - _shared(after / np.sqrt(body_power)[:, None]) * np.sqrt(body_power)[:, None]
    power, left, there = (np.mean(x**2, axis=1) + 1e-20 for x in (after, rest, before))
    high, deep = after.max(axis=1), -after.min(axis=1)
    sides = (high - deep) / np.maximum(high + deep, 1e-12)
    return KickAir(
        file=file, n_strokes=int(use.sum()), uneven=float(np.median(left / power)),
        air_db=10.0 * float(np.log10(np.median(left / body_power))),
        over_before_db=10.0 * float(np.log10(np.median(left) / np.median(there))), one_sided=float(np.median(sides)),
    )  # fmt: skip


def _shared(shapes: Float64Array) -> Float64Array:
    """(n_strokes, n) the median shape, with the strength that fits each stroke best."""
    shape = np.median(shapes, axis=0)
    fit = shapes @ shape / max(float(shape @ shape), 1e-20)
    return np.asarray(np.outer(fit, shape))


def _span(x: Float64Array, span_s: tuple[float, float], rate_hz: float) -> Float64Array:
    first, last = (round((LEAD_S + s) * rate_hz) for s in span_s)
    return x[:, first:last]


@lru_cache(maxsize=8)
def _low_pass(rate_hz: float) -> Float64Array:
    return np.asarray(signal.butter(2, AIR_HZ, fs=rate_hz, output="sos"))


@lru_cache(maxsize=8)
def _body(rate_hz: float) -> Float64Array:
    return np.asarray(signal.butter(2, BODY_HZ, "bandpass", fs=rate_hz, output="sos"))


def _none(file: str, n: int, why: str) -> KickAir:
    return KickAir(
        file=file, n_strokes=n, uneven=None, air_db=None, over_before_db=None, one_sided=None,
        unmeasured=dict.fromkeys(NAMES, why),
    )  # fmt: skip
