"""From noise floor to peak: one bar per channel on a common dB axis."""

from __future__ import annotations

from collections.abc import Sequence

from kitproof.model import ChannelMeasures
from kitproof.report import style
from kitproof.report.context import Context
from kitproof.report.numbers import fixed
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box
from kitproof.report.typeset import shorten_middle

ROW_H = 13.0
LOW_DBFS = -110.0
STEP_DB = 10


def top_of_axis(measures: Sequence[ChannelMeasures]) -> float:
    """0 dBFS, or more if a float file goes over it."""
    peaks = [m.true_peak_dbtp for m in measures if m.true_peak_dbtp is not None]
    return float(STEP_DB) * max(0, -int(-max(peaks, default=0.0) // STEP_DB))


def level_x(box: Box, top: float, db: float) -> float:
    """Where a level stands; everything below the axis stands at its start."""
    return box.x + box.w * min(max((db - LOW_DBFS) / (top - LOW_DBFS), 0.0), 1.0)


def draw_ranges(sheet: Sheet, ctx: Context, measures: Sequence[ChannelMeasures], top: float) -> None:
    """Draw the bars of these channels at `sheet.y`, axis below."""
    box = Box(sheet.plot_x, sheet.y, sheet.right - sheet.plot_x - 4.0, len(measures) * ROW_H)
    for db in range(int(LOW_DBFS), int(top) + 1, STEP_DB):
        x = level_x(box, top, db)
        sheet.line(x, box.y, x, box.bottom + 3.0)
        label = fixed(db, 0) + (" dB" if db == top else "")
        sheet.text(min(x, sheet.right - 9.0), box.bottom + 11.0, label, style.TICK, align="centre")
    for n, one in enumerate(measures):
        _bar(sheet, ctx, one, Box(box.x, box.y + n * ROW_H, box.w, ROW_H), top)
    sheet.y = box.bottom + 22.0


def _bar(sheet: Sheet, ctx: Context, one: ChannelMeasures, box: Box, top: float) -> None:
    middle = box.y + box.h / 2
    name = shorten_middle(ctx.label(one.file), style.CELL, style.LABEL_W - 6.0)
    sheet.text(sheet.left, middle + 2.9, name, style.CELL)
    floor, peak, rms = one.noise_floor_dbfs, one.true_peak_dbtp, one.rms_dbfs
    if peak is None:
        sheet.text(box.x + 4.0, middle + 2.7, ctx.words("common.not_measured"), style.TICK)
        return
    end = level_x(box, top, peak)
    if floor is not None:
        start = level_x(box, top, floor)
        sheet.rect(Box(start, middle - 2.2, max(end - start, 0.5), 4.4), fill=style.TRACE)
    if rms is not None:
        x = level_x(box, top, rms)
        sheet.line(x, middle - 4.6, x, middle + 4.6, style.INK, 1.1)
    sheet.circle(end, middle, 3.0, fill=style.INK)
