"""The whole take at a glance: one thin row of strokes per drum, the findings where they happen."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from kitproof.model import Hit
from kitproof.report import marks, style
from kitproof.report.context import Context, RankedFinding
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box, TextStyle
from kitproof.report.typeset import shorten_middle

LANE_H = 2 * marks.BALLOON_R + 3.0
MARK_STEP = 1.0  # points: strokes closer than this on paper are one mark
WEAK_DB = 30.0  # this far below the drum's loudest stroke a mark has its least height


def mark_positions(hits: Sequence[Hit], box: Box, duration_s: float) -> list[float]:
    """Where strokes stand in a plot of the take, each place on paper once."""
    return stroke_marks(hits, box, duration_s)[0]


def stroke_marks(hits: Sequence[Hit], box: Box, duration_s: float) -> tuple[list[float], list[float]]:
    """Places as `mark_positions`, and how tall each mark is: 1 for the drum's loudest stroke, 0.25 at 30 dB less.

    A stroke without a level stands as tall as the middle of that range.
    """
    if duration_s <= 0.0 or not hits:
        return [], []
    times = np.array([h.time_s for h in hits])
    levels = np.array([np.nan if h.peak_dbfs is None else h.peak_dbfs for h in hits])
    top = np.nanmax(levels) if np.any(np.isfinite(levels)) else 0.0
    share = 1.0 - 0.75 * np.clip((top - np.nan_to_num(levels, nan=top - WEAK_DB / 2)) / WEAK_DB, 0.0, 1.0)
    slot = np.round(np.clip(times / duration_s, 0.0, 1.0) * box.w / MARK_STEP).astype(int)
    tallest = np.zeros(int(slot.max()) + 1)
    np.maximum.at(tallest, slot, share)
    used = np.flatnonzero(tallest)
    return (box.x + used * MARK_STEP).tolist(), tallest[used].tolist()


def lanes_needed(ctx: Context, width: float) -> int:
    """Rows of finding numbers that the strip needs: none, one or two."""
    timed = [r for r in ctx.findings if r.finding.times_s]
    if not timed:
        return 0
    return 1 if None not in _place(ctx, timed, Box(0.0, 0.0, width, 0.0), 1) else 2


def strip_height(ctx: Context, row_h: float, width: float) -> float:
    """Height of the strip with its axes."""
    bars = 14.0 if ctx.bars else 2.0
    return bars + lanes_needed(ctx, width) * LANE_H + len(ctx.hits_by_drum) * row_h + 18.0


def _place(ctx: Context, timed: Sequence[RankedFinding], box: Box, lanes: int) -> list[int | None]:
    positions = [marks.time_x(box, ctx.duration_s, r.finding.times_s[0]) for r in timed]
    return marks.place_balloons(positions, [marks.balloon_width(r.number) for r in timed], lanes)


def draw_strip(sheet: Sheet, ctx: Context, top: float, row_h: float, label: TextStyle) -> float:
    """Draw the strip across the sheet below `top`; returns the y below it.

    label : how the drums' names and the axes are set
    """
    axis = TextStyle(style.SANS, max(label.size - 1.0, style.TICK.size), label.leading, style.QUIET)
    head = 14.0 if ctx.bars else 2.0
    lanes = lanes_needed(ctx, sheet.right - sheet.plot_x)
    rows = len(ctx.hits_by_drum)
    box = Box(sheet.plot_x, top + head, sheet.right - sheet.plot_x, lanes * LANE_H + rows * row_h)
    marks.bar_axis(sheet, ctx, box, face=axis)
    if lanes:
        _findings(sheet, ctx, box, lanes, label)
    y = box.y + lanes * LANE_H
    for drum, hits in ctx.hits_by_drum.items():
        name = shorten_middle(ctx.drum(drum), label, sheet.grid.label_w - 6.0)
        sheet.text(sheet.left, y + row_h / 2 + 0.36 * label.size, name, label)
        sheet.line(box.x, y + row_h, box.right, y + row_h)
        tall = 0.82 * row_h
        marked = zip(*stroke_marks(hits, box, ctx.duration_s), strict=True)
        sheet.segments([(x, y + row_h - share * tall, x, y + row_h) for x, share in marked], style.INK, 0.5)
        y += row_h
    if lanes or rows:
        marks.time_axis(sheet, ctx, box, face=axis)
    return box.bottom + 18.0


def _findings(sheet: Sheet, ctx: Context, box: Box, lanes: int, label: TextStyle) -> None:
    """The row of finding numbers: each at its first time, with ticks at its others."""
    timed = [r for r in ctx.findings if r.finding.times_s]
    placed = _place(ctx, timed, box, lanes)
    under = box.y + lanes * LANE_H
    for ranked in timed:
        colour = style.SEVERITY_COLOUR[ranked.finding.severity]
        places = [marks.time_x(box, ctx.duration_s, t) for t in ranked.finding.times_s]
        sheet.segments([(x, under - 3.5, x, under) for x in places], colour, 0.9)
    for ranked, lane in zip(timed, placed, strict=True):
        x = marks.time_x(box, ctx.duration_s, ranked.finding.times_s[0])
        if lane is not None:
            marks.balloon(sheet, x, box.y + (lane + 0.5) * LANE_H - 2.5, ranked)
    left_out = placed.count(None)
    text = ctx.words("strip.findings") if not left_out else ctx.words("strip.findings_and_more", n=left_out)
    rows = text.split("\n")
    first = box.y + lanes * LANE_H / 2 + 0.36 * label.size - 0.5 * (len(rows) - 1) * label.leading
    for n, row in enumerate(rows):
        sheet.text(sheet.left, first + n * label.leading, row, label)
    sheet.line(box.x, under, box.right, under)
