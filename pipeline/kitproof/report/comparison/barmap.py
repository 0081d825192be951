"""Bar by bar: a row per take, a column per bar, letters for what stands against a bar, and where exactly."""

from __future__ import annotations

from kitproof.comparison import BarReason, Reason, TakeBars
from kitproof.report import missing, numbers, style, telling
from kitproof.report.anatomy import block, caption, open_page
from kitproof.report.comparison.takes import Takes
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box
from kitproof.report.table import Cell, Column, draw_table, scaled
from kitproof.report.typeset import shorten_middle, upper_first

BARS_A_LINE = 24
ROW_H = 15.0
NAME_W = 74.0
MOST_LISTED = 60
LETTERS: dict[Reason, str] = {
    "clipping": "compare.bars_letter_clipping", "lost": "compare.bars_letter_lost",
    "noise": "compare.bars_letter_noise", "timing": "compare.bars_letter_timing",
    "missing": "compare.bars_letter_missing",
}  # fmt: skip


def draw(sheet: Sheet, takes: Takes) -> None:
    """Draw the map and the list of reasons, or say why there is none."""
    words, c = takes.words, takes.comparison
    title = words("compare.bars_title")
    sheet.new_page(title)
    with_bars = [b for b in c.bars if b.last_bar is not None]
    n_bars = max((b.last_bar or 0 for b in with_bars), default=0)
    enough = len(with_bars) >= 2
    line = words("compare.bars_line", n=n_bars, takes=len(with_bars)) if enough else words("compare.bars_line_none")
    open_page(sheet, title, "section:bars", 0, line)
    _without(sheet, takes)
    if not enough:
        return
    for first in range(1, n_bars + 1, BARS_A_LINE):
        _stretch(sheet, takes, with_bars, first, min(first + BARS_A_LINE - 1, n_bars))
    caption(sheet, words("compare.bars_key"))
    caption(sheet, words("compare.bars_caption", limit=numbers.fixed(_limit(takes), 0)))
    if len(with_bars) < 3:
        caption(sheet, words("compare.bars_missed_two"))
    _listing(sheet, takes)


def _limit(takes: Takes) -> float:
    return next(x.value for x in takes.comparison.limits if x.name == "stroke-off")


def _without(sheet: Sheet, takes: Takes) -> None:
    """Takes without bars and findings that are not listed in full."""
    words = takes.words
    reasons = [b.unmeasured.get("last_bar", "") for b in takes.comparison.bars if b.last_bar is None]
    if any(missing.REASONS.foreign(words, reason) for reason in reasons):
        block(sheet, words("common.in_english"), style.TICK, 2.0)
    for b in takes.comparison.bars:
        name = upper_first(takes.names[b.take])
        if b.last_bar is None:
            text = words("compare.bars_no_bars", reason=missing.said(words, b.unmeasured.get("last_bar", "")))
            block(sheet, words("common.titled", title=name, text=text), style.SMALL, 2.0)
        for code in b.incomplete:
            what = words.or_text(f"finding.{code}.title", words("compare.bars_missing_off"))
            block(sheet, words("compare.bars_incomplete", take=name, what=what), style.SMALL, 2.0)


def _stretch(sheet: Sheet, takes: Takes, rows: list[TakeBars], first: int, last: int) -> None:
    """Up to BARS_A_LINE bars of all takes."""
    sheet.need(ROW_H * (len(rows) + 1) + 14.0)
    marked: dict[tuple[int, int], set[Reason]] = {}
    for found in takes.comparison.bar_reasons:
        marked.setdefault((found.take, found.bar), set()).add(found.reason)
    letters = {
        place: "".join(takes.words(key) for reason, key in LETTERS.items() if reason in reasons)
        for place, reasons in marked.items()
    }
    with sheet.figure(_alternative(takes, rows, first, last, letters)):
        _map(sheet, takes, rows, first, last, letters)


def _alternative(takes: Takes, rows: list[TakeBars], first: int, last: int, letters: dict[tuple[int, int], str]) -> str:
    """What is read in place of the map."""
    words, told = takes.words, []
    for b in rows:
        marked = [f"{bar} {letters[b.take, bar]}" for bar in range(first, last + 1) if (b.take, bar) in letters]
        text = words("common.comma").join(marked) or words("alt.nothing")
        told.append(words("common.titled", title=takes.names[b.take], text=text))
    return words("alt.bars", first=first, last=last, rows=words("common.semicolon").join(told))


def _map(
    sheet: Sheet, takes: Takes, rows: list[TakeBars], first: int, last: int, letters: dict[tuple[int, int], str]
) -> None:
    cell_w = (sheet.text_w - NAME_W) / BARS_A_LINE
    top = sheet.y + 12.0
    for bar in range(first, last + 1):
        x = sheet.left + NAME_W + (bar - first + 0.5) * cell_w
        if bar == first or bar % 4 == 0:
            sheet.text(x, top - 3.0, str(bar), style.TICK, align="centre")
    for n, b in enumerate(rows):
        y = top + n * ROW_H
        name = shorten_middle(upper_first(takes.names[b.take]), style.LABEL, NAME_W - 6.0)
        sheet.text(sheet.left, y + 10.5, name, style.LABEL)
        for bar in range(first, min(last, b.last_bar or 0) + 1):
            box = Box(sheet.left + NAME_W + (bar - first) * cell_w, y, cell_w, ROW_H)
            marked = letters.get((b.take, bar), "")
            sheet.rect(box, fill=style.HEAT[1] if marked else None, stroke=style.HAIR)
            sheet.text(box.x + cell_w / 2, y + 10.5, marked[:3], style.TICK_BOLD, align="centre")
    sheet.y = top + len(rows) * ROW_H + 8.0


def _listing(sheet: Sheet, takes: Takes) -> None:
    words = takes.words
    reasons = takes.comparison.bar_reasons
    if not reasons:
        return
    columns = scaled(
        (
            Column(words("compare.rank_take"), 70.0, "left"), Column(words("compare.bars_bar"), 36.0),
            Column(words("compare.bars_time"), 52.0), Column(words("compare.bars_what"), 350.0, "left"),
        ),
        sheet.text_w,
    )  # fmt: skip
    rows: list[list[Cell | str]] = [
        [Cell(upper_first(takes.names[x.take]), one_line=True), str(x.bar), numbers.clock(x.time_s), _what(takes, x)]
        for x in reasons[:MOST_LISTED]
    ]
    draw_table(sheet, columns, rows)
    if len(reasons) > MOST_LISTED:
        caption(sheet, words("common.and_more", items=words("compare.more_see"), n=len(reasons) - MOST_LISTED))


def _what(takes: Takes, x: BarReason) -> str:
    words = takes.words
    if x.reason == "timing":
        side = words("compare.bars_late") if (x.value_ms or 0.0) > 0.0 else words("compare.bars_early")
        ms = numbers.fixed(abs(x.value_ms or 0.0), 0)
        return words("compare.bars_timing", drum=upper_first(takes.drum(x.drum)), ms=ms, side=side)
    if x.reason == "missing":
        return words("compare.bars_missing", drum=takes.drum(x.drum))
    ctx = takes.contexts[x.take - 1]
    finding = next((f for f in ctx.measurements.findings if f.code == x.code), None)
    title = telling.title(ctx, finding) if finding is not None else x.code
    channel = ctx.label(x.file) if x.file else words("common.whole_take")
    return words("compare.bars_finding", title=title, channel=channel)
