"""Every finding in full, what has to be fixed first; and what was not checked."""

from __future__ import annotations

from kitproof.model import Severity
from kitproof.report import marks, numbers, style, telling
from kitproof.report.anatomy import block, caption, method, open_section, subhead
from kitproof.report.context import SEVERITIES, Context, RankedFinding
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box, TextStyle
from kitproof.report.table import Column, draw_table, scaled
from kitproof.report.typeset import text_width, wrap

KEY = "findings"
INDENT = 24.0
KEY_W = 100.0  # column of the lead-in words
ROW_KEYS = (
    "findings.where", "findings.number", "findings.means", "findings.do", "findings.else", "findings.how_sure",
)  # fmt: skip
MOST_TIMES = 8
KEPT_NARROW = 2  # rows that stay with a finding's head on a narrow page, where a whole finding may take one
SEVERITY_KEYS: dict[Severity, tuple[str, str]] = {
    "fix": ("findings.fix", "findings.fix_lead"),
    "look": ("findings.look", "findings.look_lead"),
    "note": ("findings.note", "findings.note_lead"),
}
# least confidence of each word
CONFIDENCE = ((0.9, "findings.sure"), (0.75, "findings.likely"), (0.5, "findings.maybe"), (0.0, "findings.doubtful"))


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw all findings and the list of checks that were not made."""
    words = ctx.words
    counts = [words.count(f"findings.count_{s}", ctx.count(s)) for s in SEVERITIES]
    unchecked = words.count("findings.count_unchecked", len(ctx.measurements.not_checked))
    open_section(sheet, KEY, words("findings.line", fix=counts[0], look=counts[1], note=counts[2], unchecked=unchecked))
    caption(sheet, words("findings.caption"))
    if not ctx.findings:
        block(sheet, words("findings.none"), style.BODY)
    for severity in SEVERITIES:
        group = [r for r in ctx.findings if r.finding.severity == severity]
        if group:
            title, lead = SEVERITY_KEYS[severity]
            subhead(sheet, words(title), keep_with=90.0)
            block(sheet, words(lead), style.SMALL, after=8.0)
        for ranked in group:
            _finding(sheet, ctx, ranked)
    _not_checked(sheet, ctx)
    method(sheet, words("findings.method"))


def confidence_words(ctx: Context, confidence: float) -> str:
    """Confidence in words and number: "likely (0.80)"."""
    word = next(key for least, key in CONFIDENCE if confidence >= least)
    return ctx.words("findings.confidence", word=ctx.words(word), number=numbers.fixed(confidence, 2))


def times_text(ctx: Context, ranked: RankedFinding) -> str:
    """When it happens: the first times, with bars, and how many more."""
    finding = ranked.finding
    if not finding.times_s:
        return ctx.words("common.throughout")
    shown = [ctx.when(t) for t in finding.times_s[:MOST_TIMES]]
    rest = max(finding.n_times, len(finding.times_s)) - len(shown)
    times = ctx.words("common.comma").join(shown)
    return ctx.words("common.and_more", items=times, n=rest) if rest > 0 else times


def _rows(ctx: Context, ranked: RankedFinding) -> list[tuple[str, str]]:
    """Lead-in and text of each line below a finding's sentence."""
    words, finding = ctx.words, ranked.finding
    where = ctx.subject(finding, 6)
    rows = [("findings.where", words("findings.where_and_when", where=where, when=times_text(ctx, ranked)))]
    rows.append(("findings.number", telling.value(ctx, finding)))
    rows.append(("findings.means", telling.meaning(ctx, finding)))
    rows.append(("findings.do", telling.action(ctx, finding)))
    rows.append(("findings.else", telling.else_maybe(ctx, finding)))
    rows.append(("findings.how_sure", confidence_words(ctx, finding.confidence)))
    return [(words(key), text) for key, text in rows if text]


def _key_width(ctx: Context) -> float:
    """Width of the column of lead-in words, the same for all findings."""
    longest = max(text_width(ctx.words(key), style.LABEL.font, style.LABEL.size) for key in ROW_KEYS)
    return max(KEY_W, longest + 8.0)


def _finding(sheet: Sheet, ctx: Context, ranked: RankedFinding) -> None:
    """One finding; on a narrow page the lead-in words stand above their text, which is larger, not beside it."""
    text_w = sheet.text_w - INDENT
    head = wrap(telling.message(ctx, ranked.finding), style.BODY_BOLD, text_w)
    key_w, face = (0.0, style.BODY) if sheet.narrow else (_key_width(ctx), style.LABEL)
    rows = [(key, wrap(text, face, text_w - key_w)) for key, text in _rows(ctx, ranked)]
    together = rows[:KEPT_NARROW] if sheet.narrow else rows
    height = len(head) * style.BODY_BOLD.leading + sum(len(r) for _, r in together) * face.leading + 24.0
    sheet.need(min(height, sheet.bottom - sheet.grid.head_room))
    sheet.anchor(ranked.anchor)
    x = sheet.left + INDENT
    with sheet.tagged("H3"):
        marks.balloon(sheet, sheet.left + 8.5, sheet.y + 0.5 * style.BODY_BOLD.leading, ranked, link=False)
        sheet.y = sheet.lines(x, sheet.y, head, style.BODY_BOLD) + 1.0
    quiet = TextStyle(style.SANS, style.LABEL.size, style.LABEL.leading, style.QUIET)
    for n, (key, lines) in enumerate(rows):
        above = quiet.leading if sheet.narrow else 0.0
        sheet.need(above + len(lines) * face.leading)
        with sheet.tagged("P"):
            sheet.lines(x, sheet.y, [key], quiet)
            top, sheet.y = sheet.y, sheet.lines(x + key_w, sheet.y + above, lines, face)
        if n == 0 and ranked.finding.files:
            sheet.link(Box(x, top, text_w, sheet.y - top), ctx.channel_anchor(ranked.finding.files[0]))
    if ctx.moment(ranked.finding) is not None and not sheet.narrow:
        anchor = f"evidence:{ranked.number}"
        see = ctx.words("evidence.see", page=sheet.page_number(anchor))
        sheet.lines(x, sheet.y, [see], quiet)
        sheet.link(Box(x, sheet.y, text_w, quiet.leading), anchor)
        sheet.y += quiet.leading
    sheet.y += 11.0


def _not_checked(sheet: Sheet, ctx: Context) -> None:
    words = ctx.words
    sheet.need(90.0)
    sheet.anchor("not-checked")
    subhead(sheet, words("findings.unchecked"), keep_with=60.0)
    if not ctx.measurements.not_checked:
        block(sheet, words("verdict.all_checked"), style.BODY)
        return
    if sheet.narrow:
        for one in ctx.measurements.not_checked:
            block(sheet, telling.check(ctx, one), style.BODY_BOLD, after=0.0)
            block(sheet, telling.why(ctx, one), style.BODY)
        return
    columns = scaled(
        (Column(words("findings.check"), 40.0, "left"), Column(words("findings.why"), 60.0, "left")), sheet.text_w
    )
    rows = [(telling.check(ctx, n), telling.why(ctx, n)) for n in ctx.measurements.not_checked]
    draw_table(sheet, columns, rows, face=style.LABEL, bold=style.LABEL_BOLD)
