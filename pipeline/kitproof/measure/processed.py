"""Processed while recording: a gate that shuts a mic between the strokes of its own drum.

An open mic hears the whole kit. Where other drums are struck and a channel holds nothing but rounding, while it
sounds at other strokes, it was shut: by a gate, or by an editor who cut silence in. The fall into that silence is
far quicker than any ring. A dead mic never sounds; a quiet converter still hears the kit.

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

from kitproof.measure.onsets import OnsetTrack
from kitproof.measure.views import TakeView
from kitproof.observed.chain import Gate
from kitproof.roles import DRUM_OF_ROLE

SHUT_DBFS = -100.0  # 25 dB under what any mic of a kit in a room picks up while it is played
SOUNDS_DBFS = -60.0
DEPTH_DB = 75.0  # and so far under its own loudest: a channel recorded far too low is quiet, not shut
AFTER_S = (0.002, 0.030)
NOT_OWN_S = 0.020  # no stroke of the own drum within this
FALL_DB, FALL_S = 15.0, 0.060  # 250 dB/s: a damped kick falls by a fourth of that
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
