"""The comparison as a PDF: the same paper, type and drafts as a take's report."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from reportlab.pdfgen.canvas import Canvas

import kitproof
from kitproof.comparison import Comparison
from kitproof.errors import OutputError
from kitproof.model import Measurements
from kitproof.report.comparison import barmap, methods, placement, summary, tables
from kitproof.report.comparison.takes import Takes
from kitproof.report.document import MOST_PASSES, plain_streams, put_in_place
from kitproof.report.sheet import Sheet
from kitproof.report.style import PAGES, SANS, PageSize, load_fonts
from kitproof.report.wording import load_words

SECTIONS: tuple[Callable[[Sheet, Takes], None], ...] = (
    summary.draw, tables.draw, barmap.draw, placement.draw, methods.draw,
)  # fmt: skip


def write_comparison_report(
    comparison: Comparison,
    measurements: Sequence[Measurements],
    path: Path,
    *,
    page_size: PageSize = "a4",
    language: str = "en",
) -> None:
    """Write the comparison of takes as a PDF, whole or not at all; the same records give the same bytes.

    measurements : of the takes, in the comparison's order

    Raises
    ------
    OutputError : unknown page size or language, or the file cannot be written
    """
    if page_size not in PAGES:
        raise OutputError(f"no page size {page_size!r}; there are: {', '.join(PAGES)}")
    takes = Takes(comparison, measurements, load_words(language))
    put_in_place(render(takes, PAGES[page_size], language), path)


def render(takes: Takes, size: tuple[float, float], language: str) -> bytes:
    """The comparison as bytes: drafts until every page number is known, then the real thing."""
    load_fonts()
    pages: Mapping[str, int] | None = None
    n_pages = 0
    for _ in range(MOST_PASSES):
        _, sheet = _draw(takes, size, language, pages, n_pages, draft=True)
        if sheet.anchors == pages and sheet.page == n_pages:
            break
        pages, n_pages = sheet.anchors, sheet.page
    return _draw(takes, size, language, pages, n_pages, draft=False)[0]


def _draw(
    takes: Takes,
    size: tuple[float, float],
    language: str,
    pages: Mapping[str, int] | None,
    n_pages: int,
    *,
    draft: bool,
) -> tuple[bytes, Sheet]:
    target = io.BytesIO()
    words = takes.words
    with plain_streams():
        canvas = Canvas(target, pagesize=size, pageCompression=1, invariant=1, lang=language, initialFontName=SANS)
        canvas.setTitle(takes.heading)
        canvas.setSubject(words("compare.subject"))
        canvas.setAuthor(words("document.author"))
        canvas.setCreator(f"kitproof {kitproof.__version__}")
        canvas.setProducer("kitproof")
        canvas.setViewerPreference("DisplayDocTitle", "true")
        canvas.showOutline()
        sheet = Sheet(canvas, size, words, running=takes.heading, pages=pages, n_pages=n_pages, draft=draft)
        for draw in SECTIONS:
            draw(sheet, takes)
        if not draft:
            canvas.showPage()
            canvas.save()
    return target.getvalue(), sheet
