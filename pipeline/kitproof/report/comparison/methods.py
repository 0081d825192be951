"""How the figures of a comparison were had, and from where on something is called a change."""

from __future__ import annotations

from kitproof.report import style
from kitproof.report.anatomy import block, open_page
from kitproof.report.comparison.takes import Takes
from kitproof.report.sheet import Sheet
from kitproof.report.table import Cell, Column, draw_table, scaled

PARTS = (
    "compare.method_levels", "compare.method_places", "compare.method_sound", "compare.method_choice",
    "compare.method_same",
)  # fmt: skip


def draw(sheet: Sheet, takes: Takes) -> None:
    """Draw the page."""
    words = takes.words
    title = words("compare.method_title")
    sheet.new_page(title)
    open_page(sheet, title, "section:method", 0, words("compare.method_line"))
    for key in PARTS:
        block(sheet, words(key), style.BODY)
    columns = scaled(
        (
            Column(words("compare.method_limit"), 80.0, "left"), Column(words("compare.method_value"), 60.0),
            Column(words("compare.method_reason"), 270.0, "left"), Column(words("compare.method_source"), 90.0, "left"),
        ),
        sheet.text_w,
    )  # fmt: skip
    rows: list[list[Cell | str]] = [
        [
            Cell(words.or_text(f"limit.{x.name}.name", x.name), bold=True), f"{x.value:g} {words.unit(x.unit)}",
            x.reason if words.native else words.or_text(f"limit.{x.name}.why", x.reason), words.source(x.source),
        ]
        for x in takes.comparison.limits
    ]  # fmt: skip
    draw_table(sheet, columns, rows)
