"""Page one of a comparison: what changed, which take, which take for which stretch."""

from __future__ import annotations

from kitproof.comparison import Block
from kitproof.report import style
from kitproof.report.anatomy import block, caption, open_document, subhead
from kitproof.report.comparison.lines import lines
from kitproof.report.comparison.takes import Takes
from kitproof.report.sheet import Sheet
from kitproof.report.table import Cell, Column, draw_table, scaled
from kitproof.report.typeset import shorten_middle, upper_first, wrap

MOST_LINES = 8
TAKE_W = 74.0
MOST_BLOCKS = 24


def draw(sheet: Sheet, takes: Takes) -> None:
    """Draw the page."""
    words = takes.words
    open_document(sheet, words("compare.title"))
    with sheet.tagged("H1"):
        sheet.y = sheet.paragraph(sheet.left, sheet.y, sheet.text_w, takes.heading, style.TITLE, max_lines=2) + 2.0
    found = lines(takes)
    block(sheet, words.count("compare.line", len(found), ref=takes.ref), style.LEAD)
    subhead(sheet, words("compare.title"))
    for line in found[:MOST_LINES]:
        rows = wrap(line.text, style.BODY, sheet.text_w - TAKE_W, 3)
        sheet.need(len(rows) * style.BODY.leading)
        name = shorten_middle(upper_first(takes.names[line.take]), style.BODY_BOLD, TAKE_W - 6.0)
        with sheet.tagged("P"):
            sheet.lines(sheet.left, sheet.y, [name], style.BODY_BOLD)
            sheet.y = sheet.lines(sheet.left + TAKE_W, sheet.y, rows, style.BODY) + 3.0
    if not found:
        block(sheet, words("compare.line_same", ref=takes.ref), style.BODY)
    if len(found) > MOST_LINES:
        block(sheet, words("compare.more", n=len(found) - MOST_LINES), style.BODY)
    subhead(sheet, words("compare.best_title"), keep_with=80.0)
    block(sheet, _best(takes), style.BODY)
    _ranks(sheet, takes)
    caption(sheet, words("compare.ranks_caption"))
    subhead(sheet, words("compare.comp_title"), keep_with=60.0)
    block(sheet, _comp(takes), style.BODY)
    if takes.comparison.comp and any(m.word == "changed" for m in takes.comparison.moves):
        block(sheet, words("compare.comp_moved"), style.BODY)


def _best(takes: Takes) -> str:
    best = [takes.names[r.take] for r in takes.comparison.ranks if r.best]
    if not best:
        return takes.words("compare.best_none")
    if len(best) == 1:
        return takes.words("compare.best_one", take=best[0])
    return takes.words("compare.best_tie", takes=takes.listing(best))


def _ranks(sheet: Sheet, takes: Takes) -> None:
    words, c = takes.words, takes.comparison
    columns = scaled(
        (
            Column(words("compare.rank_take"), 70.0, "left"), Column(words("compare.rank_name"), 130.0, "left"),
            Column(words("compare.rank_hits"), 56.0), Column(words("compare.rank_fix"), 56.0),
            Column(words("compare.rank_damaged"), 66.0), Column(words("compare.rank_look"), 60.0),
            Column(words("compare.rank_bars"), 60.0),
        ),
        sheet.text_w,
    )  # fmt: skip
    bars = {b.take: b.last_bar for b in c.bars}
    rows: list[list[Cell | str]] = []
    for t, r in zip(c.takes, c.ranks, strict=True):
        marked = len({x.bar for x in c.bar_reasons if x.take == t.number})
        last = bars.get(t.number)
        figures = [str(r.n_fix), str(r.n_damaged), str(r.n_look)]
        if not r.judged:
            figures = [words("compare.rank_unjudged"), "–", "–"]
        rows.append([Cell(upper_first(takes.names[t.number]), bold=r.best, one_line=True), Cell(t.name, one_line=True),
                     str(t.n_hits), *figures, "–" if last is None else f"{marked} / {last}"])  # fmt: skip
    draw_table(sheet, columns, rows)


def stretch(takes: Takes, b: Block) -> str:
    """What a block is called: "bars 1–8", "chorus, bars 9–16"."""
    if b.name:
        return takes.words("compare.comp_named", name=b.name, first=b.first_bar, last=b.last_bar)
    return takes.words("compare.comp_bars", first=b.first_bar, last=b.last_bar)


def _comp(takes: Takes) -> str:
    words, blocks = takes.words, takes.comparison.comp
    if not blocks:
        return words("compare.comp_none")
    told = []
    for b in blocks[:MOST_BLOCKS]:
        names = takes.listing([takes.names[n] for n in b.takes])
        if len(b.takes) > 1:
            everybody = len(b.takes) == sum(n is not None for n in b.n_marked)
            names = words("compare.comp_all") if everybody else words("compare.comp_tie", takes=names)
        told.append(words("compare.comp_line", stretch=stretch(takes, b), takes=names))
    return words("compare.comp_ear", blocks=words("common.semicolon").join(told))
