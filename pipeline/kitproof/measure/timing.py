"""How the strokes of each drum lie against the grid, section by section. Described, never marked.

A stroke belongs to the nearest step (a quarter of a beat, or a third where the music goes in threes). What lies too
far from any step (flams, drags, rolls) is counted apart. Positive: after the step. The first sound at the drum's own
mic counts; against a click, how long the click takes to the player's ears is in it.

Source
------
Median and interquartile range, which a few flams do not move: common practice. Own choice: sections of 4 to 32 bars
where none are declared.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.grid import place, steps_of
from kitproof.measure.views import TakeView
from kitproof.observed.timing import Grid, Timing
from kitproof.reasons import FEW_ON_STEP, NO_BARS, WHOLE_TAKE

Floats = NDArray[np.float64]
BELONGS = 0.35  # of a step: a stroke further away is between steps
FEWEST = 5  # strokes: fewer have no spread
MOST_SECTIONS = 8


def measure_timing(view: TakeView) -> Iterator[Timing]:
    """Every drum over the whole take, then in each section; nothing without a grid."""
    grids = view.of_kind(Grid)
    if not grids:
        return
    grid, strokes = grids[0], {drum: d.time_s for drum, d in view.drums.items() if len(d.time_s)}
    beats = np.asarray(grid.beats_s)
    steps, _ = steps_of(beats, strokes)
    declared = [(s.name, s.bar) for s in view.take.sections]
    spans = [("", None, None), *sections(grid, declared)]
    for drum, time_s in strokes.items():
        where = place(beats, time_s)
        off = (where * steps - np.round(where * steps)) / steps
        late_ms = 1000.0 * off * _beat_s(beats, where)
        for name, first, last in spans:
            inside = np.ones(len(where), bool) if first is None or last is None else _within(grid, where, first, last)
            yield _timing(drum, name, first, last, steps, late_ms[inside], np.abs(off[inside]) * steps > BELONGS)


def sections(grid: Grid, declared: list[tuple[str, int]]) -> list[tuple[str, int | None, int | None]]:
    """(name, first bar, last bar) of each section: as declared, else equal stretches; none without bars."""
    if grid.first_bar is None or grid.beats_per_bar is None:
        return []
    last = (len(grid.beats_s) - grid.first_bar - 1) // grid.beats_per_bar + 1
    if declared:
        ends = [bar - 1 for _, bar in declared[1:]] + [last]
        return [(name, bar, end) for (name, bar), end in zip(declared, ends, strict=True) if bar <= end]
    length = next((n for n in (4, 8, 16) if n * MOST_SECTIONS >= last), 32)
    return [("", bar, min(bar + length - 1, last)) for bar in range(1, last + 1, length)]


def _within(grid: Grid, where: Floats, first: int, last: int) -> NDArray[np.bool_]:
    begin, n = grid.first_bar or 0, grid.beats_per_bar or 4
    early = 0.5 / 4  # a stroke just ahead of the bar line belongs to the bar it announces
    return np.asarray((where >= begin + (first - 1) * n - early) & (where < begin + last * n - early))


def _beat_s(beats: Floats, where: Floats) -> Floats:
    gaps = np.diff(beats)
    return np.asarray(gaps[np.clip(np.floor(where).astype(int), 0, len(gaps) - 1)])


def _timing(
    drum: str, name: str, first: int | None, last: int | None, steps: int, late_ms: Floats, between: NDArray[np.bool_]
) -> Timing:
    on = late_ms[~between]
    no_bars = {} if first is not None else dict.fromkeys(("first_bar", "last_bar"), NO_BARS if name else WHOLE_TAKE)
    counted: Mapping[str, int] = {"n_strokes": len(on), "n_between": int(between.sum())}
    if len(on) < FEWEST:
        few = dict.fromkeys(("median_ms", "spread_ms"), FEW_ON_STEP.format(least=FEWEST))
        return Timing(
            drum=drum, section=name, first_bar=first, last_bar=last, steps_per_beat=steps, **counted,
            median_ms=None, spread_ms=None, unmeasured=no_bars | few,
        )  # fmt: skip
    low, middle, high = np.percentile(on, [25, 50, 75])
    return Timing(
        drum=drum, section=name, first_bar=first, last_bar=last, steps_per_beat=steps, **counted,
        median_ms=round(float(middle), 1), spread_ms=round(float(high - low), 1), unmeasured=no_bars,
    )  # fmt: skip
