"""Bars and beats as the report counts them, from the measured grid. Without bars, nothing is counted."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

from kitproof.observed.timing import Grid


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A bar and a beat in it, both from 1; bars before the first are 0, -1 ..."""

    bar: int
    beat: int


class Bars:
    """The bar lines of one take; false if it has none."""

    def __init__(self, grids: tuple[Grid, ...]) -> None:
        usable = [g for g in grids if g.first_bar is not None and g.beats_per_bar and len(g.beats_s) > 1]
        self.grid = usable[0] if usable else None

    def __bool__(self) -> bool:
        return self.grid is not None

    @property
    def declared(self) -> bool:
        """Whether somebody said where bar 1 is, or the click's accents do."""
        return self.grid is not None and self.grid.bar_source in ("declared", "click")

    def at(self, seconds: float) -> Place | None:
        """Where a moment is; None without bars, and beyond the first and the last beat but one."""
        if self.grid is None:
            return None
        beats, n = self.grid.beats_s, self.grid.beats_per_bar or 1
        early_s = 0.125 * (beats[1] - beats[0])  # a stroke just ahead of the beat belongs to it
        index = bisect_right(beats, seconds + early_s) - 1
        if index < 0 or seconds > beats[-1] + 2.0 * (beats[-1] - beats[-2]):
            return None
        bar, beat = divmod(index - (self.grid.first_bar or 0), n)
        return Place(bar=bar + 1, beat=beat + 1)

    def lines(self) -> list[tuple[int, float]]:
        """(bar, seconds) of every bar line from bar 1 on."""
        if self.grid is None:
            return []
        first, n = self.grid.first_bar or 0, self.grid.beats_per_bar or 1
        return [(bar + 1, t) for bar, t in enumerate(self.grid.beats_s[first::n])]
