"""What the room does to the kit, in each distant mic."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from kitproof.reasons import check_reasons


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomSound:
    """The snare as a distant mic hears it: direct sound, what follows at once, and how the rest dies away."""

    file: str
    n_strokes: int  # of the snare that nothing else disturbs for a while
    early_over_late_db: float | None  # first 50 ms from the direct sound on, against the time after; 250 Hz to 4 kHz
    early_spread_db: float | None  # interquartile range over strokes
    decay_s: float | None  # to fall by 60 dB, read from -5 to -25 dB; the snare's own ring is in it
    decay_range_db: float | None  # that the noise, or the next stroke, left to read
    decay_misfit_db: float | None  # root mean square of the level about the straight line
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("early_over_late_db", "early_spread_db", "decay_s", "decay_range_db", "decay_misfit_db")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)
