"""Processed while recording: a gate that shuts a mic between the strokes of its own drum.

An open mic hears the whole kit. Where other drums are struck and a channel holds nothing but rounding, while it
sounds at other strokes, it was shut: by a gate, or by an editor who cut silence in. The fall into that silence is
far quicker than any ring. A dead mic never sounds; a quiet converter still hears the kit.

A gate that only turns down leaves sound behind, but it closes at a corner: the ring falls ever more slowly, band by
band, and then everything falls at once, in all bands alike, and stays down. No drum, no hand on it and no room does.

Conventions: levels in dBFS, mean square over 4 ms.

Source
------
Noise floor that falls to near digital silence between hits: common practice. Strokes of other drums that are
swallowed, and the speed of the fall: own choice.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.onsets import FLOOR_POWER, OnsetTrack
from kitproof.measure.views import TakeView
from kitproof.observed.chain import Closing, Gate
from kitproof.roles import DRUM_OF_ROLE, SHELLS

SHUT_DBFS = -100.0  # 25 dB under what any mic of a kit in a room picks up while it is played
SOUNDS_DBFS = -60.0
DEPTH_DB = 75.0  # and so far under its own loudest: a channel recorded far too low is quiet, not shut
AFTER_S = (0.002, 0.030)
NOT_OWN_S = 0.020  # no stroke of the own drum within this
FALL_DB, FALL_S = 15.0, 0.060  # 250 dB/s: a damped kick falls by a fourth of that
CLOSES_DB = 10.0  # that a fall exceeds the one just before it; less is within what soft strokes and rolls do
CLOSE_S, MEAN_S = 0.034, 0.010  # how long a gate may take to fall, and over how much levels are meant
LOOK_S = (0.025, 0.450)  # after a stroke
RISE_DB = 3.0  # before or after the fall: something else sounds
Float64Array = NDArray[np.float64]


def gates(view: TakeView) -> Iterator[Gate]:
    """One record per channel of the kit that sounds and swallows a stroke of another drum."""
    for c in view.kit:
        if c.file in view.tracks:
            own = DRUM_OF_ROLE.get(c.role)
            mine = [d.time_s for name, d in view.drums.items() if name == own]
            others = [d.time_s for name, d in view.drums.items() if name != own]
            gate = find_gate(c.file, view.tracks[c.file], _joined(mine), _joined(others))
            if gate is not None:
                yield gate


def _joined(times: Sequence[Float64Array]) -> Float64Array:
    return np.sort(np.concatenate((np.zeros(0), *times)))


def find_gate(file: str, track: OnsetTrack, own_s: Float64Array, foreign_s: Float64Array) -> Gate | None:
    """What a channel swallows; None if it never sounds, or never shuts while another drum is struck."""
    level = 10.0 * np.log10(track.band_power().sum(axis=1, dtype=np.float64))
    if len(own_s):
        at = np.searchsorted(own_s, foreign_s)
        near = np.minimum(
            np.abs(foreign_s - own_s[np.minimum(at, len(own_s) - 1)]), np.abs(foreign_s - own_s[np.maximum(at - 1, 0)])
        )
        foreign_s = foreign_s[near > NOT_OWN_S]
    first, last = (np.round((foreign_s + s) * track.frames_per_s).astype(int) for s in AFTER_S)
    inside = last < len(level)
    loudest = np.array([level[a:b].max() for a, b in zip(first[inside], last[inside], strict=True)])
    shut_dbfs = min(SHUT_DBFS, float(level.max()) - DEPTH_DB) if len(level) else SHUT_DBFS
    swallowed = loudest <= shut_dbfs
    if not swallowed.any() or level.max() < SOUNDS_DBFS:
        return None
    return Gate(
        file=file, n_foreign=len(loudest), n_swallowed=int(swallowed.sum()),
        shut_dbfs=float(np.median(loudest[swallowed])), n_falls=_falls(level, track.frames_per_s),
        times_s=tuple(foreign_s[inside][swallowed][:20].tolist()),
    )  # fmt: skip


def _falls(level: Float64Array, per_s: float) -> int:
    """How often the level drops under SHUT_DBFS from well above, quicker than any ring."""
    shut = level <= SHUT_DBFS
    closing = np.flatnonzero(shut[1:] & ~shut[:-1]) + 1
    closing = closing[closing < len(level) - FALL_S * per_s]  # the end of the file is no gate
    back = np.maximum(closing - round(FALL_S * per_s), 0)
    return int(np.count_nonzero(level[back] >= SHUT_DBFS + FALL_DB))


def closings(view: TakeView) -> Iterator[Closing]:
    """One record per mic of a shell whose strokes can be followed, with how many end at a corner."""
    every = _joined([d.time_s for d in view.drums.values()])
    for c in view.kit:
        own = DRUM_OF_ROLE.get(c.role)
        if c.file in view.tracks and own in SHELLS and own in view.drums:
            closing = find_closing(c.file, view.tracks[c.file], view.drums[own].time_s, every)
            if closing is not None:
                yield closing


def find_closing(file: str, track: OnsetTrack, own_s: Float64Array, every_s: Float64Array) -> Closing | None:
    """How often a channel falls at once in all bands after strokes at own_s; None if other strokes hide them all.

    every_s : strokes of all drums, sorted; none of them may sound within a fall
    """
    depths = [_corner_db(track, t, every_s) for t in own_s.tolist()]
    followed = [(t, d) for t, d in zip(own_s.tolist(), depths, strict=True) if d is not None]
    closed = [(t, d) for t, d in followed if d >= CLOSES_DB]
    if not followed:
        return None
    return Closing(
        file=file, n_followed=len(followed), n_closed=len(closed),
        depth_db=float(np.median([d for _, d in closed or followed])), times_s=tuple(t for t, _ in closed)[:20],
    )  # fmt: skip


def _corner_db(track: OnsetTrack, time_s: float, every_s: Float64Array) -> float | None:
    """By how much the sharpest fall after a stroke exceeds the one before it, in all bands but one at least, dB."""
    per_s = track.frames_per_s
    fall, mean = round(CLOSE_S * per_s), round(MEAN_S * per_s)
    first = max(0, round((time_s + LOOK_S[0]) * per_s) - fall)
    last = min(round((time_s + LOOK_S[1]) * per_s) + fall + 3 * mean, len(track.band_db))
    at = np.arange(mean + fall, last - first - fall - 3 * mean)  # of the corner, frames from the first
    if not len(at):
        return None
    began = np.searchsorted(every_s, (first + at - mean - fall) / per_s)
    at = at[began == np.searchsorted(every_s, (first + at + fall + 3 * mean) / per_s)]
    if not len(at):
        return None
    power = 10.0 ** (track.band_db[first:last].astype(np.float64) / 10.0)
    total = np.vstack((np.zeros((1, power.shape[1])), np.cumsum(power, axis=0)))
    level = 10.0 * np.log10(np.maximum((total[mean:] - total[:-mean]) / mean, FLOOR_POWER))
    before, corner, after, later = (level[at + k] for k in (-mean - fall, -mean, fall, fall + 2 * mean))
    still = (before - corner > -RISE_DB) & (after - later > -RISE_DB)
    sharper = np.where(still, corner - after - np.maximum(before - corner, 0.0), 0.0)
    return float(np.sort(sharper, axis=1)[:, 1].max())
