"""Own mics whose whole channel is late."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class LateMic:
    """A drum's own mic that lags behind the others as a whole; strokes are timed as if it did not."""

    file: str
    drum: str
    late_ms: float
    spread_ms: float  # standard error; the drums are not where their mics are, so never far under half a millisecond
    n_drums: int  # ranged against, both ways; 0: only the onsets of all loud events together tell, roughly
    n_hits: int
