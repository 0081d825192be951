"""Evidence: every mic at the first place of a finding. No page where no finding has a place."""

from __future__ import annotations

from kitproof.model import MomentPicture
from kitproof.report import alternatives, marks, style
from kitproof.report.anatomy import caption, open_section
from kitproof.report.context import Context, RankedFinding
from kitproof.report.figures.moment import MOST_ROWS, draw_moment, moment_height
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box
from kitproof.report.typeset import shorten_middle

KEY = "evidence"


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw a figure for each finding that was pictured, two to a page where they fit."""
    pictured = [(r, m) for r in ctx.findings if (m := ctx.moment(r.finding)) is not None]
    if not pictured:
        return
    open_section(sheet, KEY, ctx.words("evidence.line"))
    caption(sheet, ctx.words("evidence.caption"))
    for ranked, moment in pictured:
        _one(sheet, ctx, ranked, moment)


def _one(sheet: Sheet, ctx: Context, ranked: RankedFinding, moment: MomentPicture) -> None:
    sheet.need(moment_height(moment) + style.BODY_BOLD.leading + 30.0)
    sheet.anchor(f"evidence:{ranked.number}")
    middle = sheet.y + 0.5 * style.BODY_BOLD.leading
    head = ctx.words(
        "evidence.head", number=ranked.number, where=ctx.subject(ranked.finding), when=ctx.when(moment.time_s)
    )
    shown = shorten_middle(head, style.BODY_BOLD, sheet.text_w - 26.0)
    top = sheet.y
    with sheet.artifact():  # the heading names the number
        marks.balloon(sheet, sheet.left + 8.5, middle, ranked, link=False)
    with sheet.tagged("H2"):
        sheet.y = sheet.lines(sheet.left + 26.0, sheet.y, [shown], style.BODY_BOLD) + 4.0
        sheet.link(Box(sheet.left, top, sheet.text_w, sheet.y - top), ranked.anchor)
    with sheet.figure(alternatives.moment(ctx, moment)):
        draw_moment(sheet, ctx, moment)
    left_out = len(moment.files) - MOST_ROWS
    if left_out > 0:
        sheet.y = sheet.lines(sheet.plot_x, sheet.y, [ctx.words("evidence.more_mics", n=left_out)], style.TICK)
    sheet.y += 12.0
