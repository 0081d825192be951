"""The paper: a canvas with the report's grid, type and page furniture, and a place where writing goes on.

All positions are points from the top left of the page. The report is drawn twice: the first time as a
draft that only finds out on which page everything stands, the second time with those page numbers in
the references.

What is drawn is tagged for reading machines (see tagging.py): text is a paragraph and strokes are decoration,
unless it happens within `with sheet.tagged(kind):` or `with sheet.figure(what it shows):`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from typing import Literal

from reportlab.pdfgen.canvas import Canvas

from kitproof.report import style
from kitproof.report.pen import Pen
from kitproof.report.style import Box, TextStyle
from kitproof.report.typeset import printable, runs, shorten_middle, text_width, wrap
from kitproof.report.wording import Words

Align = Literal["left", "centre", "right"]
SECTION_GAP = 26.0  # between two sections on one page, with a line in the middle
FIRST_WIDE = "\u2e80"  # from here on scripts that set no blanks


class Sheet(Pen):
    """Text, pages and links. `y` is where the next block goes; blocks ask for room with `need`."""

    def __init__(
        self,
        canvas: Canvas,
        size: tuple[float, float],
        words: Words,
        *,
        running: str,
        pages: Mapping[str, int] | None = None,
        n_pages: int = 0,
        heights: Mapping[str, float] | None = None,
        draft: bool = False,
    ) -> None:
        super().__init__(canvas, size[1], draft=draft)
        self.width = size[0]
        self.narrow = self.width < style.NARROW_W
        self.grid = style.NARROW_GRID if self.narrow else style.WIDE_GRID
        self.words = words
        self.running = running
        self.n_pages = n_pages
        self.anchors: dict[str, int] = {}
        self.page = 0
        self.y = 0.0
        self.section = ""
        self.heights: dict[str, float] = {}  # of sections that stand on one page
        self._pages = pages or {}
        self._known_heights = heights or {}
        self._begun: tuple[str, int, float] | None = None

    # ------------------------------------------------------------ pages
    @property
    def left(self) -> float:
        """Left edge of the text."""
        return self.grid.margin

    @property
    def right(self) -> float:
        """Right edge of the text."""
        return self.width - self.grid.margin

    @property
    def text_w(self) -> float:
        """Width of the text."""
        return self.right - self.left

    @property
    def plot_x(self) -> float:
        """Where plots start, right of the label column."""
        return self.left + self.grid.label_w

    @property
    def bottom(self) -> float:
        """Lower end of the text."""
        return self.height - self.grid.foot_room

    @property
    def room(self) -> float:
        """What is left of this page below `y`."""
        return self.bottom - self.y

    def begin(self, key: str, title: str, *, below: bool) -> None:
        """Start a section: on a new page, or `below` the last one of its kind where the whole of it fits there."""
        follows = below and self._begun is not None
        self._finish()
        if follows and self.y + SECTION_GAP + self._known_heights.get(key, math.inf) <= self.bottom:
            self.y += SECTION_GAP
            self.line(self.left, self.y - SECTION_GAP / 2, self.right, self.y - SECTION_GAP / 2)
        else:
            self.new_page(title)
        self._begun = (key, self.page, self.y) if below else None

    def _finish(self) -> None:
        """Note how tall the section is that was begun, if it stands on one page."""
        if self._begun is not None and self._begun[1] == self.page:
            self.heights[self._begun[0]] = self.y - self._begun[2]
        self._begun = None

    def new_page(self, section: str | None = None) -> None:
        """Finish this page, if there is one, and start the next; `section` is what its head says."""
        if section is not None:
            self._finish()
        if self.page:
            self.end_page()
        self.page += 1
        if section is not None:
            self.section = section
        self.y = self.grid.head_room
        with self.tags.artifact():
            self._furniture()

    def end_page(self) -> None:
        """Finish this page."""
        self.tags.end_page()
        self.canvas.showPage()

    def need(self, height: float) -> bool:
        """Make sure that `height` fits on this page, else start the next one; True if a page was started."""
        if self.y + height <= self.bottom:
            return False
        self.new_page()
        return True

    def _furniture(self) -> None:
        """Running head and page number."""
        head, foot = self.grid.head_room - 26.0, self.height - self.grid.foot_room + 26.0
        half = self.text_w / 2 - style.GAP
        if self.page > 1:
            self.text(self.left, head, shorten_middle(self.running, style.TICK, half), style.TICK)
            self.text(self.right, head, shorten_middle(self.section, style.TICK, half), style.TICK, align="right")
            self.line(self.left, head + 5.0, self.right, head + 5.0)
            back = self.words("common.back")
            self.text(self.left, foot, back, style.TICK)
            self.link(
                Box(self.left, foot - 8.0, text_width(back, style.TICK.font, style.TICK.size), 11.0), "section:verdict"
            )
        number = self.words("common.page_of", page=self.page, pages=self.n_pages or "00")
        self.text(self.right, foot, number, style.TICK, align="right")

    # ------------------------------------------------------------ links
    def anchor(self, name: str, y: float | None = None) -> None:
        """Name this place, so that links and references find it."""
        self.anchors.setdefault(name, self.page)
        top = self.height - max((self.y if y is None else y) - 24.0, 0.0)
        self.canvas.bookmarkPage(name, fit="XYZ", left=0, top=top, zoom=0)

    def outline(self, title: str, anchor: str, level: int) -> None:
        """Add a line to the document's outline."""
        self.canvas.addOutlineEntry(title, anchor, level=level, closed=level > 0)

    def page_number(self, anchor: str) -> str:
        """Number of the page where an anchor stands."""
        return str(self._pages.get(anchor, "00"))

    def link(self, box: Box, anchor: str) -> None:
        """Make a rectangle lead to an anchor."""
        if anchor in self._pages:
            rect = (box.x, self.height - box.bottom, box.right, self.height - box.y)
            self.tags.link(rect, anchor, self.words("common.page", page=self.page_number(anchor)))

    # ------------------------------------------------------------ tags
    def tagged(self, kind: str, *, scope: str = "") -> AbstractContextManager[None]:
        """Around what is one element when read, in the order in which it is drawn.

        kind : "H1" to "H3", "P"; "L" with "LI" in it and in these "Lbl" and "LBody"; "Table" with "TR" in it and in
        these "TD" and "TH", with scope "Row" or "Column"
        """
        return self.tags.element(kind, scope=scope)

    def figure(self, alt: str) -> AbstractContextManager[None]:
        """Around what can only be seen. alt : what is read instead: what it shows of this take, in one sentence"""
        return self.tags.element("Figure", alt=alt.replace("..", "."))  # a short name may end a sentence: "room der."

    def artifact(self) -> AbstractContextManager[None]:
        """Around text that is not read: what was said before, or is said beside it."""
        return self.tags.artifact()

    # ------------------------------------------------------------ text
    def text(self, x: float, y: float, text: str, face: TextStyle, *, align: Align = "left") -> float:
        """Write one line with its baseline at `y`; returns its width."""
        text = printable(text, face.font)
        width = text_width(text, face.font, face.size)
        start = x if align == "left" else (x - width if align == "right" else x - width / 2)
        if self.tags.goes_on and text[-1:] < FIRST_WIDE:
            text += " "  # else the words at the end of this line and the start of the next are read as one
        parts = runs(text, face.font)
        with self.tags.line():
            self.tags.mark()
            self.canvas.setFillColorRGB(*face.colour)
            if all(font == face.font for _, font in parts):
                self.canvas.setFont(face.font, face.size)
                self.canvas.drawString(start, self.height - y, text)
            else:
                self._mixed(start, self.height - y, parts, face)
        return width

    def _mixed(self, x: float, y: float, parts: Sequence[tuple[str, str]], face: TextStyle) -> None:
        """One line in two fonts, as one piece of text so that it is copied out of the file whole."""
        self.canvas.saveState()
        self._pen(None, face.colour, style.HEAVY_STROKE * face.size, None)
        line = self.canvas.beginText(x, y)
        for part, font in parts:
            line.setTextOrigin(x, y)
            line.setFont(font, face.size)
            line.setTextRenderMode(2 if font == style.WIDE and face.font in style.HEAVY_FONTS else 0)
            line.textOut(part)
            x += text_width(part, face.font, face.size)
        self.canvas.drawText(line)
        self.canvas.restoreState()

    def lines(self, x: float, y: float, lines: Sequence[str], face: TextStyle, *, align: Align = "left") -> float:
        """Write lines below `y`; returns the y under the last one."""
        with self.tags.line():
            for line in lines:
                self.text(x, y + 0.5 * face.leading + 0.36 * face.size, line, face, align=align)
                y += face.leading
        return y

    def paragraph(
        self, x: float, y: float, width: float, text: str, face: TextStyle, *, max_lines: int | None = None
    ) -> float:
        """Write wrapped text below `y`; returns the y under its last line."""
        return self.lines(x, y, wrap(text, face, width, max_lines), face)
