"""Arrival and polarity: how much later each mic hears each drum, and which way two mics add up."""

from __future__ import annotations

from collections.abc import Sequence

from kitproof.model import Fuller, PairEntry, Polarity
from kitproof.report import numbers, style
from kitproof.report.anatomy import block, caption, method, open_section
from kitproof.report.context import Context
from kitproof.report.figures.arrival import Scale, draw_scale, draw_spot, scale_for
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box
from kitproof.report.table import Reasons
from kitproof.report.typeset import shorten_middle, upper_first, wrap
from kitproof.roles import DRUM_ORDER, PAIRS

KEY = "arrival"
ROW_H = 13.0
# share of the width right of the label column: chart, delay, distance, polarity, sum, first notch
SHARES = (0.25, 0.17, 0.10, 0.13, 0.23, 0.12)
HEADS = ("arrival.chart", "arrival.delay", "arrival.distance", "arrival.polarity", "arrival.fuller", "arrival.notch")
POLARITY_KEYS: dict[Polarity, str] = {
    "same": "arrival.same", "opposite": "arrival.opposite", "unclear": "arrival.unclear",
}  # fmt: skip
FULLER_KEYS: dict[Fuller, str] = {"leave": "arrival.leave", "flip": "arrival.flip", "move": "arrival.move"}


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw one block of rows per drum, then the left/right pairs."""
    words = ctx.words
    pairs = ctx.measurements.pairs
    open_section(sheet, KEY, _line(ctx), below=True)
    if not pairs:
        block(sheet, words("arrival.none"), style.BODY)
    spaced = [p for p in pairs if is_spaced_pair(ctx, p)]
    delays = [p for p in pairs if p not in spaced]
    reasons = Reasons(sheet)
    scale = scale_for(delays)
    drums = [*DRUM_ORDER, *sorted({p.drum for p in delays} - set(DRUM_ORDER))]
    for drum in drums:
        for own in dict.fromkeys(p.a for p in delays if p.drum == drum):
            rows = [p for p in delays if p.drum == drum and p.a == own]
            title = words("arrival.block", drum=ctx.drum(drum), own=ctx.label(own))
            _block(sheet, ctx, title, rows, scale, reasons)
    if spaced:
        _block(sheet, ctx, words("arrival.left_right"), spaced, scale_for(spaced, symmetric=True), reasons)
    reasons.write()
    caption(sheet, words("arrival.caption"))
    method(sheet, words("arrival.method", temperature=_temperature(ctx)))


def is_spaced_pair(ctx: Context, pair: PairEntry) -> bool:
    """Whether an entry compares the left and the right of a spaced pair."""
    role = {c.file: c.role for c in ctx.channels}
    return (role.get(pair.a), role.get(pair.b)) in PAIRS


def _temperature(ctx: Context) -> str:
    key = "arrival.temperature_declared" if ctx.take.temperature_declared else "arrival.temperature_assumed"
    return ctx.words(key, degrees=numbers.fixed(ctx.take.temperature_c, 0))


def _line(ctx: Context) -> str:
    """How many pairs are fuller when flipped, and the widest left/right difference."""
    pairs = ctx.measurements.pairs
    measured = [p for p in pairs if p.delay_ms is not None]
    if not measured:
        return ctx.words("arrival.line_none")
    flips = ctx.words.count("arrival.line_flip", sum(p.fuller == "flip" for p in pairs))
    spaced = [p for p in measured if is_spaced_pair(ctx, p)]
    if not spaced:
        return flips
    widest = max(spaced, key=lambda p: abs(p.delay_ms or 0.0))
    apart = ctx.words(
        "arrival.line_pair", a=ctx.label(widest.a), b=ctx.label(widest.b), drum=ctx.drum(widest.drum),
        ms=numbers.fixed(abs(widest.delay_ms or 0.0), 2), cm=numbers.fixed(abs(widest.path_cm or 0.0), 1),
    )  # fmt: skip
    return ctx.words.sentences(flips, apart)


def _columns(sheet: Sheet) -> list[Box]:
    """x and width of each column right of the label column."""
    boxes, x = [], sheet.plot_x
    for share in SHARES:
        boxes.append(Box(x, 0.0, share * (sheet.right - sheet.plot_x), 0.0))
        x += boxes[-1].w
    return boxes


def _block(sheet: Sheet, ctx: Context, title: str, rows: Sequence[PairEntry], scale: Scale, reasons: Reasons) -> None:
    columns = _columns(sheet)
    head_h = 44.0
    sheet.need(head_h + min(len(rows), 3) * ROW_H + 16.0)
    _title(sheet, title)
    with sheet.tagged("Table"):
        with sheet.tagged("TR"):
            _head(sheet, ctx, columns, scale)
        for pair in rows:
            if sheet.need(ROW_H * 2):
                with sheet.artifact():
                    _title(sheet, title)
                    _head(sheet, ctx, columns, scale)
            with sheet.tagged("TR"):
                _row(sheet, ctx, pair, columns, scale, reasons)
    sheet.y += 12.0


def _title(sheet: Sheet, title: str) -> None:
    shown = shorten_middle(upper_first(title), style.BODY_BOLD, sheet.text_w)
    with sheet.tagged("H2"):
        sheet.y = sheet.lines(sheet.left, sheet.y, [shown], style.BODY_BOLD)


def _head(sheet: Sheet, ctx: Context, columns: Sequence[Box], scale: Scale) -> None:
    heads = [wrap(ctx.words(key), style.TICK, c.w - 8.0) for key, c in zip(HEADS[1:], columns[1:], strict=True)]
    deepest = max(2, *map(len, heads))
    sheet.y += 2.0 + (deepest - 2) * style.TICK.leading
    mic = shorten_middle(ctx.words("arrival.mic"), style.TICK, style.LABEL_W - 8.0)
    with sheet.tagged("TH", scope="Column"):
        sheet.lines(sheet.left, sheet.y + style.TICK.leading, [mic], style.TICK)
    for key, rows, column in zip(HEADS[1:], heads, columns[1:], strict=True):
        y = sheet.y + (2 - len(rows)) * style.TICK.leading
        with sheet.tagged("TH", scope="Column"):
            _aligned(sheet, key, column, y, rows, style.TICK)
    chart = columns[0]
    shown = shorten_middle(ctx.words("arrival.chart"), style.TICK, chart.w - 10.0)
    with sheet.artifact():  # what the chart shows is read as numbers
        sheet.lines(chart.x, sheet.y, [shown], style.TICK)
        draw_scale(sheet, Box(chart.x, sheet.y + style.TICK.leading, chart.w - 10.0, style.TICK.leading), scale)
    sheet.y += 2 * style.TICK.leading + 4.0
    sheet.line(sheet.left, sheet.y, sheet.right, sheet.y, style.INK, 0.7)


def _row(sheet: Sheet, ctx: Context, pair: PairEntry, columns: Sequence[Box], scale: Scale, reasons: Reasons) -> None:
    spaced = is_spaced_pair(ctx, pair)
    name = ctx.label(pair.b)
    if spaced:
        name = ctx.words("arrival.pair_row", mic=name, drum=ctx.drum(pair.drum))
    cells = _cells(ctx, pair, reasons)
    lines = [wrap(text, style.CELL, column.w - 8.0) for text, column in zip(cells, columns[1:], strict=True)]
    names = wrap(name, style.CELL, style.LABEL_W - 8.0, 2)
    height = max(ROW_H, max(len(rows) for rows in (*lines, names)) * style.CELL.leading + 3.0)
    sheet.need(height)
    with sheet.tagged("TH", scope="Row"):
        sheet.lines(sheet.left, sheet.y + 1.5, names, style.CELL)
        sheet.link(Box(sheet.left, sheet.y, style.LABEL_W, height), ctx.channel_anchor(pair.b))
    draw_spot(sheet, Box(columns[0].x, sheet.y, columns[0].w - 10.0, min(height, ROW_H)), scale, pair)
    for key, rows, column in zip(HEADS[1:], lines, columns[1:], strict=True):
        with sheet.tagged("TD"):
            _aligned(sheet, key, column, sheet.y + 1.5, rows, style.CELL)
    sheet.y += height
    sheet.line(sheet.left, sheet.y, sheet.right, sheet.y)


def _aligned(sheet: Sheet, key: str, column: Box, y: float, rows: Sequence[str], face: style.TextStyle) -> None:
    """Words lean to the left of their column, numbers to its right."""
    if key in ("arrival.polarity", "arrival.fuller"):
        sheet.lines(column.x + 8.0, y, rows, face)
    else:
        sheet.lines(column.right - 3.0, y, rows, face, align="right")


def _cells(ctx: Context, pair: PairEntry, reasons: Reasons) -> list[str]:
    """Delay, distance, polarity, sum and first notch of a pair, in words and numbers."""
    words, why = ctx.words, pair.unmeasured
    delay = reasons.figure(pair.delay_ms, why.get("delay_ms"), 2)
    if pair.delay_ms is not None and pair.delay_spread_ms is not None:
        delay += f" \u00b1 {numbers.fixed(pair.delay_spread_ms, 2)}"
    if pair.polarity:
        polarity = words(POLARITY_KEYS[pair.polarity])
    else:  # for the delay's reason, which stands in full beside it
        polarity = reasons.missing(why.get("polarity"), brief=pair.delay_ms is None)
    if pair.fuller is None:
        fuller = reasons.missing(why.get("fuller"))
    else:
        fuller = words(FULLER_KEYS[pair.fuller])
        if pair.fuller_db is not None:
            fuller = words("arrival.fuller_db", way=fuller, db=numbers.fixed(pair.fuller_db, 1, sign=True))
        if pair.fuller_agreement is not None:
            share = numbers.fixed(100 * pair.fuller_agreement, 0)
            fuller = words("arrival.fuller_agreed", way=fuller, share=share)
    if pair.first_notch_hz is None:
        notch = reasons.missing(why.get("first_notch_hz"), brief=True)
    else:
        notch = numbers.hertz(pair.first_notch_hz)
    return [delay, reasons.figure(pair.path_cm, why.get("path_cm"), brief=True), polarity, fuller, notch]
