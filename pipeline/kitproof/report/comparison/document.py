"""The comparison as a PDF: the same paper, type and drafts as a take's report."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import kitproof
from kitproof.comparison import Comparison
from kitproof.model import Measurements
from kitproof.report.comparison import barmap, methods, placement, summary, tables
from kitproof.report.comparison.takes import Takes
from kitproof.report.paper import About, draw_pdf, size_of, write_pdf
from kitproof.report.sheet import Sheet
from kitproof.report.style import PageSize
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
    size = size_of(page_size)
    takes = Takes(comparison, measurements, load_words(language))
    write_pdf(render(takes, size, language), path)


def render(takes: Takes, size: tuple[float, float], language: str) -> bytes:
    """The comparison as bytes."""
    about = About(
        title=takes.heading, subject=takes.words("compare.subject"), keywords=takes.words("document.keywords"),
        version=kitproof.__version__, running=takes.heading,
    )  # fmt: skip
    return draw_pdf([partial(_drawn, draw, takes) for draw in SECTIONS], about, takes.words, size, language)


def _drawn(draw: Callable[[Sheet, Takes], None], takes: Takes, sheet: Sheet) -> None:
    draw(sheet, takes)
