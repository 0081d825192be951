"""What was struck: the own mics, those that are late as a whole, all strokes, and their exact times.

As `stages.py` needs them, one after the other; jobs on samples go to its executor.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from kitproof.measure.candidates import Rises
from kitproof.measure.excerpts import DrumTimes, clear_of_others
from kitproof.measure.hits import Stroke, find_hits
from kitproof.measure.lateness import in_time, late_mics
from kitproof.measure.look import look_at_own
from kitproof.measure.onsets import OnsetTrack
from kitproof.measure.ownmic import StrokeMeasures
from kitproof.model import Channel, Take
from kitproof.observed.lateness import LateMic
from kitproof.ranging import range_late_mics
from kitproof.roles import DISTANT_ROLES, DRUM_OF_ROLE, OWN_MIC_ORDER
from kitproof.scanning import ScannedChannel

FURTHER_S = (0.0, 0.0025)  # a late mic that hears its drum after others still, moved as far as is roughly known
OVERHEADS = ("overhead-left", "overhead-right", "overhead")


def own_mics(kit: Sequence[Channel], scanned: Mapping[str, ScannedChannel]) -> dict[str, str]:
    """drum -> file of the close mic its hits are timed by: the best role that is there and not silent."""
    files: dict[str, str] = {}
    for drum, roles in OWN_MIC_ORDER.items():
        for role in roles:
            found = [c.file for c in kit if c.role == role and scanned[c.file].scan.sample_peak_dbfs is not None]
            if found:
                files[drum] = found[0]
                break
    return files


def find_strokes(
    kit: Sequence[Channel],
    own: Mapping[str, str],
    tracks: Mapping[str, OnsetTrack],
    scanned: Mapping[str, ScannedChannel],
) -> tuple[Stroke, ...]:
    """All strokes, in order of time, to the resolution of the tracks; `tracks` on one time line."""
    close = [c.file for c in kit if c.role in DRUM_OF_ROLE]
    order = {role: i for i, role in enumerate(DISTANT_ROLES)}
    far = sorted((c for c in kit if c.role in order), key=lambda c: order[c.role])
    return find_hits(tracks, own, close, [c.file for c in far], known_rises(tracks, scanned))


def known_rises(tracks: Mapping[str, OnsetTrack], scanned: Mapping[str, ScannedChannel]) -> dict[str, Rises]:
    """Of the tracks that are as they were scanned; one that was moved, or brought to another rate, has others."""
    return {f: scanned[f].rises for f, t in tracks.items() if t.band_db is scanned[f].track.band_db}


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnStrokes:
    """The strokes of one drum in one file, exact."""

    drum: str
    file: str
    strokes: tuple[Stroke, ...]
    measures: StrokeMeasures


def find_late(
    root: Path,
    take: Take,
    kit: Sequence[Channel],
    own: Mapping[str, str],
    tracks: Mapping[str, OnsetTrack],
    scanned: Mapping[str, ScannedChannel],
    executor: Executor,
) -> tuple[LateMic, ...]:
    """The own mics that are late as a whole.

    A rough figure is enough to find strokes by, and those tell it exactly.
    """
    far = [c.file for c in kit if c.role in OVERHEADS]
    rough_s = late_mics(tracks, list(own.values()), far, known_rises(tracks, scanned))
    if not rough_s:
        return ()
    tries = []
    for more_s in FURTHER_S:
        moved_s = {f: late + more_s for f, late in rough_s.items()}
        strokes = find_strokes(kit, own, tracks_in_time(tracks, moved_s), scanned)
        drums = drum_times(look_at_strokes(root, take, strokes, moved_s, executor))
        tries.append(range_late_mics(root, {c.file: c for c in kit}, own, drums, rough_s, moved_s, executor))
        if all(m.n_drums for m in tries[-1]):
            break
    return max(tries, key=lambda found: sum(m.n_drums for m in found))


def tracks_in_time(tracks: Mapping[str, OnsetTrack], late_s: Mapping[str, float]) -> dict[str, OnsetTrack]:
    """The tracks with those of late channels moved earlier."""
    return {f: in_time(t, late_s[f]) if f in late_s else t for f, t in tracks.items()}


def look_at_strokes(
    root: Path, take: Take, strokes: Iterable[Stroke], late_s: Mapping[str, float], executor: Executor
) -> dict[tuple[str, str], OwnStrokes]:
    """Every drum's strokes in the file that they were found in, exact, by drum and file; times as if none were late."""
    by_place: dict[tuple[str, str], list[Stroke]] = {}
    for s in strokes:
        by_place.setdefault((s.drum, s.file), []).append(s)
    channels = {c.file: c for c in take.channels}
    jobs = {
        place: executor.submit(
            look_at_own, root / channels[place[1]].path, channels[place[1]].index_in_file,
            np.array([s.time_s for s in group]) + late_s.get(place[1], 0.0),
        )
        for place, group in by_place.items()
    }  # fmt: skip
    return {
        place: OwnStrokes(
            drum=place[0],
            file=place[1],
            strokes=tuple(by_place[place]),
            measures=job.result().earlier(late_s.get(place[1], 0.0)),
        )
        for place, job in jobs.items()
    }


def drum_times(own_strokes: Mapping[tuple[str, str], OwnStrokes]) -> dict[str, DrumTimes]:
    """Strokes per drum, in order of time; unmiked ones keep the strength of the mic that heard them."""
    every = [(o.drum, t) for o in own_strokes.values() for t in o.measures.time_s.tolist()]
    out: dict[str, DrumTimes] = {}
    for drum in dict.fromkeys(o.drum for o in own_strokes.values()):
        parts = [o for o in own_strokes.values() if o.drum == drum]
        time_s = np.concatenate([o.measures.time_s for o in parts])
        strength = np.concatenate([o.measures.peak for o in parts])
        order = np.argsort(time_s, kind="stable")
        time_s, strength = time_s[order], np.maximum(strength[order], 1e-9)
        others = [t for d, t in every if d != drum]
        out[drum] = DrumTimes(
            drum=drum, own_file=parts[0].file, time_s=time_s, strength=strength,
            clear=clear_of_others(time_s.tolist(), others),
        )  # fmt: skip
    return out
