"""Mics that moved: before and after, side by side, with loudness taken out."""

from __future__ import annotations

from kitproof.comparison import Placement, PlacementRow
from kitproof.report import numbers
from kitproof.report.anatomy import caption, open_page, subhead
from kitproof.report.comparison.takes import Takes
from kitproof.report.sheet import Sheet
from kitproof.report.table import Cell, Column, Reasons, draw_table, scaled
from kitproof.report.typeset import upper_first

QUANTITIES = {
    "arrival": "compare.placement_arrival", "level": "compare.placement_level", "bleed": "compare.placement_bleed",
    "attack": "compare.placement_attack", "crest": "compare.placement_crest",
    "noise": "compare.placement_noise",
}  # fmt: skip
WORDS = {"same": "compare.word_same", "changed": "compare.word_changed", "unclear": "compare.word_unclear"}
DECIMALS = {"arrival": 2, "attack": 2, "notch": 0}


def draw(sheet: Sheet, takes: Takes) -> None:
    """One table a mic that moved, or one line that none did."""
    words, placements = takes.words, takes.comparison.placements
    title = words("compare.placement_title")
    sheet.new_page(title)
    most = next(x.value for x in takes.comparison.limits if x.name == "level-matched")
    line = words("compare.placement_line", limit=numbers.fixed(most)) if placements else words(
        "compare.placement_line_none")  # fmt: skip
    open_page(sheet, title, "section:placement", 0, line)
    for p in placements:
        _one(sheet, takes, p)
    if placements:
        caption(sheet, words("compare.placement_caption"))


def _one(sheet: Sheet, takes: Takes, p: Placement) -> None:
    words = takes.words
    head = words("compare.placement_head", channel=upper_first(takes.label(p.file)), take=takes.names[p.take],
                 ref=takes.ref)  # fmt: skip
    subhead(sheet, head, keep_with=90.0)
    columns = scaled(
        (
            Column(words("compare.placement_what"), 150.0, "left"),
            Column(words("compare.placement_drum"), 76.0, "left"),
            Column(words("compare.placement_before"), 58.0), Column(words("compare.placement_after"), 58.0),
            Column(words("compare.placement_difference"), 80.0), Column(words("compare.placement_word"), 52.0),
            Column(words("compare.placement_n"), 44.0),
        ),
        sheet.text_w,
    )  # fmt: skip
    reasons = Reasons(sheet)
    draw_table(sheet, columns, [_row(takes, r, reasons) for r in p.rows])
    reasons.write()


def _row(takes: Takes, r: PlacementRow, reasons: Reasons) -> list[Cell | str]:
    decimals = DECIMALS.get(r.quantity, 1)
    figures = [
        reasons.figure(getattr(r, name), r.unmeasured.get(name), decimals, brief=True) for name in ("before", "after")
    ]
    if r.partner is not None:
        name = takes.words("compare.placement_notch", partner=takes.label(r.partner))
    else:
        name = takes.words(QUANTITIES[r.quantity])
    if r.difference is None or r.error is None or r.word is None:
        why = reasons.missing(r.unmeasured.get("difference"), brief=True)
        return [name, takes.drum(r.drum), *figures, why, "–", "–"]
    difference = takes.words(
        "compare.full_changed", value=numbers.fixed(r.difference, decimals, sign=True),
        error=numbers.fixed(r.error, decimals),
    )  # fmt: skip
    word = Cell(takes.words(WORDS[r.word]), bold=r.word == "changed")
    return [name, takes.drum(r.drum), *figures, difference, word, str(r.n)]
