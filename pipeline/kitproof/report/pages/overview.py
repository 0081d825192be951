"""All channels over time, with their strokes and findings."""

from __future__ import annotations

from collections.abc import Sequence

from kitproof.model import Channel
from kitproof.report import alternatives, marks, numbers, style
from kitproof.report.anatomy import caption, method, open_section
from kitproof.report.context import Context, RankedFinding
from kitproof.report.figures.profile import draw_profile
from kitproof.report.figures.strip import mark_positions
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box
from kitproof.report.typeset import shorten_middle

KEY = "overview"
ROWS_PER_PAGE = 22
ROW_H = (44.0, 24.0)
SIDE_W = 74.0  # right of the plot: loudest peak, findings without a time
AFTER = 118.0  # room for axis, caption and method note


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw the overview, on as many pages as the channels need."""
    words = ctx.words
    line = words(
        "overview.line", channels=words.count("common.channels", len(ctx.channels)),
        length=numbers.length(ctx.duration_s), hits=words.count("common.hits", len(ctx.measurements.hits)),
        drums=words.count("common.drums", len(ctx.hits_by_drum)),
    )  # fmt: skip
    open_section(sheet, KEY, line)
    pages = -(-max(len(ctx.channels), 1) // ROWS_PER_PAGE)
    per_page = -(-len(ctx.channels) // pages)
    for n in range(pages):
        if n:
            sheet.new_page()
        part = ctx.channels[n * per_page : (n + 1) * per_page]
        with sheet.figure(alternatives.overview(ctx, part)):
            _page(sheet, ctx, part)
    caption(sheet, words("overview.caption"))
    method(sheet, words("overview.method"))


def _page(sheet: Sheet, ctx: Context, channels: Sequence[Channel]) -> None:
    if not channels:
        return
    room = sheet.room - AFTER
    row_h = min(max(room / len(channels), ROW_H[1]), ROW_H[0])
    top = sheet.y + 14.0
    box = Box(sheet.plot_x, top, sheet.right - SIDE_W - sheet.plot_x, row_h * len(channels))
    for t in marks.time_ticks(box, ctx.duration_s):
        x = marks.time_x(box, ctx.duration_s, t)
        sheet.line(x, box.y, x, box.bottom)
    marks.bar_axis(sheet, ctx, box)
    for n, channel in enumerate(channels):
        _row(sheet, ctx, channel, Box(box.x, top + n * row_h, box.w, row_h))
    marks.time_axis(sheet, ctx, box)
    sheet.y = box.bottom + 20.0


def _row(sheet: Sheet, ctx: Context, channel: Channel, box: Box) -> None:
    plot = Box(box.x, box.y + 5.0, box.w, box.h - 10.0)
    base = box.y + box.h / 2
    name = shorten_middle(ctx.label(channel.file), style.LABEL_BOLD, style.LABEL_W - 8.0)
    sheet.text(sheet.left, base + 3.0, name, style.LABEL_BOLD)
    sheet.link(Box(sheet.left, box.y, style.LABEL_W, box.h), ctx.channel_anchor(channel.file))
    picture = ctx.pictures.get(channel.file)
    if picture is None:
        rows = shorten_middle(ctx.why_missing(channel), style.TICK, box.w - 8.0)
        sheet.text(box.x + 4.0, base + 2.5, rows, style.TICK)
    else:
        stretch = Box(plot.x, plot.y, marks.time_x(plot, ctx.duration_s, picture.duration_s) - plot.x, plot.h)
        draw_profile(sheet, picture, stretch, 260 if ctx.small else 420)
    hits = ctx.hits_by_drum.get(ctx.drum_of(channel) or "", [])
    places = mark_positions([h for h in hits if channel.file in ctx.measures], plot, ctx.duration_s)
    sheet.segments([(x, plot.bottom + 1.2, x, plot.bottom + 3.8) for x in places], style.INK, 0.4)
    sheet.line(box.x, plot.bottom, box.right, plot.bottom, style.QUIET, 0.4)
    _side(sheet, ctx, channel, box)
    _timed(sheet, ctx, channel, plot)


def _timed(sheet: Sheet, ctx: Context, channel: Channel, plot: Box) -> None:
    """Numbers of the findings that have a time, at the top of the row; those that do not fit are ticks only."""
    timed = [r for r in ctx.findings_of(channel.file) if r.finding.times_s]
    xs = marks.time_ticks_of(sheet, timed, plot, ctx.duration_s, plot.y + 3.0, plot.bottom)
    marks.balloons_on_row(sheet, timed, xs, plot.y + 3.0)


def _side(sheet: Sheet, ctx: Context, channel: Channel, box: Box) -> None:
    """Right of the row: the loudest peak, and the findings that concern the whole take."""
    x = box.right + 6.0
    measures = ctx.measures.get(channel.file)
    peak = measures.true_peak_dbtp if measures else None
    text = ctx.words("common.not_measured") if peak is None else f"{numbers.fixed(peak)} dBTP"
    whole: list[RankedFinding] = [r for r in ctx.findings_of(channel.file) if not r.finding.times_s]
    base = box.y + box.h / 2 + (-4.0 if whole else 2.5)
    sheet.text(x, base, text, style.TICK)
    for n, ranked in enumerate(whole):
        width = marks.balloon_width(ranked.number)
        if x + width > sheet.right - (18.0 if n < len(whole) - 1 else 0.0):
            sheet.text(x + 1.0, base + 12.7, f"+{len(whole) - n}", style.TICK)
            break
        marks.balloon(sheet, x + width / 2, base + 10.0, ranked)
        x += width + 2.5
