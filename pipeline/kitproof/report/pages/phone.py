"""The first pages on a phone: what page one says, in one column, in a size that is read without zooming."""

from __future__ import annotations

from collections.abc import Sequence

from kitproof.report import alternatives, marks, style, telling
from kitproof.report.anatomy import block, bullet, open_document, subhead
from kitproof.report.context import Context, RankedFinding
from kitproof.report.figures.strip import draw_strip, strip_height
from kitproof.report.pages import verdict
from kitproof.report.sheet import Sheet
from kitproof.report.style import TextStyle
from kitproof.report.typeset import fitted, shorten_middle, wrap

KEY = "phone"
FACE, BOLD = style.PLAIN, style.PLAIN_BOLD
WORD = TextStyle(style.SERIF, 34.0, 40.0)
INDENT = 24.0
BULLET_W = 12.0
ROW_H = 13.0
LEAST_KEPT = 3  # lines of a part that stay together


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw the verdict, its red lines, the strip, what is good and what was not checked."""
    words = ctx.words
    open_document(sheet, words("verdict.title"))
    _headline(sheet, ctx)
    for ranked in ctx.red_lines:
        _red_line(sheet, ctx, ranked)
    block(sheet, verdict.more_line(sheet, ctx), FACE, after=8.0)
    _strip(sheet, ctx)
    _list(sheet, ctx, "verdict.good", telling.good(ctx) or [words("verdict.nothing_good")])
    unchecked = [telling.check(ctx, n) for n in ctx.measurements.not_checked]
    _list(sheet, ctx, "verdict.unchecked", unchecked or [words("verdict.all_checked")])
    sheet.y += 8.0
    block(sheet, words("phone.whole"), style.SMALL)


def _headline(sheet: Sheet, ctx: Context) -> None:
    words = ctx.words
    sheet.y = sheet.lines(sheet.left, sheet.y, [shorten_middle(ctx.heading, BOLD, sheet.text_w)], BOLD)
    sheet.y = sheet.lines(sheet.left, sheet.y, [verdict.facts(ctx)], style.SMALL) + 4.0
    word = words(verdict.VERDICT_KEYS[ctx.measurements.verdict.word])
    face = fitted(word, WORD, sheet.text_w, verdict.LEAST_VERDICT_PT)
    with sheet.tagged("H1"):
        sheet.y = sheet.lines(sheet.left, sheet.y, wrap(word, face, sheet.text_w), face)
    block(sheet, telling.verdict_sentence(ctx), FACE, after=8.0)


def _red_line(sheet: Sheet, ctx: Context, ranked: RankedFinding) -> None:
    finding, width = ranked.finding, sheet.text_w - INDENT
    told = wrap(telling.message(ctx, finding), FACE, width)
    do = wrap(f"{ctx.words('verdict.action')} {telling.action(ctx, finding)}", FACE, width)
    head = wrap(verdict.where_and_how_much(ctx, finding), BOLD, width)
    sheet.need(min((len(head) + len(told) + len(do)) * FACE.leading, sheet.bottom - sheet.grid.head_room))
    marks.numbered(sheet, ranked, ((head, BOLD), (told, FACE), (do, FACE)), INDENT)
    sheet.y += 7.0


def _strip(sheet: Sheet, ctx: Context) -> None:
    if not ctx.hits_by_drum and not any(r.finding.times_s for r in ctx.findings):
        return
    height = strip_height(ctx, ROW_H, sheet.right - sheet.plot_x)
    subhead(sheet, ctx.words("strip.title"), keep_with=height)
    with sheet.figure(alternatives.strip(ctx)):
        sheet.y = draw_strip(sheet, ctx, sheet.y, ROW_H, style.LABEL) + 4.0


def _list(sheet: Sheet, ctx: Context, title: str, items: Sequence[str]) -> None:
    subhead(sheet, ctx.words(title), keep_with=LEAST_KEPT * FACE.leading)
    with sheet.tagged("L"):
        for item in items:
            rows = wrap(item, FACE, sheet.text_w - BULLET_W)
            sheet.need(min(len(rows), LEAST_KEPT) * FACE.leading)
            sheet.y = bullet(sheet, sheet.left, sheet.y, rows, FACE, BULLET_W)
