"""Ranging: how late exactly the own mic of a drum is, from what it and the other own mics hear of each other's drums.

Sound takes the same path from drum A to mic B as from drum B to mic A, or nearly. So half the difference of the two
delays is no path: it is how much later one of the channels is. Costs nothing unless a mic is late.
"""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Executor, Future
from dataclasses import replace
from pathlib import Path

import numpy as np

from kitproof.measure.arrival import Arrival
from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.look import arrivals_in
from kitproof.model import Channel
from kitproof.observed.lateness import LateMic

AHEAD_S = 0.004  # a rough figure is up to 3 ms wrong, and nothing is heard that comes before the stroke's time
ROUGH_SPREAD_MS = 3.0
PATH_SPREAD_MS = 0.6  # a drum is up to 20 cm beside its mic: the two paths are not quite the same
WIDEST_MS = 5.0  # between own mics there are 1.5 m at most
FURTHEST_MS = 6.0  # from the rough figure: beyond, something else was heard
FEWEST = 2


def range_late_mics(
    root: Path,
    channels: Mapping[str, Channel],
    own: Mapping[str, str],
    drums: Mapping[str, DrumTimes],
    rough_s: Mapping[str, float],
    moved_s: Mapping[str, float],
    executor: Executor,
) -> tuple[LateMic, ...]:
    """The late own mics, each against all that are in time.

    own : drum -> file; drums : strokes, those of late mics already moved earlier by moved_s, about as far as rough_s
    """
    late = {d: f for d, f in own.items() if f in rough_s}
    good = [d for d, f in own.items() if f not in rough_s and d in drums]
    early = [replace(drums[d], time_s=drums[d].time_s - AHEAD_S) for d in late if d in drums]
    there = {d: _job(root, channels[own[d]], early, executor) for d in good}
    here = {d: _job(root, channels[f], [drums[g] for g in good], executor) for d, f in late.items() if d in drums}
    out = []
    for drum, file in late.items():
        heard_here: Mapping[str, Arrival] = here[drum].result() if drum in here else {}
        ranges = []
        for other in good:
            to, back = heard_here.get(other), there[other].result().get(drum)
            if to is not None and back is not None and to.time_s is not None and back.time_s is not None:
                ahead_s = moved_s[file] + AHEAD_S
                by_s, path_s = 0.5 * (to.time_s - back.time_s + ahead_s), 0.5 * (to.time_s + back.time_s - ahead_s)
                ranges.append((1000.0 * by_s, 1000.0 * path_s))
        out.append(
            late_mic(file, drum, 1000.0 * rough_s[file], ranges, len(drums[drum].time_s) if drum in drums else 0)
        )
    return tuple(out)


def late_mic(file: str, drum: str, rough_ms: float, ranges: list[tuple[float, float]], n_hits: int) -> LateMic:
    """Median of the ranges, (late ms, path ms) each, that are possible; the rough figure where too few are."""
    late = np.array([
        by for by, path in ranges if 0.0 <= path <= WIDEST_MS and abs(by - rough_ms) <= FURTHEST_MS
    ])  # fmt: skip
    if len(late) < FEWEST:
        return LateMic(file=file, drum=drum, late_ms=rough_ms, spread_ms=ROUGH_SPREAD_MS, n_drums=0, n_hits=n_hits)
    middle = float(np.median(late))
    each = max(PATH_SPREAD_MS, 1.4826 * float(np.median(np.abs(late - middle))))
    return LateMic(
        file=file, drum=drum, late_ms=middle, spread_ms=each / float(np.sqrt(len(late))),
        n_drums=len(late), n_hits=n_hits,
    )  # fmt: skip


def _job(root: Path, c: Channel, drums: list[DrumTimes], executor: Executor) -> Future[dict[str, Arrival]]:
    return executor.submit(arrivals_in, root / c.path, c.index_in_file, c.file, drums)
