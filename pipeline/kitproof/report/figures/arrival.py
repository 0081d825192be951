"""The arrival chart: one spot per mic on a common scale of milliseconds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from kitproof.model import PairEntry
from kitproof.report import numbers, style
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box

MOST_MS = 20.0  # own choice: 7 m, more than most rooms; later spots stand at the edge with an arrow
R = 2.9


@dataclass(frozen=True, slots=True)
class Scale:
    """Ends of the time axis, ms."""

    low_ms: float
    high_ms: float

    def x(self, box: Box, ms: float) -> float:
        """Where a delay stands, held within the box."""
        share = (ms - self.low_ms) / (self.high_ms - self.low_ms)
        return box.x + box.w * min(max(share, 0.0), 1.0)


def scale_for(pairs: Sequence[PairEntry], *, symmetric: bool = False) -> Scale:
    """A scale that holds all delays, at most 20 ms either way: from 0 if none is negative, or about 0."""
    delays = [p.delay_ms for p in pairs if p.delay_ms is not None]
    if symmetric:
        high = min(numbers.nice_ceiling(max([0.5, *(abs(d) for d in delays)])), MOST_MS)
        return Scale(-high, high)
    high = min(numbers.nice_ceiling(max([2.0, *delays])), MOST_MS)
    low = min([0.0, *delays])
    return Scale(-min(max(numbers.nice_ceiling(-low), high / 5.0), MOST_MS) if low < 0.0 else 0.0, high)


def draw_scale(sheet: Sheet, box: Box, scale: Scale) -> None:
    """Numbers of the axis above the rows."""
    base = box.y + 7.5
    middle = (scale.high_ms / 2,) if scale.low_ms == 0.0 else ()
    for ms in dict.fromkeys((scale.low_ms, 0.0, *middle, scale.high_ms)):
        x = scale.x(box, ms)
        align = "left" if x <= box.x + 1 else ("right" if x >= box.right - 1 else "centre")
        text = f"{ms:g}".replace("-", numbers.MINUS)
        sheet.text(x, base, text, style.TICK, align=align)  # type: ignore[arg-type]
        sheet.line(x, base + 2.0, x, base + 5.0, style.QUIET)


def draw_spot(sheet: Sheet, box: Box, scale: Scale, pair: PairEntry) -> None:
    """One mic: a full spot for the same polarity, an open one for opposite, a cross where it is unclear."""
    y = box.y + box.h / 2
    zero = scale.x(box, 0.0)
    sheet.line(zero, box.y, zero, box.bottom, style.QUIET, 0.6)
    if pair.delay_ms is None:
        return
    x = scale.x(box, pair.delay_ms)
    sheet.line(zero, y, x, y, style.TRACE, 0.7)
    if not scale.low_ms <= pair.delay_ms <= scale.high_ms:
        way = 1.0 if pair.delay_ms > 0 else -1.0
        sheet.segments([(x - 5 * way, y - 3, x, y), (x - 5 * way, y + 3, x, y)], style.INK, 1.0)
        return
    if pair.delay_spread_ms is not None:
        a = scale.x(box, pair.delay_ms - pair.delay_spread_ms)
        b = scale.x(box, pair.delay_ms + pair.delay_spread_ms)
        sheet.line(a, y, b, y, style.INK, 1.6)
    if pair.polarity == "same":
        sheet.circle(x, y, R, fill=style.INK)
    elif pair.polarity == "opposite":
        sheet.circle(x, y, R, fill=style.PAPER, stroke=style.INK, width=1.2)
    else:
        sheet.segments([(x - R, y - R, x + R, y + R), (x - R, y + R, x + R, y - R)], style.INK, 1.2)
