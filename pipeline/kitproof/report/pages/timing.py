"""Timing: how each drum lies against the beat, over the take and section by section. Described, never marked."""

from __future__ import annotations

from kitproof.observed.timing import Grid, Timing
from kitproof.report import alternatives, numbers, style
from kitproof.report.anatomy import block, caption, method, open_section, subhead
from kitproof.report.context import Context
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box
from kitproof.report.table import Cell, Column, draw_table, scaled
from kitproof.report.typeset import text_width
from kitproof.roles import DRUM_ORDER

KEY = "timing"
ROW_H = 17.0
SOURCES = {"click": "timing.source_click", "declared": "timing.source_declared", "strokes": "timing.source_strokes"}
# Strokes behind what the page's first line says. Source: own choice; a drum that scatters by 20 ms has its median
# within 5 ms by then.
FEWEST_TO_NAME = 10
SAME_MS = 5.0  # smaller differences are called the same. Source: common practice, below what is heard in a groove


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw the figure of the whole take and the table of the sections, or say why there is nothing."""
    words = ctx.words
    grids = ctx.measurements.observed.grids
    if not grids:
        open_section(sheet, KEY, words("timing.line_none"), below=True)
        block(sheet, words("timing.why_none"), style.BODY)
        return
    whole = [t for t in _ordered(ctx) if t.first_bar is None]
    open_section(sheet, KEY, _line(ctx, grids[0], whole), below=True)
    if whole:
        with sheet.figure(alternatives.rows(ctx, "alt.timing", [(ctx.drum(t.drum), _said(ctx, t)) for t in whole])):
            _figure(sheet, ctx, whole)
        caption(sheet, words("timing.caption"))
    parts = [t for t in _ordered(ctx) if t.first_bar is not None and t.median_ms is not None]
    if parts:
        subhead(sheet, words("timing.sections"), keep_with=70.0)
        _table(sheet, ctx, parts)
        caption(sheet, words("timing.sections_caption"))
    method(sheet, words("timing.method", source=words(SOURCES[grids[0].source])))


def _ordered(ctx: Context) -> list[Timing]:
    place = {drum: i for i, drum in enumerate(DRUM_ORDER)}
    return sorted(ctx.measurements.observed.timings, key=lambda t: (place.get(t.drum, 99), t.drum, t.first_bar or 0))


def _line(ctx: Context, grid: Grid, whole: list[Timing]) -> str:
    """Tempo, then what lies apart from the rest by more than anyone calls the same."""
    words = ctx.words
    tempo = words("timing.line", tempo=f"{grid.tempo_bpm:.1f}", sure=numbers.fixed(grid.confidence, 2))
    named = [t for t in whole if t.n_strokes >= FEWEST_TO_NAME and t.median_ms is not None and t.drum != "unmiked"]
    if not named:
        return tempo
    most = max(named, key=lambda t: abs(t.median_ms or 0.0))
    ms = most.median_ms or 0.0
    if abs(ms) < SAME_MS:
        return words.sentences(tempo, words("timing.line_same"))
    key = "timing.line_late" if ms > 0.0 else "timing.line_early"
    return words.sentences(tempo, words(key, drum=ctx.drum(most.drum), ms=numbers.fixed(abs(ms), 0)))


def _figure(sheet: Sheet, ctx: Context, whole: list[Timing]) -> None:
    """One row a drum: the median as a dot, the middle half of the strokes as a bar, on one axis of milliseconds."""
    known = [t for t in whole if t.median_ms is not None and t.spread_ms is not None]
    reach = max([20.0, *(abs(t.median_ms or 0.0) + (t.spread_ms or 0.0) / 2 + 2.0 for t in known)])
    reach = min(numbers.nice_ceiling(reach), 60.0)
    box = Box(sheet.plot_x, sheet.y + 12.0, sheet.right - sheet.plot_x - 124.0, ROW_H * max(len(whole), 1))
    for ms in (-reach, -reach / 2, 0.0, reach / 2, reach):
        x = _x(box, reach, ms)
        sheet.line(x, box.y, x, box.bottom, style.QUIET if ms == 0.0 else style.HAIR, 0.7 if ms == 0.0 else 0.5)
        sheet.text(x, box.bottom + 10.0, f"{numbers.fixed(ms, 0, sign=ms > 0)} ms", style.TICK, align="centre")
    sheet.text(box.x, box.y - 4.0, ctx.words("timing.early"), style.TICK)
    sheet.text(box.right, box.y - 4.0, ctx.words("timing.late"), style.TICK, align="right")
    for n, t in enumerate(whole):
        y = box.y + (n + 0.5) * ROW_H
        sheet.text(sheet.left, y + 3.0, ctx.drum(t.drum), style.LABEL)
        if t.median_ms is None or t.spread_ms is None:
            few = _said(ctx, t)
            few_w = text_width(few, style.TICK.font, style.TICK.size)
            sheet.rect(Box(box.x + 2.0, y - 5.0, few_w + 4.0, 10.0), fill=style.PAPER)  # no line through the words
            sheet.text(box.x + 4.0, y + 2.7, few, style.TICK)
            continue
        a, b = (_x(box, reach, t.median_ms + side * t.spread_ms / 2) for side in (-1.0, 1.0))
        sheet.rect(Box(a, y - 3.0, max(b - a, 1.0), 6.0), fill=style.TRACE)
        sheet.circle(_x(box, reach, t.median_ms), y, 3.2, fill=style.INK)
        sheet.text(sheet.right, y + 2.7, _said(ctx, t), style.TICK, align="right")
    sheet.y = box.bottom + 22.0


def _said(ctx: Context, t: Timing) -> str:
    """Where a drum lies, in words."""
    if t.median_ms is None or t.spread_ms is None:
        return ctx.words("timing.few", n=t.n_strokes)
    return ctx.words("timing.figure", median=_ms(ctx, t.median_ms), spread=f"{t.spread_ms:.0f}")


def _x(box: Box, reach: float, ms: float) -> float:
    return box.x + box.w * (min(max(ms / reach, -1.0), 1.0) + 1.0) / 2


def _ms(ctx: Context, ms: float) -> str:
    """Whole milliseconds; "same" where nobody would hear it."""
    return ctx.words("timing.same") if abs(ms) < SAME_MS else f"{numbers.fixed(ms, 0, sign=True)} ms"


def _table(sheet: Sheet, ctx: Context, parts: list[Timing]) -> None:
    words = ctx.words
    spans = list(dict.fromkeys((t.section, t.first_bar, t.last_bar) for t in parts))
    spans.sort(key=lambda s: s[1] or 0)
    drums = list(dict.fromkeys(t.drum for t in parts))
    by = {(t.drum, t.first_bar): t for t in parts}
    columns = scaled(
        (Column(words("timing.part"), 120.0, "left"), *(Column(ctx.drum(d), 60.0) for d in drums[:8])), sheet.text_w
    )
    rows: list[list[Cell | str]] = []
    for name, first, last in spans:
        bars = words("timing.bars", first=first, last=last)
        row: list[Cell | str] = [Cell(f"{name}, {bars}" if name else bars, bold=True)]
        for drum in drums[:8]:
            t = by.get((drum, first))
            known = t is not None and t.median_ms is not None and t.spread_ms is not None
            row.append(f"{_ms(ctx, t.median_ms)} ±{t.spread_ms / 2:.0f}" if known else "–")  # type: ignore[union-attr,operator,arg-type]
        rows.append(row)
    draw_table(sheet, columns, rows)
