"""How loud a drum is in a mic: what takes are compared by."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """One drum in one mic, own or distant; a gain that is turned moves all drums of a mic by the same."""

    file: str
    drum: str
    n_strokes: int
    level_dbfs: float  # mean square over 61 ms, median over strokes
    over_own_db: float  # the same against the stroke's peak in the drum's own mic, median of the differences
    error_db: float  # standard error of over_own_db
