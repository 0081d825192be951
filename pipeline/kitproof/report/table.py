"""Tables: wrapped cells, a head that is repeated on the next page, reasons for what is not measured below."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from kitproof.report import missing, numbers, style
from kitproof.report.sheet import Align, Sheet
from kitproof.report.style import Box, Colour, TextStyle
from kitproof.report.typeset import shorten_middle, wrap

PAD = 2.5


@dataclass(frozen=True, slots=True)
class Column:
    """One column: what its head says, how wide it is, which side its cells lean to."""

    title: str
    width: float
    align: Align = "right"


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell that is more than plain text."""

    text: str
    bold: bool = False
    link: str | None = None
    fill: Colour | None = None
    one_line: bool = False  # shortened in the middle instead of wrapped


def _lines(cell: Cell | str, column: Column, plain: TextStyle, bold: TextStyle) -> list[str]:
    width = column.width - 2 * PAD
    if isinstance(cell, str):
        return wrap(cell, plain, width)
    face = bold if cell.bold else plain
    return [shorten_middle(cell.text, face, width)] if cell.one_line else wrap(cell.text, face, width)


def _write_row(
    sheet: Sheet,
    columns: Sequence[Column],
    cells: Sequence[Cell | str],
    lines: Sequence[list[str]],
    faces: tuple[TextStyle, TextStyle],
    height: float,
) -> None:
    x = sheet.left
    for column, cell, rows in zip(columns, cells, lines, strict=True):
        face = faces[1] if isinstance(cell, Cell) and cell.bold else faces[0]
        names_row = x == sheet.left and isinstance(cell, Cell) and cell.bold
        with sheet.tagged("TH", scope="Row") if names_row else sheet.tagged("TD"):
            if isinstance(cell, Cell) and cell.fill is not None:
                sheet.rect(Box(x, sheet.y, column.width, height), fill=cell.fill)
                face = TextStyle(face.font, face.size, face.leading, style.text_on(cell.fill))
            at = {"left": x + PAD, "right": x + column.width - PAD, "centre": x + column.width / 2}[column.align]
            sheet.lines(at, sheet.y + 1.5, rows, face, align=column.align)
            if isinstance(cell, Cell) and cell.link:
                sheet.link(Box(x, sheet.y, column.width, height), cell.link)
        x += column.width


def _write_head(sheet: Sheet, columns: Sequence[Column]) -> None:
    face = style.TICK
    lines = [wrap(c.title, face, c.width - 2 * PAD) for c in columns]
    deepest = max(len(rows) for rows in lines)
    height = deepest * face.leading + 3.0
    x = sheet.left
    for column, rows in zip(columns, lines, strict=True):
        at = {"left": x + PAD, "right": x + column.width - PAD, "centre": x + column.width / 2}[column.align]
        with sheet.tagged("TH", scope="Column"):
            sheet.lines(at, sheet.y + (deepest - len(rows)) * face.leading, rows, face, align=column.align)
        x += column.width
    sheet.y += height
    sheet.line(sheet.left, sheet.y, sheet.left + sum(c.width for c in columns), sheet.y, style.INK, 0.7)


def head_height(columns: Sequence[Column]) -> float:
    """How high the head of a table is."""
    return max(len(wrap(c.title, style.TICK, c.width - 2 * PAD)) for c in columns) * style.TICK.leading + 3.0


def draw_table(
    sheet: Sheet,
    columns: Sequence[Column],
    rows: Sequence[Sequence[Cell | str]],
    *,
    face: TextStyle = style.CELL,
    bold: TextStyle = style.CELL_BOLD,
) -> None:
    """Write a table at `sheet.y`, on as many pages as it takes; rows are never split."""
    first = True
    with sheet.tagged("Table"):
        for row in rows:
            lines = [_lines(cell, column, face, bold) for cell, column in zip(row, columns, strict=True)]
            height = max(len(r) for r in lines) * face.leading + 3.0
            if sheet.need(height + (head_height(columns) if first else 0.0)) or first:
                with sheet.tagged("TR") if first else sheet.artifact():  # read once, not again on every page
                    _write_head(sheet, columns)
            first = False
            with sheet.tagged("TR"):
                _write_row(sheet, columns, row, lines, (face, bold), height)
            sheet.y += height
            sheet.line(sheet.left, sheet.y, sheet.left + sum(c.width for c in columns), sheet.y)
    sheet.y += 6.0


def scaled(columns: Sequence[Column], width: float) -> tuple[Column, ...]:
    """The columns stretched so that together they are `width` wide."""
    factor = width / sum(c.width for c in columns)
    return tuple(Column(c.title, c.width * factor, c.align) for c in columns)


class Reasons:
    """Collects why figures are missing; each different reason gets a letter that stands in the table.

    Reasons that differ only in what was measured share one: "8 to 14 dB over what is heard before it".
    """

    def __init__(self, sheet: Sheet) -> None:
        self._sheet = sheet
        self._kinds: dict[tuple[str, ...], list[str]] = {}

    def letter(self, reason: str) -> str:
        """The letter of a reason: a to z, then aa, ab ..."""
        kind = missing.kind(reason)
        self._kinds.setdefault(kind, []).append(reason)
        return _letter(list(self._kinds).index(kind))

    def missing(self, reason: str | None, *, brief: bool = False) -> str:
        """What the table prints instead of a number; `brief`: the letter alone, for the rest of a row."""
        words = self._sheet.words
        key = "common.letter_alone" if brief else "common.not_measured_because"
        return words(key, letter=self.letter(reason or words("common.no_reason")))

    def figure(self, value: float | None, reason: str | None, decimals: int = 1, *, brief: bool = False) -> str:
        """A number, or "not measured" with the letter of its reason."""
        return self.missing(reason, brief=brief) if value is None else numbers.fixed(value, decimals)

    def run_on(self) -> str:
        """All reasons in one paragraph, for pages short of room; empty if nothing is missing."""
        words = self._sheet.words
        said = words("common.semicolon").join(self._lines())
        return words.sentences(words("common.in_english"), said) if self._foreign() else said

    def write(self) -> None:
        """List the reasons below the table, in the reader's language as far as they are known."""
        sheet = self._sheet
        if self._foreign():
            sheet.need(2 * style.TICK.leading)
            sheet.y = sheet.paragraph(
                sheet.left, sheet.y, sheet.text_w, sheet.words("common.in_english"), style.TICK, max_lines=2
            )
        for line in self._lines():
            rows = wrap(line, style.TICK, sheet.text_w)
            sheet.need(len(rows) * style.TICK.leading)
            sheet.y = sheet.lines(sheet.left, sheet.y, rows, style.TICK)
        if self._kinds:
            sheet.y += 4.0

    def _lines(self) -> list[str]:
        words = self._sheet.words
        return [
            words("common.reason_line", letter=_letter(n), reason=missing.said(words, *reasons))
            for n, reasons in enumerate(self._kinds.values())
        ]

    def _foreign(self) -> bool:
        return any(missing.REASONS.foreign(self._sheet.words, reasons[0]) for reasons in self._kinds.values())


def _letter(n: int) -> str:
    return ("" if n < 26 else chr(96 + n // 26)) + chr(97 + n % 26)
