"""Events as the distant mics hear them: every start there, and the strokes of miked drums that may have made it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.candidates import Float64Array, Powers, edge_rise, start_times
from kitproof.measure.coupling import Events, first_bands, observe_frames
from kitproof.measure.onsets import OnsetTrack
from kitproof.measure.strokes import Stroke

SAME_S = 0.005  # starts in two distant mics as close as this are one event
ALIGNED_S = 0.004  # a stroke is heard this close to the usual delay
LINGERS_S = 0.014  # and may still make a start this much later: a kick's boom, a reflection
LATEST_S = 0.008  # a distant mic hears a drum of its kit within 2.7 m
WASH_AFTER_S, WASH_BEFORE_S = (0.060, 0.200), (-0.100, -0.005)


@dataclass(frozen=True, slots=True, kw_only=True)
class FarEvents:
    """Starts in the distant mics, in order of time; D miked drums, N events."""

    events: Events
    struck: Float64Array  # (D, N) strength of the stroke that the event begins with, 0: none
    possible: Float64Array  # (D, N) the same, in every event in which the stroke may be heard
    time_s: Float64Array  # (n_mics, N) first sound in each distant mic; the event's frame where none stands out
    edge_db: Float64Array  # (N,) sharpest edge over those of the 10 ms before, best mic
    rise_db: Float64Array  # (N,) mean of the three bands that rise most, best mic
    floor_db: Float64Array  # (N,) floor above 4 kHz, 60 to 200 ms after, best mic
    wash_db: Float64Array  # (N,) by how much the floor between strokes rises above 4 kHz, best mic


def gather_far(
    strokes: Sequence[Stroke], tracks: Mapping[str, OnsetTrack], powers: Powers, mics: Sequence[str]
) -> FarEvents:
    """All starts in the distant `mics`, with the strokes of miked drums that may have made them."""
    rate = tracks[mics[0]].frames_per_s
    starts = [powers.rises(m).frame for m in mics]
    frame = _merge(np.sort(np.concatenate(starts)), SAME_S * rate)
    struck, possible = _assign(strokes, frame, rate)
    seen, before, weight = observe_frames(frame, mics, powers, rate)
    drums = _drums(strokes)
    events = Events(
        drums=drums,
        mics=tuple(mics),
        frame=frame,
        member=np.full((len(drums), len(frame)), -1),
        seen=seen,
        before=before,
        weight=weight,
        own_rows=np.zeros((len(drums), len(seen)), bool),
        slices=(),
    )
    coarse_s = frame / rate
    found = np.stack([start_times(tracks[m], coarse_s, before_s=0.004, after_s=0.008, need_db=6.0) for m in mics])
    time_s = np.where(np.isnan(found), coarse_s, found)
    after_db = np.stack([_floor_db(tracks[m], frame, WASH_AFTER_S) for m in mics])
    before_db = np.stack([_floor_db(tracks[m], frame, WASH_BEFORE_S) for m in mics])
    rise = 10.0 * np.log10(first_bands(seen, len(mics)) / first_bands(before, len(mics)))
    return FarEvents(
        events=events,
        struck=struck,
        possible=possible,
        time_s=time_s,
        edge_db=np.max([edge_rise(tracks[m], t) for m, t in zip(mics, time_s, strict=True)], axis=0),
        rise_db=np.sort(rise, axis=1)[:, -3:].mean(axis=1).max(axis=0),
        floor_db=after_db.max(axis=0),
        wash_db=(after_db - before_db).max(axis=0),
    )


def _drums(strokes: Sequence[Stroke]) -> tuple[str, ...]:
    return tuple(sorted({s.drum for s in strokes}))


def _assign(strokes: Sequence[Stroke], frame: NDArray[np.int64], rate: float) -> tuple[Float64Array, Float64Array]:
    """FarEvents.struck and .possible."""
    drums = _drums(strokes)
    struck, possible = np.zeros((2, len(drums), len(frame)))
    at = np.array([round(s.time_s * rate) for s in strokes], np.int64)
    at = at + _usual_lag(at, frame, rate)
    low = np.searchsorted(frame, at - ALIGNED_S * rate)
    high = np.searchsorted(frame, at + LINGERS_S * rate, side="right")
    for s, f, a, b in zip(strokes, at, low, high, strict=True):
        d, strength = drums.index(s.drum), 10.0 ** (s.level_db / 10.0)
        possible[d, a:b] = np.maximum(possible[d, a:b], strength)
        if b > a:
            n = a + int(np.argmin(np.abs(frame[a:b] - f)))
            if abs(frame[n] - f) <= ALIGNED_S * rate:
                struck[d, n] = max(struck[d, n], strength)
    return struck, possible


def _merge(frames: NDArray[np.int64], apart: float) -> NDArray[np.int64]:
    """Frames without those that follow a kept one by less than `apart`."""
    kept: list[int] = []
    for f in frames.tolist():
        if not kept or f - kept[-1] > apart:
            kept.append(f)
    return np.array(kept, np.int64)


def _usual_lag(struck: NDArray[np.int64], starts: NDArray[np.int64], rate: float) -> int:
    """How many frames after a stroke the distant mics hear it, median; 0 if they hear none."""
    k = np.searchsorted(starts, struck - round(0.002 * rate))
    some = k < len(starts)
    lag = starts[k[some]] - struck[some]
    lag = lag[lag <= LATEST_S * rate]
    return int(np.median(lag)) if len(lag) else 0


def _floor_db(track: OnsetTrack, frame: NDArray[np.int64], span_s: tuple[float, float]) -> Float64Array:
    """(N,) floor above 4 kHz in a span around each frame.

    A crash fills the gaps between the strokes that follow it; drums and short hats do not.
    """
    rate = track.frames_per_s
    level_db = 10.0 * np.log10(track.band_power()[:, 6:].sum(axis=1))
    index = frame[:, None] + np.arange(round(span_s[0] * rate), round(span_s[1] * rate))
    return np.asarray(np.percentile(level_db[np.clip(index, 0, len(level_db) - 1)], 15, axis=1))
