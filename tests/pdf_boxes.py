"""Where text stands on the pages of a PDF, read back with pypdf."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pypdf import PageObject
from reportlab.pdfbase.pdfmetrics import stringWidth

from kitproof.report.style import FONT_FILES, WIDE, load_fonts, load_wide_font

TOUCHING = 0.05  # points: rounding in the file
ASCENT, DESCENT = 0.76, 0.22  # of the size: DejaVu's capitals and digits reach 0.73 up, its commas 0.13 down


@dataclass(frozen=True)
class TextBox:
    """One run of text: lower left and upper right corner in points from the lower left of the page."""

    text: str
    size: float
    x0: float
    y0: float
    x1: float
    y1: float

    def overlaps(self, other: TextBox, slack: float = 0.2) -> bool:
        """Whether the two cover common ground; `slack` points are allowed for rounding in the file."""
        return (
            self.x0 < other.x1 - slack
            and other.x0 < self.x1 - slack
            and self.y0 < other.y1 - slack
            and other.y0 < self.y1 - slack
        )


def text_boxes(page: PageObject) -> list[TextBox]:
    """All runs of text on a page."""
    load_fonts()
    load_wide_font()
    names = {file.removesuffix(".ttf"): name for name, file in FONT_FILES.items()} | {"IPAexGothic": WIDE}
    found: list[TextBox] = []
    begun: list[tuple[str, str, float, float]] = []  # font, part of it, and place at which each run is said to begin

    def visit(text: str, cm: list[float], tm: list[float], font: Any, size: float) -> None:
        text = text.rstrip()  # a blank at the end of a line stands nowhere
        if not text.strip() or font is None:
            return
        part, _, file = str(font["/BaseFont"]).partition("+")
        name, x, y = names[file], tm[4] + cm[4], tm[5] + cm[5]
        last = begun[-1] if begun else None
        begun.append((file, part, x, y))
        if last and last[1] != part and (last[0], *last[2:]) == (file, x, y):
            x = found[-1].x1  # a font of many characters is written in parts; all of a run are said to begin with it
        width = stringWidth(text, name, size)
        found.append(TextBox(text, size, x, y - DESCENT * size, x + width, y + ASCENT * size))

    page.extract_text(visitor_text=visit)
    return _lines_of_two_fonts(found)


def _lines_of_two_fonts(found: list[TextBox]) -> list[TextBox]:
    """Runs that touch on one line, as where the font changes within a word, made one."""
    whole: list[TextBox] = []
    for box in found:
        last = whole[-1] if whole else None
        if last and (last.size, last.y0) == (box.size, box.y0) and abs(last.x1 - box.x0) < TOUCHING:
            whole[-1] = TextBox(last.text + box.text, box.size, last.x0, box.y0, box.x1, box.y1)
        else:
            whole.append(box)
    return whole


def joined(boxes: list[TextBox]) -> str:
    """What a page says, in one line: where a sentence is broken is not what it says."""
    return " ".join(" ".join(b.text for b in boxes).split())


def clashes(boxes: list[TextBox]) -> list[tuple[str, str]]:
    """Pairs of texts that overlap."""
    by_left = sorted(boxes, key=lambda b: b.x0)
    found = []
    for i, box in enumerate(by_left):
        for other in by_left[i + 1 :]:
            if other.x0 >= box.x1:
                break
            if box.overlaps(other):
                found.append((box.text, other.text))
    return found
