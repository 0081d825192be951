"""Whether the snare's wires stayed as they were: how much of its strokes is wires, from the first to the last.

Per stroke, in the bottom mic: power between 2 and 8 kHz 10 to 60 ms after it, when the stick is over and the wires
still sound, against the power between 120 and 500 Hz of the first 60 ms, which is the drum. Wires that slip, or are
left off, take that share down at once and for good, the drum staying as loud as it was.

The share hangs on how hard the stroke was, so it is fitted together with the strength; the best single step is the
one that leaves least scatter (sum of distances). A passage of rim strokes goes down and comes up again: no such step.

Source
------
Own work; the sign and its trap (cross-stick passages) are common practice.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from kitproof.measure.onsets import BAND_EDGES_HZ
from kitproof.measure.views import TakeView
from kitproof.measure.wires import Float64Array, high_power, mean_power
from kitproof.observed.instrument import WireShare
from kitproof.reasons import FEW_STROKES

DRUM_HZ = (120.0, 500.0)
WIRES_S = (0.01, 0.06)
DRUM_S = (0.0, 0.06)
SOFT_SHARE = 0.25  # of the median strength: ghost notes are not asked
FEWEST_SIDE = 8
FEWEST = 24
LEAST_POWER = 1e-13


def observe_wire_share(view: TakeView) -> Iterator[WireShare]:
    """The wires' share in the snare's strokes over the take; nothing without a bottom mic."""
    mic = next((c.file for c in view.kit if c.role == "snare-bottom"), None)
    snare = view.drums.get("snare")
    if mic is None or snare is None or not len(snare.time_s):
        return
    hard = snare.strength >= SOFT_SHARE * np.median(snare.strength)
    times, level = snare.time_s[hard], 20.0 * np.log10(snare.strength[hard])
    track = view.tracks[mic]
    low = [BAND_EDGES_HZ.index(hz) for hz in DRUM_HZ]
    drum = np.asarray(track.band_power()[:, low[0] : low[1]].sum(axis=1), np.float64)
    wires_db = _db(mean_power(high_power(track), track.frames_per_s, times, WIRES_S))
    drum_db = _db(mean_power(drum, track.frames_per_s, times, DRUM_S))
    yield wire_share(mic, times, level, wires_db - drum_db, drum_db)


def wire_share(
    mic: str, times: Float64Array, level_db: Float64Array, share_db: Float64Array, drum_db: Float64Array
) -> WireShare:
    """The best single step of the share, and what the drum itself does there; (n_strokes,) each, in order of time."""
    if len(times) < FEWEST:
        names = dict.fromkeys(("step_db", "step_time_s", "scatter_db", "rest", "drum_step_db"), FEW_STROKES)
        return WireShare(
            file=mic, n_strokes=len(times), share_db=float(np.median(share_db)) if len(times) else None,
            step_db=None, step_time_s=None, scatter_db=None, rest=None, drum_step_db=None,
            unmeasured=names | ({} if len(times) else {"share_db": FEW_STROKES}),
        )  # fmt: skip
    flat = share_db - _slope(level_db, share_db) * (level_db - np.median(level_db))
    costs = [_scatter(flat[:k]) + _scatter(flat[k:]) for k in range(FEWEST_SIDE, len(flat) - FEWEST_SIDE + 1)]
    k = FEWEST_SIDE + int(np.argmin(costs))
    both = np.concatenate([flat[:k] - np.median(flat[:k]), flat[k:] - np.median(flat[k:])])
    at_equal = drum_db - level_db
    return WireShare(
        file=mic, n_strokes=len(times), share_db=float(np.median(share_db)),
        step_db=float(np.median(flat[k:]) - np.median(flat[:k])), step_time_s=float(times[k]),
        scatter_db=float(1.4826 * np.median(np.abs(both))), rest=float(min(costs) / max(_scatter(flat), 1e-9)),
        drum_step_db=float(np.median(at_equal[k:]) - np.median(at_equal[:k])),
    )  # fmt: skip


def _slope(level_db: Float64Array, share_db: Float64Array) -> float:
    """Median of the slopes between strokes next to one another in time, so that a step counts once only."""
    run, rise = np.diff(level_db), np.diff(share_db)
    apart = np.abs(run) > 2.0
    return float(np.median(rise[apart] / run[apart])) if apart.sum() >= FEWEST_SIDE else 0.0


def _scatter(x: Float64Array) -> float:
    return float(np.abs(x - np.median(x)).sum())


def _db(power: Float64Array) -> Float64Array:
    return np.asarray(10.0 * np.log10(np.maximum(power, LEAST_POWER)))
