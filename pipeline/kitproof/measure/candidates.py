"""Candidates: moments at which a close mic's sound starts anew, whoever was hit.

Generous on purpose: hits.py decides which drum, if any, each one belongs to. Each candidate knows how
loud it is, when its first sound comes, and when the other mics hear something start too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from kitproof.measure.onsets import FLOOR_POWER, N_BANDS, OnsetTrack

Float64Array = NDArray[np.float64]

# Bands are judged in three groups; a rise has to be larger where fewer samples make the level.
GROUPS = ((0, 3), (3, 6), (6, 8))
RISE_DB = (4.5, 3.0, 2.2)
DISTANCE_S = 0.008  # two strokes closer than this are one event to any listener
LOUDEST_RANGE_DB = 42.0  # softest candidate kept, under the loudest: ghost notes lie 15 to 30 dB under accents
ATTACK_S = 0.010
BEFORE_S = (0.008, 0.002)
NEVER_S = 0.02  # stands for "this mic does not hear it"
PIECE = 1 << 14
PRELUDE_DB = 15.0  # bleed that comes just before the drum's own sound is this much softer at least
FAR_AFTER_S = 0.014  # overheads and rooms hear a drum up to 5 m, 14 ms, later
NEAR_AFTER_S = 0.006  # another close mic, up to 2 m


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidates:
    """All candidates of one close mic, (n,) each, in order of time."""

    drum: str
    file: str
    frame: NDArray[np.int64]
    time_s: Float64Array  # first sound
    level_db: Float64Array  # energy that was not there before, first 10 ms, all bands
    rise_db: Float64Array  # rise over what was there before, mean of the three bands that rise most
    tilt_db: Float64Array  # new energy below 500 Hz over new energy above 4 kHz
    edge_db: Float64Array  # sharpest edge at the first sound over the sharpest of the 10 ms before
    heard_by: NDArray[np.int64]  # number of other mics in which something starts too
    lag_files: tuple[str, ...]  # the own mics
    lags_s: Float64Array  # (n, n_own) main rise there after the main rise here, in the drum's region; NEVER_S: none

    def lag_to(self, file: str) -> Float64Array:
        """(n,) main rise in another own mic after the main rise here, s; NEVER_S where it hears nothing."""
        return np.asarray(self.lags_s[:, self.lag_files.index(file)])

    def take(self, keep: NDArray[np.bool_]) -> Candidates:
        """The candidates where `keep` is true."""
        return Candidates(
            drum=self.drum, file=self.file, frame=self.frame[keep], time_s=self.time_s[keep],
            level_db=self.level_db[keep], rise_db=self.rise_db[keep], tilt_db=self.tilt_db[keep],
            edge_db=self.edge_db[keep], heard_by=self.heard_by[keep],
            lag_files=self.lag_files, lags_s=self.lags_s[keep],
        )  # fmt: skip


class RunningTotal:
    """Running total of a mic's band powers, so that the mean over any window costs nothing."""

    def __init__(self, power: NDArray[np.float32] | Float64Array) -> None:
        self.n_frames = len(power)
        self._total = np.zeros((len(power) + 1, power.shape[1]))
        np.cumsum(power, axis=0, dtype=np.float64, out=self._total[1:])

    def means(
        self, frames: NDArray[np.int64], first: int, last: int, *, until: NDArray[np.int64] | None = None
    ) -> Float64Array:
        """(n, bands) mean over frames f+first .. f+last-1, cut at the ends of the track and before `until`.

        At least one frame is taken.
        """
        low = np.clip(frames + first, 0, self.n_frames - 1)
        end = frames + last if until is None else np.minimum(frames + last, until)
        high = np.maximum(np.minimum(end, self.n_frames), low + 1)
        return np.asarray((self._total[high] - self._total[low]) / (high - low)[:, None])


@dataclass(frozen=True, slots=True, kw_only=True)
class Rises:
    """Where the level of one mic rises: looked for once, for all that go on from there."""

    frame: NDArray[np.int64]  # (n,) as find_starts gives them
    noise: Float64Array  # (N_BANDS,) power of the quietest stretches


def find_rises(track: OnsetTrack) -> Rises:
    """The rises of one mic; silence has none."""
    power = track.band_power()
    noise = noise_power(RunningTotal(power), track.frames_per_s)
    return Rises(frame=find_starts(power, noise, track.frames_per_s), noise=noise)


class Powers:
    """Band powers of every mic, unpacked from their tracks one mic at a time, so that a long take stays small.

    rises : those that are known already, by file; others are looked for when they are asked for
    """

    def __init__(self, tracks: Mapping[str, OnsetTrack], rises: Mapping[str, Rises] = MappingProxyType({})) -> None:
        self._tracks = tracks
        self._rises = dict(rises)
        self._last: tuple[str, RunningTotal] | None = None

    def total(self, mic: str) -> RunningTotal:
        """Running total of one mic, (n_frames + 1, N_BANDS); the last one asked for is kept."""
        if self._last is None or self._last[0] != mic:
            self._last = None
            self._last = (mic, RunningTotal(self._tracks[mic].band_power()))
        return self._last[1]

    def band_power(self, mic: str) -> NDArray[np.float32]:
        """(n_frames, N_BANDS) power of one mic, unpacked anew."""
        return self._tracks[mic].band_power()

    def noise(self, mic: str) -> Float64Array:
        """(N_BANDS,) power of the quietest stretches of a mic."""
        return self.rises(mic).noise

    def rises(self, mic: str) -> Rises:
        """Where the level of one mic rises."""
        if mic not in self._rises:
            self._rises[mic] = find_rises(self._tracks[mic])
        return self._rises[mic]


def noise_power(total: RunningTotal, frames_per_s: float) -> Float64Array:
    """(N_BANDS,) power of the quietest stretches of 50 ms."""
    width = max(1, round(0.05 * frames_per_s))
    if total.n_frames < width:
        return np.full(N_BANDS, FLOOR_POWER)
    means = total.means(np.arange(0, total.n_frames - width + 1, max(1, width // 2)), 0, width)
    return np.maximum(np.percentile(means, 3, axis=0), FLOOR_POWER)


def find_starts(power: NDArray[np.float32], noise: Float64Array, frames_per_s: float) -> NDArray[np.int64]:
    """Frames at which the level rises faster than ring, wash or noise does."""
    if len(power) < 32:
        return np.zeros(0, np.int64)
    ms = frames_per_s / 1000.0
    rise = _rise_db(power, noise, ms)
    groups = np.stack([rise[:, a:b].mean(axis=1) / need for (a, b), need in zip(GROUPS, RISE_DB, strict=True)])
    peaks, _ = signal.find_peaks(groups.max(axis=0), height=1.0, distance=max(1, round(1000 * DISTANCE_S * ms)))
    return _at_half_rise(peaks, rise, power, noise, ms)


def _rise_db(power: NDArray[np.float32], noise: Float64Array, ms: float) -> NDArray[np.float32]:
    """(n, bands) level of the next 3 ms over that of 10 to 3 ms ago, piece by piece to save memory."""
    back, ahead = round(10 * ms), round(3 * ms)
    rise = np.empty(power.shape, np.float32)
    for first in range(0, len(power), PIECE):
        low = max(0, first - back)
        # noise alone must not look like a rise
        total = RunningTotal(power[low : first + PIECE + ahead] + 2.0 * noise)
        at = np.arange(first - low, min(first + PIECE, len(power)) - low)
        after, before = total.means(at, 0, ahead + 1), total.means(at, -back, -ahead + 1)
        rise[first : first + len(at)] = 10.0 * np.log10(after / before)
    return rise


def _at_half_rise(
    peaks: NDArray[np.int64], rise: NDArray[np.float32], power: NDArray[np.float32], noise: Float64Array, ms: float
) -> NDArray[np.int64]:
    """Move each peak of the rise to the frame where the rising bands are half way up, in dB."""
    if len(peaks) == 0:
        return peaks
    back, ahead, earlier = round(4 * ms), round(6 * ms), round(10 * ms)
    strongest = rise[peaks].max(axis=1, keepdims=True)
    weight = (rise[peaks] > 0.6 * strongest).astype(float)
    weight /= weight.sum(axis=1, keepdims=True)
    span = np.arange(-earlier, ahead)
    index = np.clip(peaks[:, None] + span, 0, len(power) - 1)
    course = np.einsum("ntb,nb->nt", 10.0 * np.log10(power[index] + noise), weight)
    quiet = course[:, : earlier - round(2 * ms)].mean(axis=1, keepdims=True)
    attack = course[:, earlier - back :]
    loudest = attack.max(axis=1, keepdims=True)
    half = np.maximum(0.5 * (quiet + loudest), loudest - PRELUDE_DB)
    moved = peaks - back + np.argmax(attack >= half, axis=1)
    return np.unique(np.clip(moved, 0, len(power) - 1))


def start_times(
    track: OnsetTrack, around_s: Float64Array, *, before_s: float, after_s: float, need_db: float
) -> Float64Array:
    """(n,) when something starts in a channel near each time, s; NaN where nothing does.

    The start is the first edge bin within 20 dB of the loudest in the window that also stands out
    from the 6 ms before the window. Own choice, after the first-arrival rule of room acoustics
    (20 dB under the peak, ISO 3382-1, from memory).
    """
    rate, edge = track.edges_per_s, track.edge_db
    lead, quiet = round(before_s * rate), round(0.006 * rate)
    width = lead + round(after_s * rate)
    first = np.floor(np.nan_to_num(around_s) * rate).astype(np.int64) - lead
    inside = (first - quiet >= 0) & (first + width <= len(edge)) & np.isfinite(around_s)
    times = np.full(len(around_s), np.nan)
    if not inside.any():
        return times
    begin = first[inside][:, None]
    background = np.percentile(edge[begin + np.arange(-quiet, 0)].astype(np.float32), 80, axis=1)
    course = edge[begin + np.arange(width)].astype(np.float32)
    peak = course.max(axis=1)
    threshold = np.maximum(background + 0.7 * need_db, peak - 20.0)
    at = begin[:, 0] + np.argmax(course >= threshold[:, None], axis=1)
    times[inside] = np.where(peak >= background + need_db, at / rate, np.nan)
    return times


def edge_rise(track: OnsetTrack, time_s: Float64Array) -> Float64Array:
    """(n,) sharpest edge from 0.5 ms before to 2.5 ms after each time, over that of the 10 ms before, dB."""
    rate, n = track.edges_per_s, len(track.edge_db)
    at = np.floor(time_s * rate).astype(np.int64)[:, None]
    lead, width, back = round(0.0005 * rate), round(0.0025 * rate), round(0.010 * rate)
    now = track.edge_db[np.clip(at + np.arange(-lead, width), 0, n - 1)].max(axis=1)
    ago = track.edge_db[np.clip(at + np.arange(-back, -lead), 0, n - 1)].max(axis=1)
    return np.asarray(now.astype(np.float64) - ago.astype(np.float64))


def main_rise_times(course_db: NDArray[np.float16], per_s: float, around_s: Float64Array) -> Float64Array:
    """(n,) when a level near each time first comes within 6 dB of its largest value, s; NaN if it was there before."""
    lead, width = round(0.004 * per_s), round(0.012 * per_s)
    first = np.clip(np.floor(around_s * per_s).astype(np.int64) - lead, 0, max(len(course_db) - width, 0))
    span = course_db[np.minimum(first[:, None] + np.arange(width), len(course_db) - 1)].astype(np.float32)
    rises = np.argmax(span >= span.max(axis=1, keepdims=True) - 6.0, axis=1)
    return np.where(rises > 0, (first + rises) / per_s, np.nan)


def gather_candidates(
    drum: str,
    file: str,
    tracks: Mapping[str, OnsetTrack],
    powers: Powers,
    *,
    cymbal: bool,
    own_files: Sequence[str],
    far_files: frozenset[str],
) -> Candidates:
    """All candidates of the close mic `file`.

    `cymbal` says in which region the order
    of arrival is judged: in all, or in the middle, where a shell speaks and a hat played with it does not.
    """
    track = tracks[file]
    ms = track.frames_per_s / 1000.0
    frames, noise, total = powers.rises(file).frame, powers.noise(file), powers.total(file)
    attack = total.means(frames, -1, round(1000 * ATTACK_S * ms))
    quiet = total.means(frames, -round(1000 * BEFORE_S[0] * ms), -round(1000 * BEFORE_S[1] * ms))
    quiet = np.maximum(quiet, noise)
    new = np.maximum(attack - quiet, 0.0) + FLOOR_POWER
    level_db = 10.0 * np.log10(new.sum(axis=1))
    if len(frames):
        keep = level_db > level_db.max() - LOUDEST_RANGE_DB
        frames, attack, quiet, new, level_db = frames[keep], attack[keep], quiet[keep], new[keep], level_db[keep]
    rise = np.sort(10.0 * np.log10(attack / quiet), axis=1)[:, -3:].mean(axis=1)
    coarse_s = frames / track.frames_per_s
    time_s = start_times(track, coarse_s, before_s=0.004, after_s=0.006, need_db=6.0)
    time_s = np.where(np.isnan(time_s), coarse_s, time_s)
    heard_by, starts = _in_other_mics(file, time_s, tracks, own_files, far_files)
    courses = [tracks[f].edge_db if cymbal else tracks[f].mid_db for f in own_files]
    main = [main_rise_times(course, track.edges_per_s, time_s) for course in courses]
    here = main[list(own_files).index(file)]
    here = np.where(np.isnan(here), time_s, here)
    lags_s = np.where(starts, np.nan_to_num(np.stack(main, axis=1) - here[:, None], nan=NEVER_S), NEVER_S)
    return Candidates(
        drum=drum, file=file, frame=frames, time_s=time_s, level_db=level_db, rise_db=rise,
        tilt_db=10.0 * np.log10(new[:, :3].sum(axis=1) / new[:, 6:].sum(axis=1)),
        edge_db=edge_rise(track, time_s),
        heard_by=heard_by, lag_files=tuple(own_files), lags_s=lags_s,
    )  # fmt: skip


def _in_other_mics(
    file: str,
    time_s: Float64Array,
    tracks: Mapping[str, OnsetTrack],
    own_files: Sequence[str],
    far_files: frozenset[str],
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """(n,) in how many other mics something starts too, and (n, n_own) in which other own mics."""
    heard_by = np.zeros(len(time_s), np.int64)
    starts = np.zeros((len(time_s), len(own_files)), bool)
    for other, track in tracks.items():
        if other == file:
            continue
        after_s = FAR_AFTER_S if other in far_files else NEAR_AFTER_S
        heard = np.isfinite(start_times(track, time_s, before_s=0.004, after_s=after_s, need_db=9.0))
        heard_by += heard
        if other in own_files:
            starts[:, own_files.index(other)] = heard
    return heard_by, starts
