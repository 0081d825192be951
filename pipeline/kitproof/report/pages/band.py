"""For the band: one page without jargon: what they get, what to play to, where the bars are, what is wrong."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from kitproof.report import marks, numbers, style, telling
from kitproof.report.anatomy import bullet, open_page
from kitproof.report.context import Context, RankedFinding
from kitproof.report.sheet import Sheet
from kitproof.report.typeset import shorten_middle, text_width, wrap

KEY = "band"
FACE, BOLD = style.PLAIN, style.PLAIN_BOLD
BULLET_W, INDENT = 14.0, 26.0
MOST_BARS = 12
MOST_WRONG = 5
BAR_W = 100.0
# A middle half of beats narrower than this is called steady: 0.3 % of a usual tempo, where the finest ears need
# some 2 %. Source: own choice, well under what is heard, as a grid drifts away from it in the course of a song.
STEADY_BPM = 0.3


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw the page."""
    words = ctx.words
    title = words("band.title")
    sheet.new_page(title)
    open_page(sheet, title, f"section:{KEY}", 0, words("band.line", heading=ctx.heading))
    _part(sheet, ctx, "band.get", list(_what_you_get(ctx)))
    _part(sheet, ctx, "band.play_to", list(_what_to_play_to(ctx)))
    if ctx.bars:
        _bars(sheet, ctx)
    _part(sheet, ctx, "band.listening", list(_listening(ctx)))
    change = [words("band.may_change"), words("band.stays")]
    _wrong(sheet, ctx, keep=_part_height(sheet, change))
    _part(sheet, ctx, "band.change", change)


# ---------------------------------------------------------------- what is said
def _what_you_get(ctx: Context) -> Iterator[str]:
    words = ctx.words
    with_mics = {c.path for c in ctx.mics}
    kinds = Counter(
        (f.container, f.bit_depth, f.rate_hz)
        for f in ctx.take.files
        if f.path in with_mics and f.rate_hz and f.problem in (None, "truncated")
    )
    n = sum(kinds.values())
    if not n:
        yield words("band.nothing_readable")
        return
    (container, bits, rate_hz), most = kinds.most_common(1)[0]
    kind = words(
        "band.kind", container=container or "", bits=bits or "", rate=f"{(rate_hz or 0) / 1000:g}"
    )  # fmt: skip
    yield words.count("band.files", n, kind=kind, length=numbers.length(ctx.duration_s))
    if most < n:
        yield words("band.mixed")
    drums = [ctx.drum(d) for d in ctx.hits_by_drum if d != "unmiked"]
    if drums:
        yield words("band.drums", drums=ctx.listing(drums, 12))
    yield words("band.raw")


def _what_to_play_to(ctx: Context) -> Iterator[str]:
    words = ctx.words
    grids = ctx.measurements.observed.grids
    if not grids:
        yield words("band.no_pulse")
        return
    grid = grids[0]
    tempo = f"{grid.tempo_bpm:.1f}"
    if grid.source == "click":
        yield words("band.click", tempo=tempo)
    elif grid.source == "declared":
        yield words("band.declared", tempo=tempo, declared=f"{ctx.take.tempo_bpm or grid.tempo_bpm:g}")
    else:
        yield words("band.strokes", tempo=tempo)
    if grid.source != "click" and grid.tempo_spread_bpm >= STEADY_BPM:
        yield words("band.breathes", spread=f"{grid.tempo_spread_bpm:.1f}")
    yield words("band.start_together")


def _listening(ctx: Context) -> Iterator[str]:
    """What a player hears and might wonder about."""
    words = ctx.words
    if any(c.role.startswith("room") for c in ctx.channels):
        yield words("band.rooms")
    left = ctx.hat_side
    if left is not None:
        yield words("band.hat_left" if left else "band.hat_right")


# ---------------------------------------------------------------- how it is set
def _part(sheet: Sheet, ctx: Context, key: str, sentences: Sequence[str]) -> None:
    if not sentences:
        return
    _head(sheet, ctx, key)
    with sheet.tagged("L"):
        for sentence in sentences:
            rows = wrap(sentence, FACE, sheet.text_w - BULLET_W)
            sheet.need(len(rows) * FACE.leading)  # one page, but if words are many, better two than words off the paper
            sheet.y = bullet(sheet, sheet.left, sheet.y, rows, FACE, BULLET_W)
    sheet.y += 6.0


def _part_height(sheet: Sheet, sentences: Sequence[str]) -> float:
    """Room that a part with these sentences takes."""
    rows = sum(len(wrap(s, FACE, sheet.text_w - BULLET_W)) for s in sentences)
    return style.HEAD.leading + 4.0 + rows * FACE.leading + 12.0


def _head(sheet: Sheet, ctx: Context, key: str) -> None:
    sheet.need(style.HEAD.leading + 3 * FACE.leading)
    with sheet.tagged("H2"):
        sheet.y = sheet.lines(sheet.left, sheet.y + 2.0, [ctx.words(key)], style.HEAD) + 2.0


def _bars(sheet: Sheet, ctx: Context) -> None:
    """Where the sections, or every so many bars, begin."""
    lines = ctx.bars.lines()
    at = dict(lines)
    named = [(s.name, s.bar) for s in ctx.take.sections if s.bar in at]
    if not named:
        step = next((n for n in (1, 2, 4, 8, 16, 32, 64) if len(lines) <= n * MOST_BARS), 128)
        named = [("", bar) for bar, _ in lines[::step]]
    _head(sheet, ctx, "band.bars")
    source = "band.bars_sure" if ctx.bars.declared else "band.bars_found"
    sheet.y = sheet.lines(sheet.left, sheet.y, wrap(ctx.words(source), FACE, sheet.text_w), FACE) + 3.0
    per_row = max(1, int(sheet.text_w // (BAR_W if not named[0][0] else 2 * BAR_W)))
    width = sheet.text_w / per_row
    for i, (name, bar) in enumerate(named[: 4 * per_row]):
        x, y = sheet.left + (i % per_row) * width, sheet.y + (i // per_row) * FACE.leading
        base = y + 0.5 * FACE.leading + 0.36 * FACE.size
        label = f"{ctx.words('common.bar')} {bar}" if not name else f"{name}, {ctx.words('common.bar')} {bar}"
        time = numbers.length(at[bar])
        room = width - text_width(time, FACE.font, FACE.size) - 18.0
        with sheet.tagged("P"):
            used = sheet.text(x, base, shorten_middle(label, BOLD, room), BOLD)
            sheet.text(x + used + 6.0, base, time, FACE)
    sheet.y += -(-min(len(named), 4 * per_row) // per_row) * FACE.leading + 6.0


def _wrong(sheet: Sheet, ctx: Context, keep: float) -> None:
    """What is known to be wrong, in one sentence each: what has to be fixed, then what is to be decided.

    keep : room that what follows needs on this page; findings for which there is none are counted
    """
    found = [r for r in ctx.findings if r.finding.severity in ("fix", "look")]
    _head(sheet, ctx, "band.wrong")
    if not found:
        sheet.y = sheet.lines(sheet.left, sheet.y, wrap(ctx.words("band.nothing_wrong"), FACE, sheet.text_w), FACE)
        sheet.y += 6.0
        return
    shown = 0
    for ranked in found[:MOST_WRONG]:
        head, text = _told(sheet, ctx, ranked)
        more = FACE.leading if len(found) > shown + 1 else 0.0
        on_one_page = not sheet.narrow
        if on_one_page and shown and (len(head) + len(text)) * FACE.leading + 3.0 + more + keep > sheet.room:
            break
        sheet.need((len(head) + len(text)) * FACE.leading)
        marks.numbered(sheet, ranked, ((head, BOLD), (text, FACE)), INDENT)
        sheet.y += 3.0
        shown += 1
    if len(found) > shown:
        page = sheet.page_number("section:findings")
        text = wrap(ctx.words.count("band.more_wrong", len(found) - shown, page=page), FACE, sheet.text_w - INDENT)
        sheet.y = sheet.lines(sheet.left + INDENT, sheet.y, text, FACE)
    sheet.y += 6.0


def _told(sheet: Sheet, ctx: Context, ranked: RankedFinding) -> tuple[list[str], list[str]]:
    """Lines that say where and when, and lines that say what it means."""
    f = ranked.finding
    when = f" \u00b7 {ctx.when(f.times_s[0])}" if f.times_s else ""
    head = wrap(f"{ctx.subject(f, 2)}{when}", BOLD, sheet.text_w - INDENT, 2 if sheet.narrow else 1)
    most = None if sheet.narrow else 3
    return head, wrap(telling.meaning(ctx, f) or telling.message(ctx, f), FACE, sheet.text_w - INDENT, most)
