"""Lateness: close mics whose whole channel lags behind the others, found before any stroke is.

Of two close mics each hears the other's drum later than its own, by the same path. Half the difference of the two
lags is therefore no path at all: it is how much later one channel is than the other.

Conventions: tracks as in onsets.py, all on one time line; a lag is positive when the first named hears later.

Source
------
Own work, after two-way ranging. Measured on ten rendered takes of a real and a modelled kit: close mics in time come
out at -5 to +5 ms, because a kick's soft edge is seen late and hats cover much; those 12 ms late at 7 to 16 ms.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.candidates import Powers, Rises, start_times
from kitproof.measure.identity import NEAR_DB, Starts, loud_starts
from kitproof.measure.onsets import OnsetTrack
from kitproof.measure.timeline import FLOOR_DB

AROUND_S = 0.030  # a second conversion or an effect takes 1 to 20 ms
NEED_DB = 9.0
FEWEST = 3  # events, and mics that have to agree
LEAST_S = 0.0045  # above what softness and chance make of a channel in time, where nothing else speaks for it either
QUARTILE_S = 0.0035  # three of four mics say at least this
FIRST_S = 0.001
# Of the loud events in a mic 12 ms late 0 to 0.22 seem to begin there, mostly none. A ride or a second kick mic in time
# may have as few (0 to 1), so this only bears out the lag; toms that are seldom hit may be missed by it.
FIRST_SHARE = 0.12
Float64Array = NDArray[np.float64]


def late_mics(
    tracks: Mapping[str, OnsetTrack],
    close: Sequence[str],
    far: Sequence[str],
    rises: Mapping[str, Rises] = MappingProxyType({}),
) -> dict[str, float]:
    """Roughly how late each late close mic is, s, by file; those in time are not named, nor is one in silence.

    far : overheads, which help to judge
    rises : where the level rises, of the files where that is known already
    """
    files = [f for f in (*close, *far) if f in tracks]
    powers = Powers(tracks, rises)
    loud = {f: _near(loud_starts(f, tracks[f], powers)) for f in files}
    lags = {(a, b): _lags_s(loud[a], tracks[b]) for a in files for b in files if a != b}
    found = {}
    for file in files:
        each = [_offset_s(lags[file, other], lags[other, file]) for other in files if other != file]
        known = np.array([s for s in each if s is not None])
        if file not in close or len(known) < FEWEST:
            continue
        by_s = float(np.median(known))
        behind = np.fmax.reduce([lags[file, other] for other in files if other != file])
        first = float(np.mean(behind <= FIRST_S))
        if by_s >= LEAST_S and np.percentile(known, 25) >= QUARTILE_S and first <= FIRST_SHARE:
            found[file] = by_s
    return found


def _near(starts: Starts) -> Float64Array:
    return starts.time_s[starts.level_db > -NEAR_DB]


def _lags_s(time_s: Float64Array, other: OnsetTrack) -> Float64Array:
    """(n,) how much later each event is here than in the other mic; NaN where that one hears nothing."""
    return np.asarray(time_s - start_times(other, time_s, before_s=AROUND_S, after_s=AROUND_S, need_db=NEED_DB))


def _offset_s(here: Float64Array, there: Float64Array) -> float | None:
    """Half the difference of two mics' lags behind each other."""
    one, other = here[np.isfinite(here)], there[np.isfinite(there)]
    if min(len(one), len(other)) < FEWEST:
        return None
    return float(0.5 * (np.median(one) - np.median(other)))


def in_time(track: OnsetTrack, late_s: float) -> OnsetTrack:
    """The track of a channel that is late, moved earlier; silent at its end."""
    frames, bins = round(late_s * track.frames_per_s), round(late_s * track.edges_per_s)
    return replace(
        track, band_db=_earlier(track.band_db, frames),
        edge_db=_earlier(track.edge_db, bins), mid_db=_earlier(track.mid_db, bins),
    )  # fmt: skip


def _earlier(values: NDArray[np.float16], n: int) -> NDArray[np.float16]:
    out = np.full_like(values, FLOOR_DB)
    out[: len(values) - n] = values[n:]
    return out
