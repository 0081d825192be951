"""One PDF from start to end: drafts until page numbers settle, then the real thing, put in place whole."""

from __future__ import annotations

import contextlib
import io
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from reportlab import rl_config
from reportlab.pdfgen.canvas import Canvas

from kitproof.errors import OutputError
from kitproof.report import compact
from kitproof.report.sheet import Sheet
from kitproof.report.style import PAGES, SANS, PageSize, load_fonts
from kitproof.report.wording import Words
from kitproof.wholefile import whole_file

MOST_PASSES = 6
Section = Callable[[Sheet], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class About:
    """What a viewer shows about a document, and what stands at the head of its pages."""

    title: str
    subject: str
    keywords: str
    version: str
    running: str


def size_of(page_size: PageSize) -> tuple[float, float]:
    """Width and height in points. Raises OutputError for a size that there is not."""
    if page_size not in PAGES:
        raise OutputError(f"no page size {page_size!r}; there are: {', '.join(PAGES)}")
    return PAGES[page_size]


def draw_pdf(
    sections: Sequence[Section], about: About, words: Words, size: tuple[float, float], language: str
) -> bytes:
    """The document as bytes; the same sections give the same bytes.

    sections : each draws itself, starting on a new page; called again for every draft
    """
    load_fonts()
    pages: Mapping[str, int] | None = None
    n_pages = 0
    heights: dict[str, float] = {}
    for _ in range(MOST_PASSES):
        _, sheet = _pass(sections, about, words, size, language, pages, n_pages, heights, draft=True)
        if sheet.anchors == pages and sheet.page == n_pages:
            break
        pages, n_pages = sheet.anchors, sheet.page
        # what ran over onto a second page when it was tried below another section keeps a page of its own for good
        ran_over = [key for key, height in heights.items() if key not in sheet.heights or height == math.inf]
        heights = {**sheet.heights, **dict.fromkeys(ran_over, math.inf)}
    return _pass(sections, about, words, size, language, pages, n_pages, heights, draft=False)[0]


def write_pdf(pdf: bytes, path: Path) -> None:
    """Put the document in place. Raises OutputError and leaves nothing if that fails."""
    with whole_file(path) as file:
        file.write(pdf)


def _pass(
    sections: Sequence[Section],
    about: About,
    words: Words,
    size: tuple[float, float],
    language: str,
    pages: Mapping[str, int] | None,
    n_pages: int,
    heights: Mapping[str, float],
    *,
    draft: bool,
) -> tuple[bytes, Sheet]:
    """Draw all sections once."""
    with _plain_streams():
        canvas = Canvas(
            io.BytesIO(), pagesize=size, pageCompression=1, invariant=1, lang=language, initialFontName=SANS,
            pdfVersion=compact.VERSION,
        )  # fmt: skip
        _describe(canvas, about, words)
        sheet = Sheet(
            canvas, size, words, running=about.running, pages=pages, n_pages=n_pages, heights=heights, draft=draft
        )
        for section in sections:
            with sheet.tagged("Sect"):
                section(sheet)
        if draft:
            return b"", sheet
        sheet.end_page()
        sheet.tags.write()
        return compact.packed(canvas.getpdfdata(), canvas._doc), sheet


def _describe(canvas: Canvas, about: About, words: Words) -> None:
    canvas.setTitle(about.title)
    canvas.setSubject(about.subject)
    canvas.setAuthor(words("document.author"))
    canvas.setKeywords(about.keywords)
    canvas.setCreator(f"kitproof {about.version}")
    canvas.setProducer("kitproof")
    canvas.setViewerPreference("DisplayDocTitle", "true")
    canvas.showOutline()


@contextlib.contextmanager
def _plain_streams() -> Iterator[None]:
    """Have reportlab write compressed streams as they are: its text armour would add a quarter to the file."""
    before = rl_config.useA85
    rl_config.useA85 = 0
    try:
        yield
    finally:
        rl_config.useA85 = before
