"""Reporting: saved measurements drawn as a PDF.

This is its door: whoever may have to draw imports from here, and the libraries that draw, which take longer to load
than most commands take to run, are loaded when something is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from kitproof.comparison import Comparison
from kitproof.model import Measurements, Pictures

PageSize = Literal["a4", "letter", "phone"]
# Width and height, points.
# "phone": a page as wide as A6 and as tall as a phone's screen shows, so that 11 pt are read without zooming
PAGES: dict[PageSize, tuple[float, float]] = {
    "a4": (595.28, 841.89),
    "letter": (612.0, 792.0),
    "phone": (297.64, 527.24),
}


def write_report(
    m: Measurements,
    pictures: Pictures,
    path: Path,
    *,
    page_size: PageSize = "a4",
    small: bool = False,
    language: str = "en",
) -> None:
    """Draw one take's report; see document.py."""
    from kitproof.report import document

    document.write_report(m, pictures, path, page_size=page_size, small=small, language=language)


def write_comparison_report(
    comparison: Comparison,
    takes: Sequence[Measurements],
    path: Path,
    *,
    page_size: PageSize = "a4",
    language: str = "en",
) -> None:
    """Draw the report of several takes; see comparison/document.py."""
    from kitproof.report.comparison import document

    document.write_comparison_report(comparison, takes, path, page_size=page_size, language=language)
