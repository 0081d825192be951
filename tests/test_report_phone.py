"""The short edition for a phone: everything that is to be decided, in a size that is read without zooming."""

from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

import samples
from kitproof.report import telling
from kitproof.report.context import Context
from kitproof.report.document import write_report
from kitproof.report.style import NARROW_GRID, PAGES
from kitproof.report.wording import languages, load_words
from pdf_boxes import TextBox, clashes, joined, text_boxes

WIDTH, HEIGHT = PAGES["phone"]
# A phone's screen is some 65 to 70 mm wide, the page 105: what is to be read first stands 7 pt tall or more there,
# the least size of the paper edition. Source: own choice.
SHOWN = 67.0 / 105.0


def phone(folder: Path, language: str = "en", **options: Any) -> tuple[Context, list[list[TextBox]]]:
    """A take's records, and the pages of its edition for a phone."""
    measurements, pictures = samples.take(**options)
    path = folder / "report.pdf"
    write_report(measurements, pictures, path, page_size="phone", language=language)
    return Context(measurements, pictures, load_words(language), small=False), [
        text_boxes(page) for page in PdfReader(path).pages
    ]


@pytest.mark.parametrize("language", languages())
def test_every_language_stays_within_the_narrow_page(language: str, tmp_path: Path) -> None:
    """No text over another or past the margins, and none small."""
    _, pages = phone(tmp_path, language)
    for number, boxes in enumerate(pages, start=1):
        assert not clashes(boxes), f"page {number}"
        assert all(b.x0 >= NARROW_GRID.margin - 0.5 and b.x1 <= WIDTH - NARROW_GRID.margin + 0.5 for b in boxes), number
        assert all(b.size >= 7.0 for b in boxes), number


@pytest.mark.parametrize(
    "options",
    [{"n_channels": 40, "n_findings": 60}, {"names": "long", "n_channels": 3}, {"n_channels": 1, "n_findings": 0}],
    ids=["much", "long names", "nothing found"],
)
def test_much_and_little_stay_tidy(options: dict[str, Any], tmp_path: Path) -> None:
    """Findings go on overleaf; a clean take is a few pages."""
    context, pages = phone(tmp_path, **options)
    assert not any(clashes(boxes) for boxes in pages)
    assert len(pages) <= 5 + 2 * len(context.findings)


def test_all_that_is_to_be_decided_is_there_and_nothing_leads_nowhere(tmp_path: Path) -> None:
    """Every finding with its action; before the band's page what page one says; no page is named that this has not."""
    context, pages = phone(tmp_path, n_findings=9)
    words, told = context.words, [joined(boxes) for boxes in pages]
    text = " ".join(told)
    for ranked in context.findings:
        assert telling.message(context, ranked.finding) in text
        assert telling.action(context, ranked.finding) in text
    for check in context.measurements.not_checked:
        assert telling.check(context, check) in text
    assert "page 00" not in text
    first = " ".join(told[: next(n for n, page in enumerate(told) if words("band.title") in page)])
    assert telling.verdict_sentence(context) in first
    for ranked in context.red_lines:
        assert telling.message(context, ranked.finding) in first
        assert f"{words('verdict.action')} {telling.action(context, ranked.finding)}" in first
    assert all(telling.check(context, check) in first for check in context.measurements.not_checked)
    assert all(fact in first for fact in telling.good(context))
    assert telling.good(context)
    assert words("strip.title") in first
    assert words("phone.whole") in first


def test_what_is_read_first_is_read_without_zooming(tmp_path: Path) -> None:
    """The verdict, its red lines and what to do: at least 7 pt as a phone shows them across its screen."""
    context, pages = phone(tmp_path)
    said = telling.verdict_sentence(context) + " ".join(
        telling.message(context, r.finding) + telling.action(context, r.finding) for r in context.red_lines
    )
    first = [b for boxes in pages[:3] for b in boxes if len(b.text) > 20 and b.text.strip() in said]
    assert len(first) >= 5
    assert min(b.size for b in first) * SHOWN >= 7.0
