"""A left and a right mic held against one another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from kitproof.reasons import check_reasons


@dataclass(frozen=True, slots=True, kw_only=True)
class PairLows:
    """The lows of a left mic over those of its right one at strokes of kick and toms, against 160 to 400 Hz."""

    a: str  # left
    b: str  # right
    n_strokes: int
    lowest_db: float | None  # 25 and 31.5 Hz
    low_db: float | None  # 40 and 50 Hz
    upper_db: float | None  # 100 and 125 Hz
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("lowest_db", "low_db", "upper_db")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)
