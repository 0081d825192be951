"""How the report looks: one grid, one type scale, few colours that each mean one thing.

Lengths are points (1/72 inch), measured from the top left of the page. Colours are RGB, 0..1.
Every text colour reaches 4.5:1 on what it stands on and every mark that carries meaning 3:1 (WCAG
2.2, success criteria 1.4.3 and 1.4.11); the tests hold that. Nothing is told by colour alone: the
three severities also differ in fill and outline, delays in the shape of the dot.
"""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import matplotlib
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from kitproof.model import Severity
from kitproof.report import PAGES as PAGES
from kitproof.report import PageSize as PageSize

Colour = tuple[float, float, float]


def _hex(code: str) -> Colour:
    return (int(code[0:2], 16) / 255, int(code[2:4], 16) / 255, int(code[4:6], 16) / 255)


PAPER = _hex("FFFFFF")
INK = _hex("1B1F24")  # text, and what was measured
QUIET = _hex("565D66")  # second-rank text: captions, units, method notes
HAIR = _hex("C6CBD1")  # rules and grid: for the eye only, never meaning
TRACE = _hex("75828F")  # areas of measured level, the spread of hits
FIX = _hex("A32E12")  # severity "fix", and nothing else
LOOK = _hex("1D5787")  # severity "look", and nothing else
NOTE = _hex("565D66")  # severity "note"

SEVERITY_COLOUR: dict[Severity, Colour] = {"fix": FIX, "look": LOOK, "note": NOTE}

# bleed classes, isolated first: one hue, darker is more
HEAT: tuple[Colour, ...] = (_hex("F4F5F2"), _hex("D5DBD8"), _hex("93A6A8"), _hex("2C4656"))

# level -> ink on the spectrograms: from paper to ink, lightness only ever falling
SONOGRAM_STOPS: tuple[Colour, ...] = (
    _hex("FFFFFF"), _hex("E9E6DA"), _hex("BFC7B6"), _hex("809C98"), _hex("456A7B"), _hex("20384F"), _hex("0C1220"),
)  # fmt: skip
SONOGRAM_LOW_DBFS = -100.0
SONOGRAM_HIGH_DBFS = -10.0


# ---------------------------------------------------------------- grid
MARGIN = 42.0
HEAD_ROOM = 56.0  # the first line of content stands below this
FOOT_ROOM = 50.0
LABEL_W = 104.0  # the label column: every figure's plot starts right of it, so that times line up across pages
GAP = 12.0


@dataclass(frozen=True, slots=True)
class Grid:
    """Where things stand on a page of one width."""

    margin: float = MARGIN
    head_room: float = HEAD_ROOM
    foot_room: float = FOOT_ROOM
    label_w: float = LABEL_W


WIDE_GRID = Grid()
NARROW_GRID = Grid(17.0, 42.0, 38.0, 70.0)
NARROW_W = 400.0  # pages under this width are narrow


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle: top left corner and size, in points from the top left of the page."""

    x: float
    y: float
    w: float
    h: float

    @property
    def right(self) -> float:
        """Right edge."""
        return self.x + self.w

    @property
    def bottom(self) -> float:
        """Lower edge (the larger y)."""
        return self.y + self.h


# ---------------------------------------------------------------- type
@dataclass(frozen=True, slots=True)
class TextStyle:
    """Font, size, line pitch and colour of a piece of text."""

    font: str
    size: float
    leading: float
    colour: Colour = INK


SANS, BOLD, SERIF, MONO = "KitproofSans", "KitproofSansBold", "KitproofSerifBold", "KitproofMono"
FONT_FILES = {
    SANS: "DejaVuSans.ttf",
    BOLD: "DejaVuSans-Bold.ttf",
    SERIF: "DejaVuSerif-Bold.ttf",
    MONO: "DejaVuSansMono.ttf",
}
# what the fonts above lack is set in this one, character by character: kana, kanji, full-width forms
WIDE = "KitproofWide"
WIDE_FILE = ("matplotlib_fontja", "fonts", "ipaexg.ttf")  # package, folder in it, file
HEAVY_FONTS = (BOLD, SERIF)  # there is no bold WIDE: beside these its outlines are drawn too
HEAVY_STROKE = 0.03  # of the size. Own choice: about as much blacker as the bold face is

TICK = TextStyle(SANS, 7.5, 9.5, QUIET)
TICK_BOLD = TextStyle(BOLD, 7.5, 9.5)
CELL = TextStyle(SANS, 8.0, 10.0)
CELL_BOLD = TextStyle(BOLD, 8.0, 10.0)
SMALL = TextStyle(SANS, 8.5, 11.5, QUIET)
LABEL = TextStyle(SANS, 8.5, 11.5)
LABEL_BOLD = TextStyle(BOLD, 8.5, 11.5)
BODY = TextStyle(SANS, 10.0, 13.5)
BODY_BOLD = TextStyle(BOLD, 10.0, 13.5)
LEAD = TextStyle(SANS, 12.0, 16.5)
PLAIN = TextStyle(SANS, 11.5, 15.5)  # for the band, and on a phone
PLAIN_BOLD = TextStyle(BOLD, 11.5, 15.5)
HEAD = TextStyle(SERIF, 13.0, 17.0)
TITLE = TextStyle(SERIF, 21.0, 26.0)
VERDICT = TextStyle(SERIF, 42.0, 48.0)
CODE = TextStyle(MONO, 7.0, 9.5)


@cache
def load_fonts() -> dict[str, frozenset[int]]:
    """Register the fonts once; returns the code points each of them can show.

    They ship with matplotlib, so the report needs no file of its own and looks the same everywhere.
    """
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    covered = {}
    for name, file in FONT_FILES.items():
        font = TTFont(name, str(folder / file))
        pdfmetrics.registerFont(font)
        covered[name] = frozenset(font.face.charToGlyph)
    return covered


@cache
def load_wide_font() -> frozenset[int]:
    """Register WIDE once, when it is first needed; returns its code points, none if its package is not there.

    The package is looked up, not imported: importing it would change matplotlib's settings.
    """
    package, *rest = WIDE_FILE
    spec = importlib.util.find_spec(package)
    for folder in (spec.submodule_search_locations or []) if spec else []:
        path = Path(folder).joinpath(*rest)
        if path.is_file():
            font = TTFont(WIDE, str(path))
            pdfmetrics.registerFont(font)
            return frozenset(font.face.charToGlyph)
    return frozenset()


# ---------------------------------------------------------------- contrast
def relative_luminance(colour: Colour) -> float:
    """Luminance of an sRGB colour, 0 (black) to 1 (white).

    Source: W3C, Web Content Accessibility Guidelines 2.2, definition of relative luminance.
    """
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in colour]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast_ratio(a: Colour, b: Colour) -> float:
    """Contrast of two colours, 1 to 21.

    Source: W3C, Web Content Accessibility Guidelines 2.2, definition of contrast ratio.
    """
    lighter, darker = sorted((relative_luminance(a), relative_luminance(b)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def text_on(background: Colour) -> Colour:
    """Ink or paper, whichever reads better on the background."""
    return INK if contrast_ratio(INK, background) >= contrast_ratio(PAPER, background) else PAPER
