"""Cracks and knocks: sounds in one channel while nothing begins in any other.

crackle   up at once and gone within 8 ms, ring and room with it: no drum, stick or cymbal stops so soon
knock     broadband, as loud as the strokes heard here, with a ring of its own: a stick or a hand on the mic. Either
          it is far louder than the usual stroke, which others could not miss; or the strokes of the drum tell what
          the distant mics should have heard of it, and none of them did

What begins elsewhere at the same time may be the same sound, so what coincides with a stroke is not seen.

Conventions: levels are RMS over 4 ms, dB re 1.0, one frame a millisecond, all channels on one time line.

Source
------
A broadband event in one channel without a match in the others: common practice. Close mics of drums fall by 20 dB in
30 to 60 ms at the quickest: measured. Own choices: learning from the strokes what a match would be, the limits.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from kitproof.measure.onsets import OnsetTrack
from kitproof.measure.views import TakeView
from kitproof.observed.interference import LoneSounds
from kitproof.roles import DISTANT_ROLES, DRUM_OF_ROLE

GROUPS = (slice(2, 5), slice(5, 8))  # bands of OnsetTrack: 250 Hz to 2 kHz, 2 to 16 kHz
RISE_DB, FALL_DB = 15.0, 15.0  # 12 is met by a few strokes in 467 channels of drums, 15 by none
BOTH_DB = 12.0  # a knock rises so much in the mid and in the highs
BEFORE_MS, BEFORE_END_MS = -30, -4
AFTER_MS, AFTER_END_MS = 8, 28
BACK_DB = 3.0  # as it was before
MATCH_MS = (-6, 15)  # another mic hears it: 2 m before to 5 m after
ELSEWHERE_DB = 5.0  # something begins there
LOUDER_DB = 6.0  # than the median stroke, or
UNDER_DB, MISSING_DB = -3.0, 3.0  # about as loud, and missing by this in every distant mic
FEWEST_STROKES = 5
UNKNOWN_DB = -40.0  # what a distant mic hears of a sound at this one, if no stroke says more
MOST_OWN_DB, MOST_FAR_DB = -6.0, 0.0  # nor can another mic hear more than this of a sound beside a close mic
QUARTILE = 0.25  # strokes differ; three of four are louder in the other mic than is asked for
APART_MS = 30
MOST_TIMES = 200
Floats = NDArray[np.float32]
Kind = Literal["crackle", "knock"]


@dataclass(frozen=True, slots=True)
class _Ear:
    """What one channel's strokes say: how loud they are here, and how loud every other mic is against it."""

    level_db: Floats  # (2,) median stroke per group
    couplings: dict[str, Floats]  # by file, (2,) dB


def find_lone_sounds(view: TakeView) -> Iterator[LoneSounds]:
    """Cracks and knocks of every channel; nothing where there are none, or fewer than three channels."""
    levels = {c.file: group_levels(view.tracks[c.file]) for c in view.kit}
    if len(levels) < 3:
        return
    distant = [c.file for c in view.kit if c.role in DISTANT_ROLES]
    rate = next(iter(view.tracks.values())).frames_per_s
    for c in view.kit:
        own = DRUM_OF_ROLE.get(c.role)
        times = [d.time_s for d in view.drums.values() if own is None or d.drum == own]
        frames = np.round(np.concatenate(times) * rate).astype(np.int64) if times else np.zeros(0, np.int64)
        witnesses = [m for m in distant if m != c.file]
        yield from lone_sounds(c.file, levels, witnesses, frames, rate, MOST_FAR_DB if own is None else MOST_OWN_DB)


def group_levels(track: OnsetTrack) -> Floats:
    """(2, n_frames) level of the mid and of the highs, dB."""
    power = track.band_power()
    return np.stack([10.0 * np.log10(power[:, g].sum(axis=1)) for g in GROUPS])


def lone_sounds(
    file: str,
    levels: Mapping[str, Floats],
    witnesses: Sequence[str],
    strokes: NDArray[np.int64],
    rate: float,
    most_db: float = MOST_OWN_DB,
) -> Iterator[LoneSounds]:
    """The cracks and the knocks of one channel.

    levels : (2, n_frames) of every channel; witnesses : distant mics; strokes : frames of the strokes heard here
    """
    here = levels[file]
    at, rise, gone = _sudden(here)
    alone = np.full(len(at), True)
    for m, level in levels.items():
        if m != file and alone.any():
            now, before = _around(level, at)
            alone &= np.all(now - before < ELSEWHERE_DB, axis=0)
    at, rise, gone = at[alone], rise[:, alone], gone[alone]
    if len(at) == 0:
        return
    knock = np.zeros(len(at), bool)
    if witnesses:
        far = {m: levels[m] for m in witnesses}
        knock = ~gone & (rise.min(axis=0) >= BOTH_DB) & _as_loud(here, far, at, _listen(here, far, strokes, most_db))
    kinds: tuple[tuple[Kind, NDArray[np.bool_]], ...] = (("crackle", gone), ("knock", knock))
    for kind, chosen in kinds:
        if chosen.any():
            frames = _apart(at[chosen])
            yield LoneSounds(
                file=file, kind=kind, times_s=tuple((frames[:MOST_TIMES] / rate).tolist()), n_sounds=len(frames),
                level_dbfs=float(10.0 * np.log10(np.sum(10.0 ** (here[:, at[chosen]] / 10.0), axis=0)).max()),
                rise_db=float(np.median(rise[:, chosen].max(axis=0))),
            )  # fmt: skip


def _sudden(here: Floats) -> tuple[NDArray[np.int64], Floats, NDArray[np.bool_]]:
    """Frames at which the level rises at once, by how much in each group, and whether it is gone as soon."""
    before = np.stack([_highest(g, BEFORE_MS, BEFORE_END_MS) for g in here])
    rise = here - before
    most = rise.max(axis=0)
    at = np.flatnonzero((most >= RISE_DB) & (most >= ndimage.maximum_filter1d(most, 25)))
    after = np.stack([_highest(g, AFTER_MS, AFTER_END_MS) for g in here])[:, at]
    up = rise[:, at] >= BOTH_DB
    fell = here[:, at] - after >= FALL_DB
    back = after <= before[:, at] + BACK_DB
    return at, rise[:, at], np.all(np.where(up, fell, back | fell), axis=0)


def _highest(level: Floats, first: int, last: int) -> Floats:
    """(n,) highest of the frames from `first` to `last` after each."""
    out = ndimage.maximum_filter1d(level, last - first + 1, mode="nearest")
    later = (first + last + 1) // 2
    if later > 0:
        return np.concatenate((out[later:], np.repeat(out[-1:], min(later, len(out)))))
    return np.concatenate((np.repeat(out[:1], min(-later, len(out))), out[: max(len(out) + later, 0)]))


def _as_loud(here: Floats, far: Mapping[str, Floats], at: NDArray[np.int64], ear: _Ear) -> NDArray[np.bool_]:
    """(n,) whether a sound is so loud that the distant mics would have heard it in the air."""
    over = (here[:, at] - ear.level_db[:, None]).max(axis=0)
    missing = [(here[:, at] + ear.couplings[m][:, None] - _around(far[m], at)[0]).max(axis=0) for m in far]
    return np.asarray((over >= LOUDER_DB) | ((over >= UNDER_DB) & (np.min(missing, axis=0) >= MISSING_DB)))


def _listen(here: Floats, witnesses: Mapping[str, Floats], strokes: NDArray[np.int64], most_db: float) -> _Ear:
    n = here.shape[1]
    strokes = strokes[(strokes > 60) & (strokes < n - 40)]
    if len(strokes) < FEWEST_STROKES:
        couplings = {m: np.full(2, UNKNOWN_DB, np.float32) for m in witnesses}
        return _Ear(level_db=here.max(axis=1) - 6.0, couplings=couplings)
    own, before = _around(here, strokes)
    heard = (own - before) >= BOTH_DB
    couplings = {}
    for m, level in witnesses.items():
        there, quiet = _around(level, strokes)
        ratio = np.where(there - quiet >= 6.0, there - own, -np.inf)
        couplings[m] = np.array(
            [_quartile(ratio[g][heard[g]], most_db) for g in range(len(GROUPS))], np.float32
        )  # fmt: skip
    median = [float(np.median(own[g][heard[g]])) if heard[g].any() else np.inf for g in range(len(GROUPS))]
    return _Ear(level_db=np.array(median, np.float32), couplings=couplings)


def _quartile(ratio: Floats, most_db: float) -> float:
    if len(ratio) < FEWEST_STROKES:
        return UNKNOWN_DB
    low = np.sort(ratio)[int(len(ratio) * QUARTILE)]
    return float(min(low, most_db)) if np.isfinite(low) else -200.0


def _around(level: Floats, at: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """(2, n) highest level at each moment as another mic may hear it, and before it."""
    last = level.shape[1] - 1
    now = np.clip(at[:, None] + np.arange(MATCH_MS[0], MATCH_MS[1] + 1), 0, last)
    old = np.clip(at[:, None] + np.arange(-50, MATCH_MS[0] - 4), 0, last)
    return level[:, now].max(axis=2), level[:, old].max(axis=2)


def _apart(frames: NDArray[np.int64]) -> NDArray[np.int64]:
    kept: list[int] = []
    for f in frames.tolist():
        if not kept or f - kept[-1] >= APART_MS:
            kept.append(f)
    return np.array(kept, np.int64)
