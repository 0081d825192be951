"""How hard the strokes were: a small histogram of their peaks, 1 or 3 dB a column."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

from kitproof.model import Hit
from kitproof.report import numbers, style
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box
from kitproof.report.typeset import text_width

FINE_DB, COARSE_DB = 1, 3
WIDEST = 16  # columns: 48 dB, more than any drum is played over
AXIS_H = 12.0


def columns(hits: Sequence[Hit]) -> list[tuple[int, int]]:
    """(lower edge in dBFS, strokes) of every column from the softest to the loudest, empty ones too.

    Columns of 1 dB if all strokes fit into WIDEST of them, else of 3 dB; what is softer still is put into the first.
    """
    peaks = [h.peak_dbfs for h in hits if h.peak_dbfs is not None]
    if not peaks:
        return []
    step = FINE_DB if max(peaks) - min(peaks) < FINE_DB * (WIDEST - 1) else COARSE_DB
    counts = Counter(step * math.floor(p / step) for p in peaks)
    low, high = max(min(counts), max(counts) - step * (WIDEST - 1)), max(counts)
    counts[low] += sum(n for edge, n in counts.items() if edge < low)
    return [(edge, counts[edge]) for edge in range(low, high + 1, step)]


def draw_histogram(sheet: Sheet, hits: Sequence[Hit], box: Box) -> None:
    """Draw into the box, axis at its foot; nothing without strokes."""
    bars = columns(hits)
    if not bars:
        return
    plot = Box(box.x, box.y, box.w, box.h - AXIS_H)
    width = plot.w / max(len(bars), 6)
    most = max(n for _, n in bars)
    widest = max(text_width(str(n), style.TICK.font, style.TICK.size) for _, n in bars)
    for i, (edge, n) in enumerate(bars):
        height = plot.h * 0.86 * n / most
        x = plot.x + i * width
        if n:
            sheet.rect(Box(x + 0.8, plot.bottom - height, width - 1.6, height), fill=style.TRACE)
            if n == most or widest < width:  # thousands of strokes: numbers side by side would run into one another
                sheet.text(x + width / 2, plot.bottom - height - 2.0, str(n), style.TICK, align="centre")
        if i % max(1, math.ceil(22.0 / width)) == 0:
            sheet.line(x, plot.bottom, x, plot.bottom + 2.5, style.QUIET)
            sheet.text(x, plot.bottom + 10.5, numbers.fixed(float(edge), 0), style.TICK)
    sheet.line(plot.x, plot.bottom, plot.right, plot.bottom, style.QUIET)
