"""What every section is made of: title, one line that says what was found, figure, caption, method note."""

from __future__ import annotations

from collections.abc import Sequence

from kitproof.report import style
from kitproof.report.sheet import Sheet
from kitproof.report.style import TextStyle
from kitproof.report.typeset import shorten_middle, wrap

# A section's last note may reach into the white above the page number: better than a page for two lines.
FOOT_SLACK = 14.0


def open_document(sheet: Sheet, title: str) -> None:
    """Start the first page, to which the foot of every other one leads back; its head is its author's."""
    sheet.new_page(title)
    sheet.anchor("section:verdict", 0.0)
    sheet.outline(title, "section:verdict", 0)


def open_section(sheet: Sheet, key: str, finding: str, *, below: bool = False) -> None:
    """Start a section: anchor, outline entry, title, the one-line finding.

    key : name of the section; its title is the wording `<key>.title`
    below : may stand below the section before, if that is such a section too and all of it fits there
    """
    title = sheet.words(f"{key}.title")
    sheet.begin(key, title, below=below)
    open_page(sheet, title, f"section:{key}", 0, finding)


def open_page(sheet: Sheet, title: str, anchor: str, level: int, finding: str) -> None:
    """Title block of a page."""
    sheet.anchor(anchor, 0.0 if sheet.y == sheet.grid.head_room else None)
    sheet.outline(title, anchor, level)
    shown = shorten_middle(title, style.TITLE, sheet.text_w)
    with sheet.tagged("H1"):
        sheet.y = sheet.lines(sheet.left, sheet.y, [shown], style.TITLE) + 2.0
    sheet.y = sheet.paragraph(sheet.left, sheet.y, sheet.text_w, finding, style.BODY) + 8.0


def subhead(sheet: Sheet, text: str, *, keep_with: float = 40.0) -> None:
    """A heading within a section; `keep_with` points of what follows stay on its page."""
    sheet.need(style.HEAD.leading + 10.0 + keep_with)
    sheet.y += 8.0
    with sheet.tagged("H2"):
        sheet.y = sheet.lines(sheet.left, sheet.y, [shorten_middle(text, style.HEAD, sheet.text_w)], style.HEAD) + 3.0


def block(sheet: Sheet, text: str, face: TextStyle, after: float = 6.0) -> None:
    """A paragraph over the full width that moves to the next page if it does not fit here."""
    rows = wrap(text, face, sheet.text_w)
    with sheet.tagged("P"):
        while rows:
            sheet.need(min(len(rows), 3) * face.leading)
            fit = max(1, int(sheet.room // face.leading))
            sheet.y = sheet.lines(sheet.left, sheet.y, rows[:fit], face)
            rows = rows[fit:]
    sheet.y += after


def bullet(sheet: Sheet, x: float, y: float, rows: Sequence[str], face: TextStyle, indent: float) -> float:
    """One item of a list, within `with sheet.tagged("L"):`, its lines `indent` right of a dash; returns the y below."""
    with sheet.tagged("LI"):
        with sheet.tagged("Lbl"):
            sheet.lines(x, y, ["\u2013"], face)
        return sheet.lines(x + indent, y, rows, face)


def caption(sheet: Sheet, text: str) -> None:
    """What to look for in the figure above."""
    block(sheet, text, style.SMALL)


def caption_height(sheet: Sheet, text: str) -> float:
    """Room that a caption takes."""
    return len(wrap(text, style.SMALL, sheet.text_w)) * style.SMALL.leading + 6.0


def method(sheet: Sheet, text: str) -> None:
    """How the numbers of this section were had."""
    rows = wrap(text, style.TICK, sheet.text_w - 8.0)
    sheet.need(len(rows) * style.TICK.leading + 4.0 - FOOT_SLACK)
    top = sheet.y
    sheet.y = sheet.lines(sheet.left + 8.0, sheet.y, rows, style.TICK)
    sheet.line(sheet.left + 1.0, top + 1.0, sheet.left + 1.0, sheet.y - 1.0, style.QUIET, 0.8)
    sheet.y += 6.0
