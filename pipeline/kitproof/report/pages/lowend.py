"""Low end: which mics add and which cancel below the frequency where a record's lows go to mono."""

from __future__ import annotations

from kitproof.model import LowEndPair
from kitproof.report import numbers
from kitproof.report.anatomy import caption, method, open_section, subhead
from kitproof.report.context import Context
from kitproof.report.sheet import Sheet
from kitproof.report.table import Cell, Column, draw_table, scaled

KEY = "lowend"
MOST_ROWS = 12
LOSS_DB = -1.0  # a smaller loss is no one's concern


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw both tables, or say why there are none."""
    words = ctx.words
    pairs = ctx.measurements.low_end
    open_section(sheet, KEY, _line(ctx, pairs), below=True)
    spaced = [p for p in pairs if p.side_db is not None]
    if spaced:
        subhead(sheet, words("lowend.sides"), keep_with=60.0)
        draw_table(sheet, _columns(sheet, ctx), [_row(ctx, p) for p in spaced])
        caption(sheet, words("lowend.sides_caption"))
    losing = losers(pairs)
    if losing:
        subhead(sheet, words("lowend.losing"), keep_with=60.0)
        draw_table(sheet, _columns(sheet, ctx), [_row(ctx, p) for p in losing[:MOST_ROWS]])
        if len(losing) > MOST_ROWS:
            caption(sheet, words("lowend.losing_more", n=len(losing) - MOST_ROWS))
        caption(sheet, words("lowend.losing_caption"))
    method(sheet, words("lowend.method"))


def losers(pairs: tuple[LowEndPair, ...]) -> list[LowEndPair]:
    """Pairs that lose in the sum, the most first."""
    return sorted((p for p in pairs if p.mono_db <= LOSS_DB), key=lambda p: (p.mono_db, p.a, p.b))


def _line(ctx: Context, pairs: tuple[LowEndPair, ...]) -> str:
    if not pairs:
        return ctx.words("lowend.line_none")
    losing = losers(pairs)
    if not losing:
        return ctx.words("lowend.line_good", n=len(pairs))
    worst = losing[0]
    return ctx.words(
        "lowend.line", n=len(losing), a=ctx.label(worst.a), b=ctx.label(worst.b), loss=numbers.fixed(-worst.mono_db)
    )


def _columns(sheet: Sheet, ctx: Context) -> tuple[Column, ...]:
    words = ctx.words
    return scaled(
        (
            Column(words("lowend.a"), 110.0, "left"),
            Column(words("lowend.b"), 110.0, "left"),
            Column(words("lowend.correlation"), 70.0),
            Column(words("lowend.mono"), 90.0),
            Column(words("lowend.side"), 90.0),
        ),
        sheet.text_w,
    )


def _row(ctx: Context, p: LowEndPair) -> list[Cell | str]:
    side = "–" if p.side_db is None else numbers.fixed(p.side_db)
    names: list[Cell | str] = [
        Cell(ctx.label(f), bold=True, link=ctx.channel_anchor(f), one_line=True) for f in (p.a, p.b)
    ]
    return [*names, numbers.fixed(p.correlation, 2), numbers.fixed(p.mono_db), side]
