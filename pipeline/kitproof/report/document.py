"""The whole report: which sections in which order, drawn into one PDF and put in place in one move.

To add a section: write `pages/<name>.py` with KEY and `draw(sheet, ctx)`, put its sentences under
`[<name>]` into wording/en.toml, and list the module in SECTIONS. Draw every figure within
`with sheet.figure(text):`, where the text says what it shows of this take (alternatives.py, `[alt]`).
"""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Protocol

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
    phone,
    plan,
    room,
    timing,
    tuning,
    verdict,
)
from kitproof.report.paper import About, draw_pdf, size_of, write_pdf
from kitproof.report.sheet import Sheet
from kitproof.report.style import PAGES, PageSize
from kitproof.report.wording import load_words


class Section(Protocol):
    """A module of pages/: its name, and a function that draws it starting on a new page."""

    KEY: str

    def draw(self, sheet: Sheet, ctx: Context) -> None:
        """Draw the section."""


SECTIONS: tuple[Section, ...] = (
    verdict, band, overview, findings, evidence, levels, arrival, bleed, lowend, timing, tuning, room,
    channels, plan, inputs, annex,
)  # fmt: skip
# what is read on a phone: page one as a flow of pages, the band's page, the findings
ON_A_PHONE: tuple[Section, ...] = (phone, band, findings)


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
    page_size : "a4" or "letter"; "phone" for a short edition of verdict, band's page and findings on narrow pages
    language : wording to use, one of wording.languages(); also what the PDF says its text is in
    small : coarser pictures, for mail

    Raises
    ------
    OutputError : unknown page size or language, or the file cannot be written
    """
    size = size_of(page_size)
    ctx = Context(measurements, pictures, load_words(language), small=small)
    write_pdf(render(ctx, size, language), path)


def render(ctx: Context, size: tuple[float, float], language: str) -> bytes:
    """The report as bytes."""
    about = About(
        title=ctx.words("document.title", heading=ctx.heading), subject=ctx.words("document.subject"),
        keywords=ctx.words("document.keywords"), version=ctx.version, running=ctx.heading,
    )  # fmt: skip
    sections = ON_A_PHONE if size == PAGES["phone"] else SECTIONS
    return draw_pdf([partial(section.draw, ctx=ctx) for section in sections], about, ctx.words, size, language)
