"""Whether the snare's wires stayed as they were: how much of its strokes is wires, from the first to the last.

Per stroke, in the bottom mic, or in the top one where there is none: power between 2 and 8 kHz 10 to 60 ms after it,
when the stick is over and the wires still sound, against the power between 120 and 500 Hz of the first 60 ms, which is
the drum. Wires that slip, or are left off, take that share down at once and for good, the drum staying as it was.

The share hangs on how hard the stroke was, so it is fitted together with the strength, and on the cymbals that sound
along with it, so strokes are held against those with the same others within the window (steps.py). A passage of rim
strokes goes down and comes up again: no such step.

Source
------
Own work; the sign and its trap (cross-stick passages) are common practice.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.onsets import BAND_EDGES_HZ, FLOOR_POWER
from kitproof.measure.steps import TOGETHER_S, best_step, kinds, slopes, struck_along
from kitproof.measure.views import TakeView
from kitproof.measure.wires import Float64Array, high_power, mean_power
from kitproof.observed.instrument import WireShare
from kitproof.reasons import FEW_STROKES

MICS = ("snare-bottom", "snare-top", "snare-side")
DRUM_HZ = (120.0, 500.0)
WIRES_S = (0.01, 0.06)
DRUM_S = (0.0, 0.06)
SOFT_SHARE = 0.25  # of the median strength: ghost notes are not asked
FEWEST = 24


def observe_wire_share(view: TakeView) -> Iterator[WireShare]:
    """The wires' share in the snare's strokes over the take, in the mic that hears most of them."""
    mic = next((c.file for role in MICS for c in view.kit if c.role == role and c.file in view.tracks), None)
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
    others = {n: d.time_s for n, d in view.drums.items() if n != "snare"}
    yield wire_share(
        mic, times, level, wires_db - drum_db, drum_db, struck_along(times, others, (-TOGETHER_S, WIRES_S[1]))
    )


def wire_share(
    mic: str,
    times: Float64Array,
    level_db: Float64Array,
    share_db: Float64Array,
    drum_db: Float64Array,
    along: NDArray[np.bool_],
) -> WireShare:
    """The best single step of the share, and what the drum itself does there; (n_strokes,) each, in order of time."""
    step = None
    if len(times) >= FEWEST:
        tone = share_db[:, None]
        tone = tone - np.outer(level_db - np.median(level_db), slopes(level_db, tone))
        step = best_step(tone, kinds(tone, along))
    share = float(np.median(share_db)) if len(times) else None
    if step is None:
        names = ("step_db", "step_time_s", "scatter_db", "overlap", "rest", "drum_step_db")
        reasons = dict.fromkeys(names if len(times) else (*names, "share_db"), FEW_STROKES)
        return WireShare(
            file=mic, n_strokes=len(times), share_db=share, step_db=None, step_time_s=None, scatter_db=None,
            overlap=None, rest=None, drum_step_db=None, unmeasured=reasons,
        )  # fmt: skip
    at_equal = drum_db - level_db
    return WireShare(
        file=mic, n_strokes=len(times), share_db=share, step_db=float(step.change_db[0]),
        step_time_s=float(times[step.index]), scatter_db=step.scatter_db, overlap=step.overlap, rest=step.rest,
        drum_step_db=float(np.median(at_equal[step.index :]) - np.median(at_equal[: step.index])),
    )  # fmt: skip


def _db(power: Float64Array) -> Float64Array:
    return np.asarray(10.0 * np.log10(np.maximum(power, FLOOR_POWER)))
