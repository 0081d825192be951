"""One moment in every mic: a row each, drawn to its own size, the mics concerned in bold."""

from __future__ import annotations

import numpy as np

from kitproof.model import MomentPicture
from kitproof.report import numbers, style
from kitproof.report.context import Context
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box
from kitproof.report.typeset import shorten_middle

ROW_H = 19.0
MOST_ROWS = 24
LEVEL_W = 58.0
QUIETEST = 1e-6  # -120 dBFS: below, a row is a line


def moment_height(moment: MomentPicture) -> float:
    """Height of the figure with its axis."""
    return min(len(moment.files), MOST_ROWS) * ROW_H + 16.0


def draw_moment(sheet: Sheet, ctx: Context, moment: MomentPicture) -> None:
    """Draw the figure at `sheet.y`; the mics that the finding is about come first if not all have room."""
    concerned = set(moment.finding_files)
    order = sorted(range(len(moment.files)), key=lambda n: moment.files[n] not in concerned)[:MOST_ROWS]
    rows = sorted(order)
    box = Box(sheet.plot_x, sheet.y, sheet.right - LEVEL_W - sheet.plot_x, len(rows) * ROW_H)
    zero = box.x + box.w * -moment.start_ms / moment.span_ms
    for ms in range(round(moment.start_ms), round(moment.start_ms + moment.span_ms) + 1, 5):
        x = box.x + box.w * (ms - moment.start_ms) / moment.span_ms
        sheet.line(x, box.y, x, box.bottom, style.QUIET if ms == 0 else style.HAIR, 0.7 if ms == 0 else 0.5)
        label = numbers.fixed(float(ms), 0, sign=ms > 0) + (" ms" if ms == 0 else "")
        sheet.text(x, box.bottom + 10.0, label, style.TICK, align="centre")
    for place, n in enumerate(rows):
        _row(sheet, ctx, moment, n, Box(box.x, box.y + place * ROW_H, box.w, ROW_H))
    sheet.line(zero, box.y, zero, box.bottom, style.QUIET, 0.7)
    sheet.y = box.bottom + 16.0


def _row(sheet: Sheet, ctx: Context, moment: MomentPicture, n: int, box: Box) -> None:
    file, wave = moment.files[n], np.asarray(moment.wave[n], np.float64)
    bold = file in moment.finding_files
    face = style.CELL_BOLD if bold else style.CELL
    middle = box.y + box.h / 2
    sheet.text(sheet.left, middle + 2.9, shorten_middle(ctx.label(file), face, style.LABEL_W - 8.0), face)
    peak = float(np.abs(wave).max(initial=0.0))
    if peak < QUIETEST:
        sheet.line(box.x, middle, box.right, middle, style.TRACE)
        return
    xs = box.x + box.w * np.arange(len(wave)) / len(wave)
    ys = middle - (0.46 * box.h) * wave / peak
    sheet.polyline(xs, ys, stroke=style.INK if bold else style.TRACE, width=0.9 if bold else 0.6)
    level = f"{numbers.fixed(20.0 * float(np.log10(peak)), 0)} dBFS"
    sheet.text(sheet.right, middle + 2.7, level, style.TICK, align="right")
