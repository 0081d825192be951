"""One time line for all channels: tracks of other rates and lengths brought onto the same frames."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.onsets import FLOOR_POWER, OnsetTrack

FLOOR_DB = np.float16(10.0 * np.log10(FLOOR_POWER))


def common_tracks(tracks: Mapping[str, OnsetTrack]) -> dict[str, OnsetTrack]:
    """The same tracks with equal rates and lengths: those most channels have, as long as the longest.

    A file at another sample rate has frames of a slightly different length; its nearest frames are taken,
    at most half a millisecond off. A shorter file is silent at its end.
    """
    if not tracks:
        return {}
    (frames_per_s, edges_per_s), _ = Counter((t.frames_per_s, t.edges_per_s) for t in tracks.values()).most_common(1)[0]
    n_frames = max(round(len(t.band_db) / t.frames_per_s * frames_per_s) for t in tracks.values())
    n_bins = max(round(len(t.edge_db) / t.edges_per_s * edges_per_s) for t in tracks.values())
    return {
        file: OnsetTrack(
            band_db=_onto(t.band_db, t.frames_per_s, frames_per_s, n_frames),
            edge_db=_onto(t.edge_db, t.edges_per_s, edges_per_s, n_bins),
            mid_db=_onto(t.mid_db, t.edges_per_s, edges_per_s, n_bins),
            frames_per_s=frames_per_s,
            edges_per_s=edges_per_s,
        )
        for file, t in tracks.items()
    }


def _onto(values: NDArray[np.float16], per_s: float, wanted_per_s: float, n: int) -> NDArray[np.float16]:
    if per_s == wanted_per_s and len(values) == n:
        return values
    index = np.round(np.arange(n) * per_s / wanted_per_s).astype(np.int64)
    out = np.full((n, *values.shape[1:]), FLOOR_DB, np.float16)
    inside = index < len(values)
    out[inside] = values[index[inside]]
    return out
