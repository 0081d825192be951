"""Bleed: how loud each drum is in the other drums' close mics, and how far each drum stands clear."""

from __future__ import annotations

from kitproof.model import BleedEntry, DrumMeasures
from kitproof.report import numbers
from kitproof.report.anatomy import block, caption, method, open_section, subhead
from kitproof.report.context import Context
from kitproof.report.figures.heat import (
    CLASS_KEYS,
    HEAD_LINES,
    ROW_H,
    bleed_class,
    columns_per_block,
    draw_heat,
    draw_key,
)
from kitproof.report.sheet import Sheet
from kitproof.report.style import BODY, TICK
from kitproof.report.table import Cell, Column, Reasons, draw_table, scaled
from kitproof.roles import DRUM_ORDER

KEY = "bleed"
LOUDEST = 8


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw matrix, the loudest neighbours by band, and the table of drums."""
    words = ctx.words
    entries = ctx.measurements.bleed
    open_section(sheet, KEY, _line(ctx), below=True)
    reasons = Reasons(sheet)
    if entries:
        _matrix(sheet, ctx, reasons)
        caption(sheet, words("bleed.caption"))
    else:
        block(sheet, words("bleed.none"), BODY)
    loudest = sorted(
        (e for e in entries if e.bleed_db is not None), key=lambda e: (-(e.bleed_db or 0.0), e.file, e.drum)
    )
    if loudest:
        subhead(sheet, words("bleed.loudest"), keep_with=70.0)
        _neighbours(sheet, ctx, loudest[:LOUDEST], reasons)
    if ctx.measurements.drums:
        subhead(sheet, words("bleed.drums"), keep_with=70.0)
        _drums(sheet, ctx, reasons)
    reasons.write()
    method(sheet, words("bleed.method"))


def _matrix(sheet: Sheet, ctx: Context, reasons: Reasons) -> None:
    entries = ctx.measurements.bleed
    heard = {e.drum for e in entries}
    own = {c.file: ctx.drum_of(c) for c in ctx.channels}
    files = [c.file for c in ctx.channels if any(e.file == c.file for e in entries)]
    also = {own[f] for f in files} - {None}
    drums = [d for d in DRUM_ORDER if d in heard or d in also] + sorted(heard - set(DRUM_ORDER))
    each = columns_per_block(sheet)
    n_blocks = -(-len(files) // each)
    each = -(-len(files) // n_blocks)
    draw_key(sheet)
    for n in range(n_blocks):
        sheet.need(HEAD_LINES * TICK.leading + (len(drums) + 0.5) * ROW_H)
        draw_heat(sheet, ctx, drums, files[n * each : (n + 1) * each], own, reasons)


def _neighbours(sheet: Sheet, ctx: Context, entries: list[BleedEntry], reasons: Reasons) -> None:
    words = ctx.words
    columns = scaled(
        (
            Column(words("bleed.col_drum"), 78.0, "left"), Column(words("bleed.col_mic"), 92.0, "left"),
            Column(words("bleed.col_all"), 44.0), Column(words("bleed.col_low"), 50.0),
            Column(words("bleed.col_mid"), 54.0), Column(words("bleed.col_high"), 50.0),
            Column(words("bleed.col_spread"), 44.0), Column(words("bleed.col_hits"), 40.0),
            Column(words("bleed.col_class"), 78.0, "left"),
        ),
        sheet.text_w,
    )  # fmt: skip
    rows: list[list[Cell | str]] = []
    for e in entries:
        figures = [
            reasons.figure(getattr(e, field), e.unmeasured.get(field), brief=True)
            for field in ("bleed_db", "bleed_low_db", "bleed_mid_db", "bleed_high_db", "spread_db")
        ]
        mic = Cell(ctx.label(e.file), link=ctx.channel_anchor(e.file), one_line=True)
        label = words(CLASS_KEYS[bleed_class(e.bleed_db or 0.0)] + "_short")
        rows.append([Cell(ctx.drum(e.drum), bold=True), mic, *figures, str(e.n_hits), label])
    draw_table(sheet, columns, rows)


def _drums(sheet: Sheet, ctx: Context, reasons: Reasons) -> None:
    words = ctx.words
    columns = scaled(
        (
            Column(words("bleed.col_drum"), 78.0, "left"), Column(words("bleed.col_own"), 92.0, "left"),
            Column(words("bleed.col_hits"), 40.0), Column(words("bleed.col_softest"), 58.0),
            Column(words("bleed.col_median"), 58.0), Column(words("bleed.col_loudest"), 58.0),
            Column(words("bleed.col_gate"), 66.0), Column(words("bleed.col_share"), 66.0),
        ),
        sheet.text_w,
    )  # fmt: skip
    draw_table(sheet, columns, [_drum_row(ctx, d, reasons) for d in ctx.measurements.drums])


def _drum_row(ctx: Context, one: DrumMeasures, reasons: Reasons) -> list[Cell | str]:
    why = one.unmeasured
    peaks = [
        reasons.figure(getattr(one, field), why.get(field))
        for field in ("softest_peak_dbfs", "median_peak_dbfs", "loudest_peak_dbfs", "gate_window_db")
    ]
    share = None if one.foreign_time_share is None else 100.0 * one.foreign_time_share
    mic = Cell(ctx.label(one.file), link=ctx.channel_anchor(one.file), one_line=True)
    shown = reasons.figure(share, why.get("foreign_time_share"), 0) + ("" if share is None else " %")
    return [Cell(ctx.drum(one.drum), bold=True), mic, str(one.n_hits), *peaks, shown]


def _line(ctx: Context) -> str:
    """The loudest neighbour, and how many entries fall in each class."""
    measured = [e for e in ctx.measurements.bleed if e.bleed_db is not None]
    if not measured:
        return ctx.words("bleed.line_none")
    worst = max(measured, key=lambda e: e.bleed_db or 0.0)
    classes = [bleed_class(e.bleed_db or 0.0) for e in measured]
    return ctx.words(
        "bleed.line", drum=ctx.drum(worst.drum), mic=ctx.label(worst.file), level=numbers.fixed(worst.bleed_db or 0.0),
        isolated=classes.count(0), workable=classes.count(1), shared=classes.count(2), not_close=classes.count(3),
    )  # fmt: skip
