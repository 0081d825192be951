"""The bleed matrix: numbers on tints of one hue, so that it reads the same without colour."""

from __future__ import annotations

import math
from collections.abc import Sequence

from kitproof.model import BleedEntry
from kitproof.report import numbers, style
from kitproof.report.context import Context
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box, TextStyle
from kitproof.report.table import Reasons
from kitproof.report.typeset import shorten_middle, text_width, wrap

# class boundaries in dB, quietest first. Source: common practice
CLASS_TOPS_DB = (-25.0, -15.0, -8.0)
CLASS_KEYS = ("bleed.isolated", "bleed.workable", "bleed.shared", "bleed.not_close")
CELL_W = (43.0, 50.0)
ROW_H = 20.0
HEAD_LINES = 3
AT_MOST = "\u2264 "  # a bound; the caption says so
Entries = dict[tuple[str, str], BleedEntry]


def bleed_class(bleed_db: float) -> int:
    """0 isolated (at most -25 dB), 1 workable (to -15), 2 shared (to -8), 3 not a close mic of that drum."""
    return sum(bleed_db > top for top in CLASS_TOPS_DB)


def columns_per_block(sheet: Sheet) -> int:
    """How many microphones fit side by side."""
    return int((sheet.right - sheet.plot_x) // CELL_W[0])


def draw_heat(
    sheet: Sheet,
    ctx: Context,
    drums: Sequence[str],
    files: Sequence[str],
    own: dict[str, str | None],
    reasons: Reasons,
) -> None:
    """Draw one block of the matrix at `sheet.y`. own : file -> the drum it stands at."""
    cell_w = min((sheet.right - sheet.plot_x) / len(files), CELL_W[1])
    entries = {(e.drum, e.file): e for e in ctx.measurements.bleed}
    with sheet.tagged("Table"):
        with sheet.tagged("TR"):
            _heads(sheet, ctx, files, cell_w)
        for drum in drums:
            with sheet.tagged("TR"):
                _row(sheet, ctx.drum(drum), _texts(ctx, drum, files, own, entries, reasons), cell_w)
    sheet.y += 6.0


def _texts(
    ctx: Context, drum: str, files: Sequence[str], own: dict[str, str | None], entries: Entries, reasons: Reasons
) -> list[tuple[str, float | None]]:
    """What stands in the cells of a row, and the level that gives the tint."""
    texts: list[tuple[str, float | None]] = []
    for file in files:
        entry = entries.get((drum, file))
        if own[file] == drum:
            texts.append((ctx.words("bleed.own"), None))
        elif entry is None:
            texts.append(("", None))
        elif entry.bleed_db is None and entry.at_most_db is not None:
            texts.append((AT_MOST + numbers.fixed(math.ceil(entry.at_most_db), 0), None))
        elif entry.bleed_db is None:
            texts.append((reasons.missing(entry.unmeasured.get("bleed_db")), None))
        else:
            texts.append((numbers.fixed(entry.bleed_db, 1), entry.bleed_db))
    return texts


def _heads(sheet: Sheet, ctx: Context, files: Sequence[str], cell_w: float) -> None:
    with sheet.tagged("TD"):
        pass  # above the names of the drums stands nothing
    for n, file in enumerate(files):
        rows = wrap(ctx.label(file), style.TICK, cell_w - 3.0, HEAD_LINES)
        x = sheet.plot_x + (n + 0.5) * cell_w
        y = sheet.y + (HEAD_LINES - len(rows)) * style.TICK.leading
        with sheet.tagged("TH", scope="Column"):
            sheet.lines(x, y, rows, style.TICK, align="centre")
            box = Box(x - cell_w / 2, sheet.y, cell_w, HEAD_LINES * style.TICK.leading)
            sheet.link(box, ctx.channel_anchor(file))
    sheet.y += HEAD_LINES * style.TICK.leading + 3.0


def _row(sheet: Sheet, name: str, texts: Sequence[tuple[str, float | None]], cell_w: float) -> None:
    lines = [wrap(text, style.TICK if level is None else style.CELL_BOLD, cell_w - 3.0) for text, level in texts]
    height = max(ROW_H, max(len(rows) for rows in lines) * style.TICK.leading + 4.0)
    label = shorten_middle(name, style.LABEL, style.LABEL_W - 6.0)
    with sheet.tagged("TH", scope="Row"):
        sheet.text(sheet.left, sheet.y + height / 2 + 3.0, label, style.LABEL)
    for n, (rows, (_, level)) in enumerate(zip(lines, texts, strict=True)):
        box = Box(sheet.plot_x + n * cell_w + 0.6, sheet.y + 0.6, cell_w - 1.2, height - 1.2)
        face = style.TICK
        if level is not None:
            fill = style.HEAT[bleed_class(level)]
            sheet.rect(box, fill=fill)
            face = TextStyle(style.BOLD, style.CELL.size, style.CELL.leading, style.text_on(fill))
        top = box.y + (box.h - len(rows) * face.leading) / 2
        with sheet.tagged("TD"):
            sheet.lines(box.x + box.w / 2, top, rows, face, align="centre")
    sheet.y += height


def draw_key(sheet: Sheet) -> None:
    """Which tint means what."""
    x = sheet.left
    for fill, key in zip(style.HEAT, CLASS_KEYS, strict=True):
        if x > sheet.left and x + 18.0 + text_width(sheet.words(key), style.TICK.font, style.TICK.size) > sheet.right:
            x, sheet.y = sheet.left, sheet.y + 13.0
        sheet.rect(Box(x, sheet.y + 1.0, 14.0, 9.0), fill=fill, stroke=style.QUIET, width=0.4)
        x += 18.0 + sheet.text(x + 18.0, sheet.y + 8.5, sheet.words(key), style.TICK) + 12.0
    sheet.y += 18.0
