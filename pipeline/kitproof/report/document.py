"""The whole report: which sections in which order, drawn into one PDF and put in place in one move.

To add a section: write `pages/<name>.py` with KEY and `draw(sheet, ctx)`, put its sentences under
`[<name>]` into wording/en.toml, and list the module in SECTIONS.
"""

from __future__ import annotations

import contextlib
import io
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Protocol

from reportlab import rl_config
from reportlab.pdfgen.canvas import Canvas

from kitproof.errors import OutputError
from kitproof.model import Measurements, Pictures
from kitproof.report.context import Context
from kitproof.report.pages import (
    annex,
    arrival,
    band,
    bleed,
    channels,
    evidence,
    findings,
    inputs,
    levels,
    lowend,
    overview,
    plan,
    room,
    timing,
    tuning,
    verdict,
)
from kitproof.report.sheet import Sheet
from kitproof.report.style import PAGES, SANS, PageSize, load_fonts
from kitproof.report.wording import Words, load_words


class Section(Protocol):
    """A module of pages/: its name, and a function that draws it starting on a new page."""

    KEY: str

    def draw(self, sheet: Sheet, ctx: Context) -> None:
        """Draw the section."""


SECTIONS: tuple[Section, ...] = (
    verdict, band, overview, findings, evidence, levels, arrival, bleed, lowend, timing, tuning, room,
    channels, plan, inputs, annex,
)  # fmt: skip
MOST_PASSES = 4


def write_report(
    measurements: Measurements,
    pictures: Pictures,
    path: Path,
    *,
    page_size: PageSize = "a4",
    language: str = "en",
    small: bool = False,
) -> None:
    """Write the report of one take as a PDF.

    The same records give the same bytes. The file appears whole or not at all: it is written beside
    its place under another name and then renamed.

    Parameters
    ----------
    measurements, pictures : the take; pictures may lack channels, their pages say so
    path : where the PDF goes; its folder must exist
    page_size : "a4" or "letter"
    language : wording to use, one of wording.languages(); also what the PDF says its text is in
    small : coarser pictures, for mail

    Raises
    ------
    OutputError : unknown page size or language, or the file cannot be written
    """
    if page_size not in PAGES:
        raise OutputError(f"no page size {page_size!r}; there are: {', '.join(PAGES)}")
    ctx = Context(measurements, pictures, load_words(language), small=small)
    put_in_place(render(ctx, PAGES[page_size], language), path)


def render(ctx: Context, size: tuple[float, float], language: str) -> bytes:
    """The report as bytes: drafts until every page number is known, then the real thing."""
    load_fonts()
    pages: dict[str, int] | None = None
    n_pages = 0
    for _ in range(MOST_PASSES):
        _, sheet = _draw(ctx, size, language, pages, n_pages, draft=True)
        if sheet.anchors == pages and sheet.page == n_pages:
            break
        pages, n_pages = sheet.anchors, sheet.page
    pdf, _ = _draw(ctx, size, language, pages, n_pages, draft=False)
    return pdf


def _draw(
    ctx: Context,
    size: tuple[float, float],
    language: str,
    pages: Mapping[str, int] | None,
    n_pages: int,
    *,
    draft: bool,
) -> tuple[bytes, Sheet]:
    """Draw all sections once."""
    target = io.BytesIO()
    with plain_streams():
        canvas = Canvas(target, pagesize=size, pageCompression=1, invariant=1, lang=language, initialFontName=SANS)
        _describe(canvas, ctx, ctx.words)
        sheet = Sheet(canvas, size, ctx.words, running=ctx.heading, pages=pages, n_pages=n_pages, draft=draft)
        for section in SECTIONS:
            section.draw(sheet, ctx)
        if not draft:
            canvas.showPage()
            canvas.save()
    return target.getvalue(), sheet


def _describe(canvas: Canvas, ctx: Context, words: Words) -> None:
    """What a viewer shows about the document."""
    canvas.setTitle(words("document.title", heading=ctx.heading))
    canvas.setSubject(words("document.subject"))
    canvas.setAuthor(words("document.author"))
    canvas.setKeywords(words("document.keywords"))
    canvas.setCreator(f"kitproof {ctx.version}")
    canvas.setProducer("kitproof")
    canvas.setViewerPreference("DisplayDocTitle", "true")
    canvas.showOutline()


@contextlib.contextmanager
def plain_streams() -> Iterator[None]:
    """Have reportlab write compressed streams as they are: its text armour would add a quarter to the file."""
    before = rl_config.useA85
    rl_config.useA85 = 0
    try:
        yield
    finally:
        rl_config.useA85 = before


def put_in_place(pdf: bytes, path: Path) -> None:
    """Write beside the target, then rename. Raises OutputError and leaves nothing if that fails."""
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        temporary.write_bytes(pdf)
        temporary.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        reason = error.strerror or str(error)
        raise OutputError(f"{path}: the report could not be written ({reason}); does its folder exist?") from error
