"""Levels: how loud, how quiet, how much between, for every channel."""

from __future__ import annotations

from kitproof.model import ChannelMeasures
from kitproof.report import alternatives, numbers
from kitproof.report.anatomy import caption, method, open_section, subhead
from kitproof.report.context import Context
from kitproof.report.figures.range import ROW_H, draw_ranges, top_of_axis
from kitproof.report.sheet import Sheet
from kitproof.report.table import Cell, Column, Reasons, draw_table, scaled

KEY = "levels"
# wording of the head, field, decimals
FIELDS = (
    ("levels.true_peak", "true_peak_dbtp", 1),
    ("levels.rms", "rms_dbfs", 1),
    ("levels.crest", "crest_db", 1),
    ("levels.hit_crest", "hit_crest_db", 1),
    ("levels.floor", "noise_floor_dbfs", 1),
    ("levels.short_term", "max_short_term_lufs", 1),
    ("levels.integrated", "integrated_lufs", 1),
    ("levels.range", "loudness_range_lu", 1),
)


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw figure and table of levels."""
    words = ctx.words
    open_section(sheet, KEY, _line(ctx), below=True)
    measures = ctx.measurements.channels
    top = top_of_axis(measures)
    rest = list(measures)
    while rest:
        fit = max(1, min(len(rest), int((sheet.room - 26.0) // ROW_H)))
        with sheet.figure(alternatives.ranges(ctx, rest[:fit])):
            draw_ranges(sheet, ctx, rest[:fit], top)
        rest = rest[fit:]
        if rest:
            sheet.new_page()
    caption(sheet, words("levels.caption"))
    subhead(sheet, words("levels.table"), keep_with=80.0)
    reasons = Reasons(sheet)
    columns = scaled(
        (
            Column(words("levels.channel"), 96.0, "left"),
            *(Column(words(key), 47.0) for key, _, _ in FIELDS),
            Column(words("levels.clipped"), 36.0),
        ),
        sheet.text_w,
    )
    draw_table(sheet, columns, [_row(ctx, m, reasons) for m in measures])
    reasons.write()
    method(sheet, words("levels.method"))


def _row(ctx: Context, one: ChannelMeasures, reasons: Reasons) -> list[Cell | str]:
    figures = [
        reasons.figure(getattr(one, field), one.unmeasured.get(field), decimals) for _, field, decimals in FIELDS
    ]
    name = Cell(ctx.label(one.file), bold=True, link=ctx.channel_anchor(one.file), one_line=True)
    return [name, *figures, str(one.clip_runs_n)]


def _line(ctx: Context) -> str:
    """The loudest mic, and the one with the least room between peak and noise."""
    mics = {c.file for c in ctx.mics}
    measures = [m for m in ctx.measurements.channels if m.file in mics]
    loud = [(m.true_peak_dbtp, m.file) for m in measures if m.true_peak_dbtp is not None]
    if not loud:
        return ctx.words("levels.line_none")
    level, file = max(loud)
    line = ctx.words("levels.line", label=ctx.label(file), level=numbers.fixed(level))
    spans = [
        (m.true_peak_dbtp - m.noise_floor_dbfs, m.file)
        for m in measures
        if m.true_peak_dbtp is not None and m.noise_floor_dbfs is not None
    ]
    if not spans:
        return line
    span, noisy = min(spans)
    then = ctx.words("levels.line_span", label=ctx.label(noisy), span=numbers.fixed(span, 0))
    return ctx.words.sentences(line, then)
