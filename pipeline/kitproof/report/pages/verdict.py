"""Page one: keep, fix or redo, why, and where to read on. Made to be read on a phone, by anyone in the band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from kitproof.model import Finding, VerdictWord
from kitproof.report import alternatives, marks, numbers, style, telling
from kitproof.report.anatomy import bullet, open_document
from kitproof.report.context import Context, RankedFinding
from kitproof.report.figures.strip import draw_strip, strip_height
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box, TextStyle
from kitproof.report.typeset import fitted, shorten_middle, text_width, wrap

KEY = "verdict"
INDENT = 26.0
BULLET_W = 12.0
COLUMN_GAP = 20.0
LEAD_GAP = 6.0
LEAST_VERDICT_PT = 24.0  # a long word of another language is set smaller, down to this
TOP = 40.0
ROW_H = (15.0, 9.5)  # tallest and lowest row of the strip
VERDICT_KEYS: dict[VerdictWord, str] = {
    "keep": "verdict.keep",
    "fix-and-redo": "verdict.fix_and_redo",
    "redo": "verdict.redo",
    "unknown": "verdict.unknown",
}
# who reads on where: wording of who and why, section that the row leads to
READ_ON = (
    ("verdict.for_drummer", "verdict.for_drummer_what", "section:findings"),
    ("verdict.for_mixer", "verdict.for_mixer_what", "section:arrival"),
    ("verdict.for_band", "verdict.for_band_what", "section:band"),
    ("verdict.for_archive", "verdict.for_archive_what", "section:inputs"),
)


@dataclass(frozen=True, slots=True)
class _Fit:
    """How generously the page is set: text size and most lines of each part."""

    size: float
    sentence: int
    message: int
    action: int
    listed: int  # items in each of the two lists
    item: int  # lines per item


# from generous to tight; the first that fits is used, 11 pt is the least
FITS = (
    _Fit(12.5, 9, 9, 9, 9, 9),
    _Fit(12.0, 4, 4, 4, 6, 3),
    _Fit(11.5, 4, 3, 3, 5, 2),
    _Fit(11.0, 3, 3, 2, 5, 2),
    _Fit(11.0, 3, 2, 2, 4, 1),
    _Fit(11.0, 3, 2, 2, 2, 1),
)


@dataclass(frozen=True, slots=True)
class _RedLine:
    ranked: RankedFinding
    head: list[str]
    message: list[str]
    lead: str  # "Do now:"
    action: list[str]

    @property
    def n_lines(self) -> int:
        return len(self.head) + len(self.message) + len(self.action)


class _Layout:
    """Page one, broken into lines for one setting, so that its height is known before it is drawn."""

    def __init__(self, sheet: Sheet, ctx: Context, fit: _Fit) -> None:
        self.body = TextStyle(style.SANS, fit.size, round(fit.size * 1.34, 1))
        self.bold = TextStyle(style.BOLD, fit.size, round(fit.size * 1.34, 1))
        width = sheet.text_w
        self.sentence = wrap(telling.verdict_sentence(ctx), self.body, width, fit.sentence)
        self.red = [_red_line(ctx, r, self.body, self.bold, width - INDENT, fit) for r in ctx.red_lines]
        self.more = wrap(more_line(sheet, ctx), self.body, width, 2)
        half = (width - COLUMN_GAP) / 2
        open_checks = [telling.check(ctx, n) for n in ctx.measurements.not_checked]
        self.good = self._items(sheet, telling.good(ctx), half, fit, "verdict.nothing_good")
        self.unchecked = self._items(sheet, open_checks, half, fit, "verdict.all_checked")

    def _items(self, sheet: Sheet, items: Sequence[str], width: float, fit: _Fit, none: str) -> list[list[str]]:
        words = sheet.words
        shown = list(items[: fit.listed]) if len(items) <= fit.listed else list(items[: fit.listed - 1])
        if len(items) > len(shown):
            page = sheet.page_number("section:findings")
            shown.append(words("verdict.more_items", n=len(items) - len(shown), page=page))
        return [wrap(item, self.body, width - BULLET_W, fit.item) for item in shown or [words(none)]]

    @property
    def list_lines(self) -> int:
        """Lines of the longer of the two lists."""
        return max(sum(len(rows) for rows in items) for items in (self.good, self.unchecked))

    @property
    def height(self) -> float:
        """Height of everything but the strip."""
        pitch = self.body.leading
        red = sum(r.n_lines * pitch + 7.0 for r in self.red)
        lists = style.HEAD.leading + 3.0 + self.list_lines * pitch
        read_on = style.HEAD.leading + 3.0 + len(READ_ON) * (pitch + 1.0)
        top = style.LEAD.leading + style.VERDICT.leading + len(self.sentence) * pitch + 14.0
        return top + red + len(self.more) * pitch + lists + read_on + style.HEAD.leading + 50.0


def _red_line(
    ctx: Context, ranked: RankedFinding, body: TextStyle, bold: TextStyle, width: float, fit: _Fit
) -> _RedLine:
    finding = ranked.finding
    lead = ctx.words("verdict.action")
    lead_w = text_width(lead, bold.font, bold.size) + LEAD_GAP
    return _RedLine(
        ranked,
        wrap(where_and_how_much(ctx, finding), bold, width, 2),
        wrap(telling.message(ctx, finding), body, width, fit.message),
        lead,
        wrap(telling.action(ctx, finding), body, width - lead_w, fit.action),
    )


def where_and_how_much(ctx: Context, finding: Finding) -> str:
    """Channel, time and number of a finding in one line: "snare top · 1:04.2 (bar 28), 12 places · −3.1 dBFS"."""
    parts = [ctx.subject(finding, 2)]
    if finding.times_s:
        when = ctx.when(finding.times_s[0])
        n = max(finding.n_times, len(finding.times_s))
        parts.append(when if n == 1 else ctx.words("common.first_of", when=when, n=n))
    else:
        parts.append(ctx.words("common.throughout"))
    return " · ".join(part for part in (*parts, telling.value(ctx, finding)) if part)


def more_line(sheet: Sheet, ctx: Context) -> str:
    """What else there is to read: the findings that are no red lines."""
    rest = len(ctx.findings) - len(ctx.red_lines)
    if not ctx.findings:
        unknown = ctx.measurements.verdict.word == "unknown"
        return ctx.words("verdict.no_findings_unknown" if unknown else "verdict.no_findings")
    if rest == 0:
        return ctx.words("verdict.no_more")
    return ctx.words.count("verdict.more", rest, page=sheet.page_number("section:findings"))


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw page one."""
    open_document(sheet, ctx.words("verdict.title"))
    made_by = ctx.words("verdict.made_by", version=ctx.version)
    with sheet.artifact():
        sheet.text(sheet.left, sheet.height - style.FOOT_ROOM + 26.0, made_by, style.TICK)
    sheet.y = TOP
    layout, row_h = _fit(sheet, ctx)
    _headline(sheet, ctx, layout)
    with sheet.tagged("L"):
        for red in layout.red:
            with sheet.tagged("LI"):
                _write_red_line(sheet, red, layout)
    sheet.y = sheet.lines(sheet.left, sheet.y, layout.more, layout.body) + 8.0
    _strip(sheet, ctx, row_h)
    _two_lists(sheet, ctx, layout)
    _read_on(sheet, ctx, layout)


def facts(ctx: Context) -> str:
    """How many mics the take has, and how long it is."""
    key = "verdict.facts" if ctx.duration_s > 0.0 else "verdict.facts_unread"
    return ctx.words.count(key, len(ctx.mics), length=numbers.length(ctx.duration_s))


def _fit(sheet: Sheet, ctx: Context) -> tuple[_Layout, float]:
    """The most generous setting that fits, and the height of the strip's rows."""
    available = sheet.bottom + 14.0 - sheet.y
    width = sheet.right - sheet.plot_x
    rows = max(len(ctx.hits_by_drum), 1)
    for fit in FITS:
        layout = _Layout(sheet, ctx, fit)
        left = available - layout.height - strip_height(ctx, 0.0, width)
        if left >= rows * ROW_H[1]:
            break
    return layout, min(max(left / rows, 7.0), ROW_H[0])


def _headline(sheet: Sheet, ctx: Context, layout: _Layout) -> None:
    verdict = ctx.measurements.verdict
    words = ctx.words
    size = facts(ctx)
    bold = TextStyle(style.BOLD, style.LEAD.size, style.LEAD.leading)
    quiet = TextStyle(style.SANS, style.LEAD.size, style.LEAD.leading, style.QUIET)
    base = sheet.y + style.LEAD.size
    room = sheet.text_w - text_width(size, quiet.font, quiet.size) - style.GAP
    sheet.text(sheet.left, base, shorten_middle(ctx.heading, bold, room), bold)
    sheet.text(sheet.right, base, size, quiet, align="right")
    sheet.y += style.LEAD.leading + 2.0
    sheet.line(sheet.left, sheet.y, sheet.right, sheet.y, style.INK, 1.2)
    sheet.y += 4.0
    word = words(VERDICT_KEYS[verdict.word])
    face = fitted(word, style.VERDICT, sheet.text_w, LEAST_VERDICT_PT)
    with sheet.tagged("H1"):
        sheet.y = sheet.lines(sheet.left, sheet.y, [shorten_middle(word, face, sheet.text_w)], face)
    sheet.y = sheet.lines(sheet.left, sheet.y, layout.sentence, layout.body) + 8.0


def _write_red_line(sheet: Sheet, red: _RedLine, layout: _Layout) -> None:
    top = sheet.y
    x = sheet.left + INDENT
    with sheet.tagged("Lbl"):
        marks.balloon(sheet, sheet.left + 9.0, top + 0.5 * layout.body.leading, red.ranked, link=False)
    with sheet.tagged("LBody"):
        sheet.y = sheet.lines(x, sheet.y, red.head, layout.bold)
        sheet.y = sheet.lines(x, sheet.y, red.message, layout.body)
        lead_w = text_width(red.lead, layout.bold.font, layout.bold.size) + LEAD_GAP
        sheet.lines(x, sheet.y, [red.lead], layout.bold)
        sheet.y = sheet.lines(x + lead_w, sheet.y, red.action, layout.body)
        sheet.link(Box(sheet.left, top, sheet.text_w, sheet.y - top), red.ranked.anchor)
    sheet.y += 7.0


def _strip(sheet: Sheet, ctx: Context, row_h: float) -> None:
    sheet.line(sheet.left, sheet.y, sheet.right, sheet.y)
    sheet.y += 5.0
    label = TextStyle(style.SANS, 10.0 if row_h >= 11.0 else 8.5, 12.0)
    quiet = TextStyle(style.SANS, label.size, label.leading, style.QUIET)
    base = sheet.y + 0.5 * style.HEAD.leading + 0.36 * style.HEAD.size
    empty = not ctx.hits_by_drum
    title = ctx.words("strip.title")
    room = sheet.text_w - text_width(title, style.HEAD.font, style.HEAD.size) - style.GAP
    key = shorten_middle(ctx.words("strip.empty" if empty else "strip.key"), quiet, room)
    with sheet.tagged("H2"):
        sheet.y = sheet.lines(sheet.left, sheet.y, [title], style.HEAD)
    sheet.text(sheet.right, base, key, quiet, align="right")
    if not empty or any(r.finding.times_s for r in ctx.findings):
        with sheet.figure(alternatives.strip(ctx)):
            sheet.y = draw_strip(sheet, ctx, sheet.y, row_h, label)
    sheet.y += 4.0
    sheet.line(sheet.left, sheet.y, sheet.right, sheet.y)
    sheet.y += 6.0


def _two_lists(sheet: Sheet, ctx: Context, layout: _Layout) -> None:
    half = (sheet.text_w - COLUMN_GAP) / 2
    top, ends = sheet.y, []
    for x, title, items in (
        (sheet.left, "verdict.good", layout.good),
        (sheet.left + half + COLUMN_GAP, "verdict.unchecked", layout.unchecked),
    ):
        with sheet.tagged("H2"):
            y = sheet.lines(x, top, [ctx.words(title)], style.HEAD) + 3.0
        with sheet.tagged("L"):
            for rows in items:
                y = bullet(sheet, x, y, rows, layout.body, BULLET_W)
        ends.append(y)
    sheet.y = max(ends) + 8.0


def _read_on(sheet: Sheet, ctx: Context, layout: _Layout) -> None:
    sheet.line(sheet.left, sheet.y, sheet.right, sheet.y)
    sheet.y += 5.0
    with sheet.tagged("H2"):
        sheet.y = sheet.lines(sheet.left, sheet.y, [ctx.words("verdict.read_on")], style.HEAD) + 3.0
    pitch = layout.body.leading + 1.0
    for who, what, anchor in READ_ON:
        base = sheet.y + 0.5 * pitch + 0.36 * layout.body.size
        name = shorten_middle(ctx.words(who), layout.bold, style.LABEL_W - LEAD_GAP)
        page = ctx.words("common.page", page=sheet.page_number(anchor))
        room = sheet.right - text_width(page, layout.body.font, layout.body.size) - style.GAP - sheet.plot_x
        with sheet.tagged("P"):
            sheet.text(sheet.left, base, name, layout.bold)
            sheet.text(sheet.plot_x, base, shorten_middle(ctx.words(what), layout.body, room), layout.body)
            sheet.text(sheet.right, base, page, layout.body, align="right")
            sheet.link(Box(sheet.left, sheet.y, sheet.text_w, pitch), anchor)
        sheet.y += pitch
