"""Spare hits: strokes of one drum that stand alone, to mend or double others with.

A stroke is clean if it is not clipped and no other stroke, of any drum, lies between 250 ms before it and the end of
its ring. The ring ends where it has fallen by 30 dB: half of the measured decay (which is to 60 dB), at least 250 ms,
at most 2 s; 250 ms where no decay was measured.

Source: own choice of the limits; five clean strokes a drum and more are common practice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kitproof.model import ChannelMeasures, Hit, Measurements
from kitproof.report.bars import Bars
from kitproof.roles import DRUM_ORDER

BEFORE_S = 0.25
SHORTEST_RING_S, LONGEST_RING_S = 0.25, 2.0
ENOUGH = 5
STRENGTHS = ("soft", "medium", "hard")
_CLIP_BEFORE_S = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class SpareHit:
    """One clean stroke."""

    drum: str
    file: str
    strength: str  # "soft", "medium" or "hard": thirds of the drum's strokes
    time_s: float
    bar: int | None
    beat: int | None
    strength_db: float
    peak_dbfs: float | None
    ring_s: float  # how long it is alone at least, as was asked for


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """The clean strokes of one drum."""

    drum: str
    n_hits: int
    ring_s: float
    hits: tuple[SpareHit, ...]

    def count(self, strength: str) -> int:
        """Clean strokes of one strength."""
        return sum(h.strength == strength for h in self.hits)

    @property
    def enough(self) -> bool:
        """Whether there are as many as it takes to mend with."""
        return len(self.hits) >= ENOUGH


def cover(m: Measurements) -> tuple[Coverage, ...]:
    """The clean strokes of every drum with a mic of its own; a drum that was never struck has none."""
    channels = {c.file: c for c in m.channels}
    rings = {r.drum: r.decay_s for r in m.observed.rings}
    times = np.sort([h.time_s for h in m.hits])
    bars = Bars(m.observed.grids)
    found = []
    for drum in sorted(m.drums, key=lambda d: DRUM_ORDER.index(d.drum)):
        ring_s = _ring(rings.get(drum.drum))
        own = [h for h in m.hits if h.drum == drum.drum]
        clipped = _clipped(channels.get(drum.file), m)
        clean = [h for h in own if _alone(h.time_s, times, ring_s) and not _touches(h.time_s, ring_s, clipped)]
        spares = _spares(clean, own, ring_s, bars)
        found.append(Coverage(drum=drum.drum, n_hits=len(own), ring_s=ring_s, hits=spares))
    return tuple(found)


def _ring(decay_s: float | None) -> float:
    return SHORTEST_RING_S if decay_s is None else float(np.clip(decay_s / 2.0, SHORTEST_RING_S, LONGEST_RING_S))


def _alone(time_s: float, times: np.ndarray, ring_s: float) -> bool:
    """Whether no other stroke lies around it; `times`, sorted, holds the stroke itself too."""
    first, last = np.searchsorted(times, (time_s - BEFORE_S, time_s + ring_s))
    return bool(last - first <= 1)


def _clipped(c: ChannelMeasures | None, m: Measurements) -> list[float]:
    """Times at which the mic is clipped; from the last one on all time counts if there are more than were kept."""
    if c is None:
        return []
    times = [run.start_s for run in c.clip_runs]
    plateaus = [p for f in m.faults if f.file == c.file for p in f.plateaus]
    times += [t for p in plateaus for t in p.times_s]
    if c.clip_runs_n > len(c.clip_runs) or any(p.n_moments > len(p.times_s) for p in plateaus):
        times += np.arange(max(times, default=0.0), c.duration_s, SHORTEST_RING_S).tolist()
    return times


def _touches(time_s: float, ring_s: float, clipped: Sequence[float]) -> bool:
    return any(time_s - _CLIP_BEFORE_S <= t <= time_s + ring_s for t in clipped)


def _spares(clean: Sequence[Hit], own: Sequence[Hit], ring_s: float, bars: Bars) -> tuple[SpareHit, ...]:
    known = [h.strength_db for h in own if h.strength_db is not None]
    if not known:
        return ()
    borders = np.quantile(known, (1.0 / 3.0, 2.0 / 3.0))
    out = []
    for h in clean:
        if h.strength_db is None:
            continue
        place = bars.at(h.time_s)
        out.append(
            SpareHit(
                drum=h.drum, file=h.file, strength=STRENGTHS[int(np.searchsorted(borders, h.strength_db))],
                time_s=h.time_s, bar=place.bar if place else None, beat=place.beat if place else None,
                strength_db=h.strength_db, peak_dbfs=h.peak_dbfs, ring_s=ring_s,
            )
        )  # fmt: skip
    return tuple(out)
