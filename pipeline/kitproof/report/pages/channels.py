"""One page per channel: wave, spectrogram, mean stroke, numbers, findings."""

from __future__ import annotations

from dataclasses import dataclass

from kitproof.model import Channel, ChannelMeasures, Hit
from kitproof.report import alternatives, marks, numbers, style, telling
from kitproof.report.anatomy import block, caption, caption_height, method, open_page
from kitproof.report.context import Context
from kitproof.report.figures.fundamentals import draw_pitches, pitches, room_for
from kitproof.report.figures.histogram import draw_histogram
from kitproof.report.figures.sonogram import draw_key, draw_sonogram
from kitproof.report.figures.strip import mark_positions
from kitproof.report.figures.wave import draw_wave, enlargement
from kitproof.report.pages.readings import HEAD_H, ROW_H, draw_numbers, number_rows
from kitproof.report.pages.strokes import FIGURE_H, Row, draw_row, height, row_of
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box
from kitproof.report.table import Reasons
from kitproof.report.typeset import shorten_middle, upper_first, wrap

KEY = "channels"
WAVE_H = 52.0
SONOGRAM_H = (50.0, 80.0, 190.0)  # at least, before anything else grows, and with what the page has left
LOW_END = 34.0  # axis and key below the spectrogram
AXIS_W = 36.0  # of the label column, for the numbers of the spectrogram's axis
COLUMN_GAP = 22.0
INDENT = 26.0
NUMBER_W = 0.46  # share of the width for the table of numbers
MOST_BANDS = 4
FEWEST_LEVELS, LEVELS_H = 5, 88.0  # strokes for a histogram, and its height with title
FEWEST_FOUND_H = 58.0  # kept for findings above it: one, and where the others are


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw a page for every channel, in the order of the take."""
    for n, channel in enumerate(ctx.channels):
        _page(sheet, ctx, channel, first=n == 0)


def _page(sheet: Sheet, ctx: Context, channel: Channel, *, first: bool) -> None:
    words, label = ctx.words, ctx.label(channel.file)
    title = words("channels.title_of", label=label)
    sheet.new_page(title)
    if first:
        sheet.anchor(f"section:{KEY}", 0.0)
        sheet.outline(words("channels.title"), f"section:{KEY}", 0)
    measures = ctx.measures.get(channel.file)
    open_page(sheet, upper_first(label), ctx.channel_anchor(channel.file), 1, _line(ctx, channel, measures))
    row = row_of(ctx, channel)
    share = _shared(sheet, ctx, row)
    if measures is None:
        sheet.y = sheet.paragraph(sheet.left, sheet.y, sheet.text_w, ctx.why_missing(channel), style.BODY) + 8.0
    else:
        _pictures(sheet, ctx, row, share)
    _tables(sheet, ctx, row, measures, share.n_bands)


def _line(ctx: Context, channel: Channel, measures: ChannelMeasures | None) -> str:
    words = ctx.words
    n = words.count("common.findings", len(ctx.findings_of(channel.file)))
    if measures is None:
        return words("channels.line_missing", findings=n)
    if measures.true_peak_dbtp is None:
        return words("channels.line_silent", findings=n)
    peak = numbers.fixed(measures.true_peak_dbtp)
    if measures.drum is None:
        return words("channels.line_distant", peak=peak, findings=n)
    own = next((d.file for d in ctx.measurements.drums if d.drum == measures.drum), channel.file)
    if own != channel.file:
        drum = ctx.drum(measures.drum)
        return words("channels.line_second", peak=peak, drum=drum, own=ctx.label(own), findings=n)
    hits = words.count("common.hits", measures.n_own_hits)
    return words("channels.line", peak=peak, hits=hits, drum=ctx.drum(measures.drum), findings=n)


# ---------------------------------------------------------------- figures
@dataclass(frozen=True, slots=True)
class Share:
    """Who gets what of a channel's one page."""

    sonogram_h: float
    figure_h: float  # of the row about strokes
    n_bands: int  # of noise, in the table


def _shared(sheet: Sheet, ctx: Context, row: Row) -> Share:
    """Everything at its smallest, then each grows as far as the page has room, the most useful first."""
    picture, channel = row.picture, row.channel
    timed = any(r.finding.times_s for r in ctx.findings_of(channel.file))
    room = sheet.room - _tables_height(sheet, ctx, row) - height(sheet, ctx, row, FIGURE_H[0])
    if picture is not None:
        room -= 12.0 + (15.0 if timed else 0.0) + WAVE_H + 10.0 + SONOGRAM_H[0] + LOW_END
        room -= caption_height(sheet, _caption(ctx))
    one = ctx.measures.get(channel.file)
    wanted = (
        FIGURE_H[1] - FIGURE_H[0], SONOGRAM_H[1] - SONOGRAM_H[0],
        ROW_H * min(len(one.noise_bands) if one else 0, MOST_BANDS),
        FIGURE_H[2] - FIGURE_H[1], SONOGRAM_H[2] - SONOGRAM_H[1],
    )  # fmt: skip
    given = []
    for most in wanted:
        given.append(min(max(room, 0.0), most))
        room -= given[-1]
    figure, sonogram, bands, figure_more, sonogram_more = given
    return Share(
        sonogram_h=SONOGRAM_H[0] + sonogram + sonogram_more, figure_h=FIGURE_H[0] + figure + figure_more,
        n_bands=int((bands + 1e-6) // ROW_H),
    )  # fmt: skip


def _pictures(sheet: Sheet, ctx: Context, row: Row, share: Share) -> None:
    words = ctx.words
    if row.picture is None:
        sheet.y = sheet.paragraph(sheet.left, sheet.y, sheet.text_w, words("common.no_picture"), style.BODY) + 8.0
    else:
        _over_time(sheet, ctx, row.channel, share.sonogram_h)
        caption(sheet, _caption(ctx))
    draw_row(sheet, ctx, row, share.figure_h)


def _caption(ctx: Context) -> str:
    said = ctx.words("channels.caption_time")
    known = any(r.late_hz is not None or r.early_hz is not None for r in ctx.measurements.observed.rings)
    return ctx.words.sentences(said, ctx.words("channels.caption_pitches")) if known else said


def _tables_height(sheet: Sheet, ctx: Context, row: Row) -> float:
    """Room to keep for the tables at the foot of the page, without noise in bands."""
    one = ctx.measures.get(row.channel.file)
    if one is None:
        return 0.0
    reasons = Reasons(sheet)
    n_rows = len(number_rows(ctx, one, reasons, 0))
    return HEAD_H + n_rows * ROW_H + _foot_height(sheet, reasons, _method(ctx, row))


def _method(ctx: Context, row: Row) -> str:
    return ctx.words("channels.method_file" if row.whole_file else "channels.method")


def _foot_height(sheet: Sheet, reasons: Reasons, note: str) -> float:
    """Room for what stands below the tables."""
    n_rows = len(wrap(reasons.run_on(), style.TICK, sheet.text_w)) + len(wrap(note, style.TICK, sheet.text_w - 8.0))
    return 6.0 + n_rows * style.TICK.leading + 8.0


def _over_time(sheet: Sheet, ctx: Context, channel: Channel, sonogram_h: float) -> None:
    """Wave above spectrogram, on the same time axis as the other pages."""
    picture = ctx.pictures[channel.file]
    timed = [r for r in ctx.findings_of(channel.file) if r.finding.times_s]
    top = sheet.y + 12.0 + (15.0 if timed else 0.0)
    full = Box(sheet.plot_x, top, sheet.right - sheet.plot_x, WAVE_H)
    share = marks.time_x(full, ctx.duration_s, picture.duration_s) - full.x
    wave = Box(full.x, top, share, WAVE_H)
    with sheet.figure(alternatives.wave(ctx, channel)):
        draw_wave(sheet, picture, wave, 300 if ctx.small else 520)
        marks.bar_axis(sheet, ctx, Box(full.x, top - (15.0 if timed else 0.0), full.w, WAVE_H))
        xs = marks.time_ticks_of(sheet, timed, full, ctx.duration_s, top - 1.5, wave.bottom)
        marks.balloons_on_row(sheet, timed, xs, top - 8.0)
        sheet.text(sheet.left, wave.y + 8.0, ctx.words("channels.wave"), style.LABEL_BOLD)
        factor = enlargement(picture)
        scale = ctx.words("channels.wave_scale", factor=factor) if factor > 1 else ctx.words("channels.wave_scale_full")
        sheet.lines(sheet.left, wave.y + 12.0, wrap(scale, style.TICK, style.LABEL_W - 12.0), style.TICK)
        _own_hits(sheet, ctx, channel, full)
    sono = Box(full.x, wave.bottom + 10.0, share, sonogram_h)
    marked = pitches(ctx, ctx.drum_of(channel), room_for(sono.h))
    with sheet.figure(alternatives.sonogram(ctx, channel, [p.text(ctx) for p in marked])):
        draw_sonogram(sheet, picture, sono, 360 if ctx.small else 1000)
        name_w = style.LABEL_W - AXIS_W
        name = shorten_middle(ctx.words("channels.sonogram"), style.LABEL_BOLD, name_w)
        sheet.text(sheet.left, sono.y + 8.0, name, style.LABEL_BOLD)
        draw_pitches(sheet, ctx, marked, sono, name_w)
        marks.time_axis(sheet, ctx, Box(full.x, sono.y, full.w, sono.h))
        draw_key(sheet, full.x + 26.0, sono.bottom + 18.0, 110.0)
    sheet.y = sono.bottom + LOW_END


def _own_hits(sheet: Sheet, ctx: Context, channel: Channel, box: Box) -> None:
    """Ticks between wave and spectrogram where this mic's own drum is hit."""
    hits = ctx.hits_by_drum.get(ctx.drum_of(channel) or "", [])
    places = mark_positions(hits, box, ctx.duration_s)
    sheet.segments([(x, box.bottom + 2.5, x, box.bottom + 7.5) for x in places], style.INK, 0.4)


# ---------------------------------------------------------------- numbers and findings
def _tables(sheet: Sheet, ctx: Context, row: Row, measures: ChannelMeasures | None, n_bands: int) -> None:
    """Numbers left, findings right and below them how hard the drum was hit, reasons and method at the foot."""
    reasons, channel = Reasons(sheet), row.channel
    width = sheet.text_w * NUMBER_W
    rows = number_rows(ctx, measures, reasons, n_bands) if measures else []
    sheet.need(HEAD_H + len(rows) * ROW_H)
    top = sheet.y
    end = draw_numbers(sheet, rows, width)
    foot = sheet.bottom - (_foot_height(sheet, reasons, _method(ctx, row)) if measures else 14.0)
    hits = [h for h in ctx.hits_by_drum.get(ctx.drum_of(channel) or "", []) if h.file == channel.file]
    levels = len(hits) >= FEWEST_LEVELS and end - top >= LEVELS_H + FEWEST_FOUND_H
    right = Box(sheet.left + width + COLUMN_GAP, top, sheet.text_w - width - COLUMN_GAP, 0.0)
    bottom = end - LEVELS_H - 8.0 if levels else max(foot, end)
    below = _findings(sheet, ctx, channel, Box(right.x, top, right.w, bottom - top))
    if levels:
        below = _levels(sheet, ctx, channel, hits, Box(right.x, below + 8.0, right.w, LEVELS_H))
    sheet.y = max(end, below) + 6.0
    if said := reasons.run_on():
        block(sheet, said, style.TICK, after=2.0)
    if measures:
        method(sheet, _method(ctx, row))


def _levels(sheet: Sheet, ctx: Context, channel: Channel, hits: list[Hit], box: Box) -> float:
    """How hard the own drum was hit; returns the y below."""
    name = shorten_middle(ctx.words("channels.levels"), style.LABEL_BOLD, box.w)
    with sheet.figure(alternatives.histogram(ctx, channel, hits)):
        sheet.text(box.x, box.y + 9.0, name, style.LABEL_BOLD)
        draw_histogram(sheet, hits, Box(box.x, box.y + HEAD_H, box.w, box.h - HEAD_H))
    return box.bottom


def _findings(sheet: Sheet, ctx: Context, channel: Channel, box: Box) -> float:
    """This channel's findings, as many as fit, each leading to where it is told in full."""
    words = ctx.words
    found = ctx.findings_of(channel.file)
    with sheet.tagged("H2"):
        sheet.text(box.x, box.y + 9.0, words("channels.findings"), style.LABEL_BOLD)
    y = box.y + 14.0
    if not found:
        return sheet.paragraph(box.x, y, box.w, words("channels.no_findings"), style.CELL)
    for n, ranked in enumerate(found):
        page = words("common.page", page=sheet.page_number(ranked.anchor))
        rows = wrap(telling.message(ctx, ranked.finding), style.CELL, box.w - INDENT, 3)
        height = (len(rows) + 1) * style.CELL.leading + 3.0
        if y + height > box.bottom - style.CELL.leading and n < len(found):
            text = words("channels.more_findings", n=len(found) - n, page=sheet.page_number(ranked.anchor))
            return sheet.paragraph(box.x, y, box.w, text, style.CELL)
        with sheet.tagged("P"):
            marks.balloon(sheet, box.x + marks.balloon_width(ranked.number) / 2, y + 7.0, ranked)
            end = sheet.lines(box.x + INDENT, y, rows, style.CELL)
            end = sheet.lines(box.x + INDENT, end, [page], style.TICK)
            sheet.link(Box(box.x, y, box.w, end - y), ranked.anchor)
        y += height
    return y
