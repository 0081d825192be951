"""How a drum's ring dies away: its level over time as dots, the fitted decay as a line."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kitproof.observed.instrument import DrumRing
from kitproof.report import marks, style
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box

LOW_DB, STEP_DB = -40, 10
NAMED_STEP_DB = 20
LONGEST_S, STEP_S = 1.5, 0.5
DOT_R = 1.15
SLOW_DB = -8.0  # a ring that is still higher after half the picture leaves no room above it
SETTLED_DB = -2.0  # under its highest a ring falls; before, a head that was struck hard is still coming down to it
USED_FROM_DB = -5.0  # where the decay is read from


def fitted(ring: DrumRing) -> tuple[float, float, float] | None:
    """(level at the stroke in dB, first and last s that it was read from) of the fitted line; None without a decay.

    The slope is the record's; how high the line lies is the median of what was measured while the ring fell.
    """
    time_s, level = course(ring)
    if ring.decay_s is None or ring.decay_range_db is None or len(level) < 2:
        return None
    falls = (time_s >= time_s[np.argmax(level)]) & (level <= SETTLED_DB)
    read = falls & (level >= USED_FROM_DB - ring.decay_range_db - 3.0)
    if not read.any():
        return None
    at_stroke = float(np.median(level[read] + 60.0 * time_s[read] / ring.decay_s))
    return at_stroke, float(time_s[read][0]), float(time_s[read][-1])


def course(ring: DrumRing) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(n,) s after the stroke and (n,) dB."""
    level = np.array(ring.fall_db, np.float64)
    return ring.fall_from_s + ring.fall_step_s * np.arange(len(level), dtype=np.float64), level


def draw_ring(sheet: Sheet, ring: DrumRing, box: Box) -> None:
    """Draw into the box, seconds below it, dB left of it."""
    for s in np.arange(0.0, LONGEST_S + 1e-9, STEP_S):
        x = box.x + box.w * s / LONGEST_S
        sheet.line(x, box.y, x, box.bottom + 3.0)
        sheet.text(x, box.bottom + 11.0, f"{s:g}", style.TICK, align="centre")
    marks.level_axis(sheet, box, LOW_DB, 0, STEP_DB, NAMED_STEP_DB)
    sheet.clip(box)
    _fit(sheet, ring, box)
    for s, db in zip(*course(ring), strict=True):
        if db >= LOW_DB:
            sheet.circle(box.x + box.w * s / LONGEST_S, _y(box, db), DOT_R, fill=style.INK)
    sheet.unclip()
    sheet.rect(box, stroke=style.QUIET, width=0.4)


def free_corner(ring: DrumRing, box: Box) -> float:
    """Where a line of text in the right corner may stand, its baseline: above a ring that falls fast, else below."""
    time_s, level = course(ring)
    slow = bool(np.any(level[time_s >= LONGEST_S / 2.0] > SLOW_DB))
    return box.bottom - 3.0 if slow else box.y + 8.5


def _fit(sheet: Sheet, ring: DrumRing, box: Box) -> None:
    """The line where it was read, and broken where it is only drawn on."""
    line = fitted(ring)
    if line is None or ring.decay_s is None:
        return
    at_stroke, first_s, last_s = line

    def end(s: float) -> tuple[float, float]:
        return box.x + box.w * s / LONGEST_S, _y(box, at_stroke - 60.0 * s / (ring.decay_s or 1.0))

    sheet.segments([(*end(first_s), *end(last_s))], style.TRACE, 1.8)
    beyond = [(*end(0.0), *end(first_s)), (*end(last_s), *end(LONGEST_S))]
    sheet.segments(beyond, style.TRACE, 0.8, (2.2, 1.6))


def _y(box: Box, db: float) -> float:
    return marks.level_y(box, LOW_DB, 0, db)
