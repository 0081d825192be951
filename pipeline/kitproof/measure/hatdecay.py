"""Whether the hi-hat's closed strokes stay as short as they were: a clutch that slips lets the top cymbal sink or rise,
and strokes meant to be closed ring ever longer.

Per stroke, in the hi-hat's own mic above 4 kHz: the power 60 to 100 ms after it against the first 12 ms. Closed hats
have fallen by 15 to 25 dB there, open ones by hardly any. Only strokes that nothing but the kick disturbs count.

A drummer opens hats on purpose, for an accent or for a whole chorus, so single strokes and means say nothing. The
strokes are parted in five blocks with as many strokes each; of each block the shortest eighth counts, which are strokes
that were surely meant to be closed. A chorus comes and goes, a clutch that slips does not come back: the blocks go up
all the way, each of them, and no single one makes most of it. (Closed, half open, open from part to part stands still
in between.)

Tried and dropped: the median of all strokes, and the shortest quarter (accents shift them by 5 dB from verse to verse);
the time to fall by 20 dB (the next stroke comes before it in quick music); half of the take against the other half (one
open chorus decides).

Conventions: decays in dB, negative: fallen by so much; positive rises: longer.

Source
------
Decay that lengthens over minutes, its trap, and decays of closed and open hats: common practice, and single hits of
a recorded kit (closed 55 to 106 ms to fall by 20 dB, open 350 to 495 ms). Method: own choice.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.onsets import BAND_EDGES_HZ, FLOOR_POWER, OnsetTrack
from kitproof.measure.views import TakeView
from kitproof.observed.instrument import HatDecay
from kitproof.reasons import FEW_STROKES

Float64Array = NDArray[np.float64]

HAT = "hi-hat"
FROM_HZ = 4000.0
BEFORE_S, EARLY_S, LATE_S = (-0.020, -0.004), (0.0, 0.012), (0.060, 0.100)
DISTURBS_S = (0.12, 0.10)  # a stroke of anything but the kick so long before or after
STANDS_OUT = 4.0  # the stroke over what was there
N_BLOCKS = 5
FEWEST_IN_BLOCK = 12
SHORTEST_PERCENT = 12.5


def observe_hat_decay(view: TakeView) -> Iterator[HatDecay]:
    """One record, if the hi-hat has a mic of its own and was struck."""
    file = view.own.get(HAT)
    if HAT in view.drums and file is not None and file in view.tracks and len(view.drums[HAT].time_s):
        times = free_strokes(view.drums)
        yield hat_decay(file, *decays_db(view.tracks[file], times))


def free_strokes(drums: Mapping[str, DrumTimes]) -> Float64Array:
    """(n,) times of the hi-hat's strokes that nothing but the kick disturbs while they fall."""
    hat = drums[HAT].time_s
    others = [d.time_s for name, d in drums.items() if name not in (HAT, "kick")]
    every = np.sort(np.concatenate([hat, *others]))
    count = np.searchsorted(every, hat + DISTURBS_S[1]) - np.searchsorted(every, hat - DISTURBS_S[0])
    mine = np.searchsorted(hat, hat, side="right") - np.searchsorted(hat, hat - DISTURBS_S[0])
    return np.asarray(hat[count == mine])  # strokes of its own before it have fallen, or are within what was there


def decays_db(track: OnsetTrack, time_s: Float64Array) -> tuple[Float64Array, Float64Array]:
    """(times, decays) of the strokes that stand out of what was there before them, (n,) each."""
    high = slice(BAND_EDGES_HZ.index(FROM_HZ), None)
    before, early, late = (track.mean_power(time_s, s, high).sum(axis=1) for s in (BEFORE_S, EARLY_S, LATE_S))
    clear = early > STANDS_OUT * np.maximum(before, FLOOR_POWER)
    with np.errstate(invalid="ignore", divide="ignore"):
        decay = 10.0 * np.log10(np.maximum(late, FLOOR_POWER) / (early - before))
    return time_s[clear], np.asarray(decay[clear])


def hat_decay(file: str, time_s: Float64Array, decay_db: Float64Array) -> HatDecay:
    """How the shortest strokes change from block to block; (n,) each, in order of time."""
    if len(time_s) < N_BLOCKS * FEWEST_IN_BLOCK:
        names = ("span_s", "first_db", "last_db", "largest_rise_db", "smallest_rise_db", "rise_time_s", "apart_db")
        return HatDecay(
            file=file, n_strokes=len(time_s), span_s=None, first_db=None, last_db=None, largest_rise_db=None,
            smallest_rise_db=None, rise_time_s=None, apart_db=None, unmeasured=dict.fromkeys(names, FEW_STROKES),
        )  # fmt: skip
    blocks = np.array_split(decay_db, N_BLOCKS)
    starts = [float(t[0]) for t in np.array_split(time_s, N_BLOCKS)]
    shortest = np.array([np.percentile(b, SHORTEST_PERCENT) for b in blocks])
    longest = np.array([np.percentile(b, 100.0 - SHORTEST_PERCENT) for b in blocks])
    rises = np.diff(shortest)
    at = int(np.argmax(rises)) + 1
    return HatDecay(
        file=file, n_strokes=len(time_s), span_s=float(np.ptp(time_s)), first_db=float(shortest[0]),
        last_db=float(shortest[-1]), largest_rise_db=float(rises.max()), smallest_rise_db=float(rises.min()),
        rise_time_s=starts[at], apart_db=float(shortest[at:].min() - longest[:at].max()),
    )  # fmt: skip
