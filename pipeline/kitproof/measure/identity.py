"""Voices: what the drum that a mic stands at sounds like, whatever the mic is called.

The strokes that the search for hits found in a mic, or else those that it hears before every other mic, are
taken as those of the drum it stands at, whatever its name. What they have in common is that drum's voice: where
its energy lies, how fast its low and its high end fall, at which pitch it rings.

Conventions: tracks as in onsets.py, all on one time line; the low end of a channel as hum.LowBandMeter keeps it.

Source
------
Own work. A head with a pillow in it or wires on it falls by 20 dB in 50 to 100 ms, an open tom takes 250 ms and
more; closed hats fall by 20 dB in 50 to 150 ms, a ride rings for seconds. Pitch from the late ring: in the first
tenth of a second it rises with the stroke's strength, by some semitones.

Limits: a drum that is always struck together with others, each time a little after them, has no voice of its
own. What else sounds at the same time can only hide a fall, never make one: falls are read from the quickest
fifth of the strokes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.admit import CYMBALS
from kitproof.measure.candidates import Powers, RunningTotal, start_times
from kitproof.measure.hits import find_hits
from kitproof.measure.onsets import FLOOR_POWER, OnsetTrack
from kitproof.measure.views import TakeView
from kitproof.observed.identity import MicVoice
from kitproof.reasons import FEW_SURE, NO_ONE_PITCH, NOTHING_SHARED
from kitproof.roles import DISTANT_ROLES, DRUM_OF_ROLE

Float64Array = NDArray[np.float64]

LOUD_DB = 15.0  # strokes further under a mic's loud ones say little of its drum
NEAR_DB = 9.0  # the loudest of these are listened to, where there are enough
ENOUGH = 3
FEWEST = 2  # strokes that make a voice
MOST = 300  # more would not make it any clearer
MOST_RINGS = 60
RISE_DB = 4.0
FIRST_SHARE = 0.4  # of the loud events in a mic whose own drum is not hit, a tenth seem to begin there, seldom a third
BRIGHT_DB, BRIGHT_SHARE, BRIGHT_FIRST = -4.0, 0.15, 0.3  # the same for cymbals, told from drums by their tilt
FIRST_S = 0.0003  # within the resolution of the edges, as in admit.py
AROUND_S = (0.012, 0.008)  # before and after: a room mic 4 m away hears 12 ms later
CYMBAL_TILT_DB, DRUM_TILT_DB = -2.0, 6.0  # cymbals next to their mic measure -20 to -4 dB, drums 13 to 35 dB
LOW, LOWEST, BODY = slice(0, 3), slice(0, 1), slice(2, 4)  # below 500 Hz, below 120 Hz, 250 Hz to 1 kHz
RING, HIGH = slice(0, 2), slice(6, 8)  # below 250 Hz, above 4 kHz
EARLY_S, LATE_S = (0.002, 0.020), (0.120, 0.150)
QUICK = 20.0  # percentile of the falls
RING_S = (0.08, 0.45)  # where a tom's pitch has settled, and a next stroke is seldom louder
PITCH_HZ = (38.0, 420.0)  # from a 24-inch kick to a small snare
AROUND_PITCH = 1.08  # a line of 0.37 s is 5 Hz wide
NARROW = 0.35  # share of the ring's energy around its pitch, without which it has none
SAME_PITCH = 1.5 / 12.0  # octaves; strokes of one tom ring within a semitone, that of a soft one lower
N_FFT = 8192


@dataclass(frozen=True, slots=True, kw_only=True)
class Starts:
    """The loud events of one mic, (n,) each, in order of time."""

    frame: NDArray[np.int64]
    time_s: Float64Array  # first sound
    level_db: Float64Array  # new energy of the first 10 ms, over that of the mic's loud ones
    rise_db: Float64Array  # over what was there before
    new: Float64Array  # (n, bands) new energy

    def take(self, index: NDArray[np.int64]) -> Starts:
        """The events at the given indexes."""
        return Starts(
            frame=self.frame[index], time_s=self.time_s[index], level_db=self.level_db[index],
            rise_db=self.rise_db[index], new=self.new[index],
        )  # fmt: skip


def voices(view: TakeView) -> Iterator[MicVoice]:
    """The voice of every mic at the kit, close or distant; of silence all is None, with the reason."""
    tracks = {c.file: view.tracks[c.file] for c in view.kit if c.file in view.tracks}
    powers = Powers(tracks, view.rises)
    loud: dict[str, Starts] = {}
    behind: dict[str, Float64Array] = {}
    own: dict[str, Starts] = {}
    found = {file: view.drums[drum].time_s for drum, file in view.own.items() if drum in view.drums}
    for file, track in tracks.items():
        loud[file] = loud_starts(file, track, powers)
        behind[file] = behind_first_s(file, loud[file], tracks)
        own[file] = loud[file].take(_surely_own(loud[file], behind[file]))
        if len(found.get(file, ())) >= FEWEST:
            own[file] = events_at(file, found[file], track, powers)
    missed = _as_other_kind(view, tracks, loud, own)
    own |= {f: events_at(f, t, tracks[f], powers) for f, t in missed.items() if len(t) >= FEWEST}
    for file, track in tracks.items():
        yield voice(file, loud[file], behind[file], own[file], track, powers, view.low.get(file))


def _as_other_kind(
    view: TakeView, tracks: Mapping[str, OnsetTrack], loud: Mapping[str, Starts], own: Mapping[str, Starts]
) -> dict[str, Float64Array]:
    """Strokes of mics that have none, found by taking drums for cymbals and cymbals for drums, s by file.

    The search for hits expects of a mic what its name says: in one that sounds like the other kind it may find
    nothing. It is made again with the names exchanged only if there are mics of both kinds that do.
    """
    tilts = {f: _tilt_db(own[f] if len(own[f].frame) >= FEWEST else loud[f]) for f in tracks}
    drums = [d for d, f in view.own.items() if d not in CYMBALS and tilts.get(f, 0.0) < CYMBAL_TILT_DB]
    cymbals = [d for d, f in view.own.items() if d in CYMBALS and tilts.get(f, 0.0) > DRUM_TILT_DB]
    silent = {f for d in (*drums, *cymbals) for f in (view.own[d],) if len(own[f].frame) < FEWEST}
    if not drums or not cymbals or not silent:
        return {}
    names = {d: d for d in view.own}
    for one, other in zip(drums, cymbals, strict=False):
        names[one], names[other] = other, one
    renamed = {names[d]: f for d, f in view.own.items()}
    close = [c.file for c in view.kit if c.role in DRUM_OF_ROLE]
    far = [c.file for c in view.kit if c.role in DISTANT_ROLES]
    strokes = find_hits(tracks, renamed, close, far, view.rises)
    return {f: np.array([s.time_s for s in strokes if s.file == f and s.drum != "unmiked"]) for f in silent}


def _tilt_db(events: Starts) -> float:
    near = events.new[events.level_db > -NEAR_DB]
    return float(np.median(_db(near[:, LOW]) - _db(near[:, HIGH]))) if len(near) else 0.0


def loud_starts(file: str, track: OnsetTrack, powers: Powers) -> Starts:
    """Where something loud begins in a mic; nothing in silence."""
    frame = powers.rises(file).frame
    if len(frame) == 0:
        return events_at(file, np.zeros(0), track, powers)
    coarse = frame / track.frames_per_s
    every = events_at(file, coarse, track, powers)
    keep = np.flatnonzero((every.level_db > -LOUD_DB) & (every.rise_db > RISE_DB))
    if len(keep) > MOST:
        keep = keep[np.linspace(0, len(keep) - 1, MOST).round().astype(int)]
    some = every.take(keep)
    time_s = start_times(track, some.time_s, before_s=0.004, after_s=0.006, need_db=6.0)
    return replace(some, time_s=np.where(np.isnan(time_s), some.time_s, time_s))


def events_at(file: str, time_s: Float64Array, track: OnsetTrack, powers: Powers) -> Starts:
    """What begins in a mic at given times, (n,) s; levels are over that of the third loudest."""
    per_s = track.frames_per_s
    total, noise = powers.total(file), powers.noise(file)
    frame = np.round(time_s * per_s).astype(np.int64)
    attack = np.maximum(total.means(frame, -1, round(0.010 * per_s)), FLOOR_POWER)
    before = np.maximum(total.means(frame, -round(0.008 * per_s), -round(0.002 * per_s)), noise)
    new = np.maximum(attack - before, 0.0) + FLOOR_POWER
    level = 10.0 * np.log10(new.sum(axis=1))
    rise = np.sort(10.0 * np.log10(attack / before), axis=1)[:, -3:].mean(axis=1)
    ordered = np.sort(level)
    # One freak event must not set the scale, nor the bleed in the mic of a drum that is hit only once.
    loud = max(float(ordered[-min(3, len(ordered))]), float(ordered[-1]) - 8.0) if len(ordered) else 0.0
    return Starts(frame=frame, time_s=time_s, level_db=level - loud, rise_db=rise, new=new)


def behind_first_s(file: str, starts: Starts, tracks: Mapping[str, OnsetTrack]) -> Float64Array:
    """(n,) how much later each event begins here than in the mic that hears it first of all others.

    Negative: it begins here; NaN: no other mic hears it.
    """
    behind = np.full(len(starts.time_s), np.nan)
    for other, track in tracks.items():
        if other != file:
            there = start_times(track, starts.time_s, before_s=AROUND_S[0], after_s=AROUND_S[1], need_db=9.0)
            behind = np.fmax(behind, starts.time_s - there)
    return behind


def _surely_own(starts: Starts, behind_s: Float64Array) -> NDArray[np.int64]:
    """The loud events that begin here, if so many do that they are no other drum's bleed; else none.

    A ride mic hears many drums loud, none of them first: of the bright events alone it hears most first.
    """
    near = starts.level_db > -NEAR_DB
    first = near & (np.nan_to_num(behind_s, nan=1.0) <= FIRST_S)
    bright = near & (_db(starts.new[:, LOW]) - _db(starts.new[:, HIGH]) < BRIGHT_DB)
    bright_first = bright & first
    if bright.sum() >= BRIGHT_SHARE * near.sum() and bright_first.sum() >= max(FEWEST, BRIGHT_FIRST * bright.sum()):
        return np.flatnonzero(bright_first)
    return np.flatnonzero(first) if first.sum() >= max(FEWEST, FIRST_SHARE * near.sum()) else np.zeros(0, np.int64)


def voice(
    file: str,
    starts: Starts,
    behind_s: Float64Array,
    own: Starts,
    track: OnsetTrack,
    powers: Powers,
    low: tuple[NDArray[np.float32], float] | None,
) -> MicVoice:
    """What a mic's own strokes have in common.

    starts, behind_s : all that is loud there, and as behind_first_s gives it
    own : strokes of the drum it stands at
    low : the channel's low end and its rate; None: no pitch
    """
    near = starts.level_db > -NEAR_DB
    heard = near & np.isfinite(behind_s)
    reasons: dict[str, str] = {}
    if not heard.any():
        reasons["behind_ms"] = NOTHING_SHARED
    used = own.take(_loudest(own))
    shape: dict[str, float | None] = dict.fromkeys(("tilt_db", "body_db", "low_fall_db", "high_fall_db"))
    if len(used.frame) >= FEWEST:
        shape |= _shape(used, track, powers.total(file))
    else:
        reasons |= dict.fromkeys(shape, FEW_SURE)
    pitch = None if low is None else ring_pitch(low[0], low[1], used.time_s)
    if pitch is None:
        reasons |= dict.fromkeys(("pitch_hz", "pitch_agreement"), NO_ONE_PITCH)
    return MicVoice(
        file=file, n_loud=int(near.sum()), n_first=int((near & (np.nan_to_num(behind_s, nan=1.0) <= FIRST_S)).sum()),
        n_strokes=len(own.frame), behind_ms=float(1000.0 * np.median(behind_s[heard])) if heard.any() else None,
        pitch_hz=pitch[0] if pitch else None, pitch_agreement=pitch[1] if pitch else None, unmeasured=reasons, **shape,
    )  # fmt: skip


def _loudest(own: Starts) -> NDArray[np.int64]:
    near = np.flatnonzero(own.level_db > -NEAR_DB)
    chosen = near if len(near) >= ENOUGH else np.arange(len(own.frame))
    return np.asarray(chosen[np.unique(np.linspace(0, len(chosen) - 1, min(len(chosen), MOST)).round().astype(int))])


def _shape(own: Starts, track: OnsetTrack, total: RunningTotal) -> dict[str, float | None]:
    """Balance and falls of some strokes."""
    per_s, new = track.frames_per_s, own.new

    def level(which: slice, span_s: tuple[float, float]) -> Float64Array:
        power = total.means(own.frame, round(span_s[0] * per_s), round(span_s[1] * per_s))
        return _db(power[:, which])

    def fall(which: slice) -> float:
        return float(np.percentile(level(which, LATE_S) - level(which, EARLY_S), QUICK))

    return {
        "tilt_db": float(np.median(_db(new[:, LOW]) - _db(new[:, HIGH]))),
        "body_db": float(np.median(_db(new[:, BODY]) - _db(new[:, LOWEST]))),
        "low_fall_db": fall(RING),
        "high_fall_db": fall(HIGH),
    }


def _db(power: Float64Array) -> Float64Array:
    """(n,) level of some bands together."""
    return np.asarray(10.0 * np.log10(np.maximum(power.sum(axis=1), FLOOR_POWER)))


def ring_pitch(low: NDArray[np.float32], rate_hz: float, time_s: Float64Array) -> tuple[float, float] | None:
    """Pitch at which strokes ring, Hz, and the share of the purest half of them near it; None where none rings.

    low : (n,) low end of the channel at `rate_hz`; silence rings at no pitch
    """
    first, last = round(RING_S[0] * rate_hz), round(RING_S[1] * rate_hz)
    at = np.round(time_s * rate_hz).astype(np.int64)
    at = at[(at + first >= 0) & (at + last <= len(low))]
    if len(at) == 0:
        return None
    at = at[np.unique(np.linspace(0, len(at) - 1, min(len(at), MOST_RINGS)).round().astype(int))]
    rings = low[at[:, None] + np.arange(first, last)].astype(np.float64) * np.hanning(last - first)
    hz = np.fft.rfftfreq(N_FFT, 1.0 / rate_hz)
    inside = (hz > PITCH_HZ[0]) & (hz < PITCH_HZ[1])
    power, hz = np.abs(np.fft.rfft(rings, N_FFT, axis=1)[:, inside]) ** 2, hz[inside]
    power /= np.maximum(power.sum(axis=1, keepdims=True), 1e-30)
    peak = hz[power.argmax(axis=1)]
    around = np.abs(np.log2(hz[None, :] / peak[:, None])) < np.log2(AROUND_PITCH)
    narrow = (power * around).sum(axis=1)
    if narrow.max() < NARROW:
        return None
    pitch = float(hz[power.mean(axis=0).argmax()])
    # A next stroke within the ring widens its line; the half with the narrowest ones tells.
    purest = narrow >= np.median(narrow)
    near = np.abs(np.log2(peak[purest] / pitch)) < SAME_PITCH
    return pitch, float(np.mean(near & (narrow[purest] >= NARROW)))
