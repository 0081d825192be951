"""Line-up: do the loud onsets of a mic come together with those of the other mics?

Every stroke reaches every mic of a room, each time after the same while. In a stem of another take, of another
song, or pushed along the time line, onsets meet those of the others by chance only.

Conventions: tracks as in onsets.py, all on one time line; a bin is two edge bins, about half a millisecond.

Source
------
Own choice, measured on rendered takes: mics of the take reach 0.4 to 1.0, stems of another take of the same song at
the same tempo 0.1 to 0.33, of another song 0.03 to 0.17. Kick mics, with a pillow round them, hear and are heard
with soft edges only: 0.1 to 0.7, so they tell nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from kitproof.measure.onsets import OnsetTrack
from kitproof.measure.views import TakeView
from kitproof.observed.identity import LineUp
from kitproof.reasons import FEW_ONSETS, NO_OTHER_MIC

Float32Array = NDArray[np.float32]

RISE_DB = 8.0  # of the edge over that of the 4 ms before; ring and noise rise by 3
BEFORE_BINS = 8
LOUD_DB = 12.0  # onsets further under the fifth loudest may be bleed that others hardly hear
FEWEST, MOST = 8, 200
LAG_BINS = 40  # 20 ms: the way to a room mic and back


@dataclass(frozen=True, slots=True)
class Onsets:
    """Where something begins in one mic."""

    where: NDArray[np.bool_]  # (n,) of every bin, widened by a bin to both sides
    loud: NDArray[np.int64]  # bins of the loud ones


def onsets_of(level_db: Float32Array) -> Onsets:
    """The onsets of one mic from its edge level, (n,)."""
    rise = _rise(level_db)
    where = np.asarray(ndimage.binary_dilation(rise > RISE_DB, iterations=1))
    return Onsets(where=where, loud=_loud_onsets(level_db, rise))


def line_ups(view: TakeView) -> Iterator[LineUp]:
    """How each mic at the kit lines up with the others; None with a reason where too little is loud."""
    tracks = {c.file: view.tracks[c.file] for c in view.kit if c.file in view.tracks}
    onsets = {f: onsets_of(_levels(t)) for f, t in tracks.items()}
    for file in tracks:
        yield line_up(file, onsets)


def line_up(file: str, onsets: Mapping[str, Onsets]) -> LineUp:
    """The largest share of a mic's loud onsets that meet one of one other mic at a constant lag, beyond chance.

    onsets : of every mic; silence has none
    """
    at = onsets[file].loud
    others = [there.where for other, there in onsets.items() if other != file]
    if len(at) < FEWEST or not others:
        reason = NO_OTHER_MIC if not others else FEW_ONSETS
        return LineUp(file=file, n_onsets=len(at), share=None, unmeasured={"share": reason})
    best = 0.0
    index = at[:, None] + np.arange(-LAG_BINS, LAG_BINS + 1)
    for there in others:
        inside = (index >= 0) & (index < len(there))
        met = (there[np.clip(index, 0, len(there) - 1)] & inside).mean(axis=0)
        chance = float(there.mean())
        best = max(best, (float(met.max()) - chance) / max(1.0 - chance, 1e-6))
    return LineUp(file=file, n_onsets=len(at), share=best)


def _levels(track: OnsetTrack) -> Float32Array:
    edge = track.edge_db[: len(track.edge_db) // 2 * 2].astype(np.float32)
    return np.maximum(edge[::2], edge[1::2])


def _rise(level_db: Float32Array) -> Float32Array:
    """(n,) over the largest of the bins before."""
    if len(level_db) == 0:
        return level_db
    before = np.concatenate((level_db[:1], level_db[:-1]))
    return np.asarray(level_db - ndimage.maximum_filter1d(before, BEFORE_BINS, origin=BEFORE_BINS // 2 - 1))


def _loud_onsets(level_db: Float32Array, rise: Float32Array) -> NDArray[np.int64]:
    """Bins of the loud onsets, evenly spread over the take where there are many."""
    if len(rise) < 3:
        return np.zeros(0, np.int64)
    top = np.zeros(len(rise), bool)
    top[1:-1] = (rise[1:-1] > RISE_DB) & (rise[1:-1] >= rise[:-2]) & (rise[1:-1] > rise[2:])
    at = np.flatnonzero(top)
    if len(at) == 0:
        return at
    loudness = level_db[np.minimum(at[:, None] + np.arange(3), len(level_db) - 1)].max(axis=1)
    fifth = np.sort(loudness)[-min(5, len(at))]
    at = at[loudness > fifth - LOUD_DB]
    return np.asarray(at[np.unique(np.linspace(0, len(at) - 1, min(len(at), MOST)).round().astype(int))])
