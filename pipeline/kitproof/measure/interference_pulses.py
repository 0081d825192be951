"""Bursts of a mobile telephone: pulses at the frame rate of its transmitter, in any channel.

A transmitter that is on for one slot of eight is heard through whatever rectifies it as pulses 4.615 ms apart. The
edges of a channel (largest step from sample to sample per quarter of a millisecond) are laid on top of one another with
that period, in dB, so that no stroke outweighs the rests. Pulses stand out as a narrow peak. A tone never does: the
steps of a sine fall from their peak to their median by 3 dB, whatever its pitch.

Conventions: edges in dB re 1.0 over time, as OnsetTrack has them.

Source
------
26 frames in 120 ms, slots of 577 us: ETSI TS 145 002, TDMA frame structure. Own choices: folding in dB, the limits.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from kitproof.measure.views import TakeView
from kitproof.observed.interference import PhoneBursts

FRAME_S = 0.120 / 26
CELL_S = 0.120  # one multiframe; two of them are looked at together
N_PHASES = 24
MOST_STEP_DB = 12.0  # over the mean of a frame: more counts for no more, so that a stroke is one frame of many
PEAK_DB = 4.5  # of the folded edges over their median; a tone gives 3, 467 channels of drums 2.7 at most
MOST_WIDE = 9  # phases over half the peak: two edges and what an amplifier smears
FEWEST_CELLS = 3  # pairs of multiframes in the channel
MOST_BURSTS = 200
Floats = NDArray[np.float32]


def find_phone_bursts(view: TakeView) -> Iterator[PhoneBursts]:
    """Each channel's bursts, if it has any."""
    for c in view.kit:
        track = view.tracks[c.file]
        found = phone_bursts(c.file, track.edge_db.astype(np.float32), track.edges_per_s)
        if found is not None:
            yield found


def phone_bursts(file: str, edge_db: Floats, per_s: float) -> PhoneBursts | None:
    """Bursts in one channel's edges; None if there are none. Silence has none.

    edge_db : (n,) largest step per bin, dB re 1.0
    """
    n_cells = int(len(edge_db) / per_s / CELL_S)
    if n_cells < 2:
        return None
    over, count, place = _folded(edge_db, per_s, n_cells)
    profile = (over[:-1] + over[1:]) / (count[:-1] + count[1:])
    middle = np.median(profile, axis=1)
    peak = profile.max(axis=1) - middle
    wide = np.count_nonzero(profile > (middle + 0.5 * peak)[:, None], axis=1)
    pulsed = (peak >= PEAK_DB) & (wide <= MOST_WIDE)
    if np.count_nonzero(pulsed) < FEWEST_CELLS:
        return None
    strongest = int(np.argmax(np.where(pulsed, peak, -np.inf)))
    here = place // N_PHASES
    at_peak = (place % N_PHASES == profile[strongest].argmax()) & ((here == strongest) | (here == strongest + 1))
    step = float(edge_db[: len(here)][at_peak].mean())
    return PhoneBursts(file=file, bursts_s=_runs(pulsed), step_dbfs=step, over_db=float(peak[strongest]))


def _folded(edge_db: Floats, per_s: float, n_cells: int) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """(n_cells, N_PHASES) sums of edges over the mean of their frame, how many, and the place of each."""
    n = int(n_cells * CELL_S * per_s)
    edge_db = edge_db[:n]
    rest = edge_db - ndimage.uniform_filter1d(edge_db, max(3, round(FRAME_S * per_s)))
    np.clip(rest, -MOST_STEP_DB, MOST_STEP_DB, out=rest)
    place, count = _places(n, per_s, n_cells)
    sums = np.bincount(place, weights=rest, minlength=count.size).reshape(count.shape)
    return sums.astype(np.float32), count, place


@lru_cache(maxsize=1)  # all channels of a take have the same
def _places(n: int, per_s: float, n_cells: int) -> tuple[NDArray[np.int64], Floats]:
    """(n,) in which cell and phase each edge falls, and (n_cells, N_PHASES) how many do."""
    time = (np.arange(n) + 0.5) / per_s
    cell = np.minimum((time / CELL_S).astype(np.int64), n_cells - 1)
    place = cell * N_PHASES + ((time / FRAME_S) % 1.0 * N_PHASES).astype(np.int64)
    count = np.bincount(place, minlength=n_cells * N_PHASES).reshape(n_cells, N_PHASES)
    return place, np.maximum(count, 1).astype(np.float32)


def _runs(pulsed: NDArray[np.bool_]) -> tuple[tuple[float, float], ...]:
    """Start and end of each burst, s: every pair of multiframes covers two cells."""
    step = np.diff(pulsed.astype(np.int8), prepend=0, append=0)
    starts, ends = np.flatnonzero(step == 1), np.flatnonzero(step == -1)
    runs = [(float(a * CELL_S), float((b + 1) * CELL_S)) for a, b in zip(starts, ends, strict=True)]
    return tuple(runs[:MOST_BURSTS])
