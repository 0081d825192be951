"""The room: when the snare reaches every distant mic, how much of it comes at once, and how it dies away."""

from __future__ import annotations

from kitproof.observed.room import OctaveDecay, RoomDecay
from kitproof.report import alternatives, missing, numbers, style
from kitproof.report.anatomy import block, caption, method, open_section, subhead
from kitproof.report.context import Context
from kitproof.report.figures.decays import draw_decays, longest_s, octave_label
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box
from kitproof.report.table import Cell, Column, Reasons, draw_table, scaled
from kitproof.report.typeset import shorten_middle

KEY = "room"
ROW_H = 17.0
LOW_DB, HIGH_DB, STEP_DB = -5, 30, 5
VALUE_W = 76.0
PANEL_H, PANEL_GAP, SCALE_W = 108.0, 14.0, 24.0
MOST_BESIDE, FEWEST_COLUMNS = 4, 3  # panels beside one another; a lone one is no wider than a third of the page
MIDDLE_HZ = (400.0, 1200.0)  # holds the octaves of 500 Hz and 1 kHz


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw figure and table, or say why there are none."""
    words = ctx.words
    rooms = [r for r in ctx.measurements.observed.room_decays if r.file in {c.file for c in ctx.channels}]
    known = [r for r in rooms if r.early_over_late_db is not None]
    if not known:
        open_section(sheet, KEY, words("room.line_none"), below=True)
        block(sheet, words("room.why_none"), style.BODY)
        return
    open_section(sheet, KEY, _line(ctx, known), below=True)
    rows = [(ctx.label(r.file), f"{numbers.fixed(r.early_over_late_db or 0.0)} dB") for r in known]
    with sheet.figure(alternatives.rows(ctx, "alt.room", rows)):
        _figure(sheet, ctx, known)
    caption(sheet, words("room.caption"))
    reasons = Reasons(sheet)
    _table(sheet, ctx, rooms, reasons)
    _octaves(sheet, ctx, [r for r in rooms if r.octaves], reasons)
    reasons.write()
    method(sheet, words("room.method"))


def _line(ctx: Context, known: list[RoomDecay]) -> str:
    decays = [(seconds, r.file) for r in known if (seconds := _middle(r, "t20_s")) is not None]
    livest = min(known, key=lambda r: r.early_over_late_db or 0.0)
    first = ctx.words("room.line", mic=ctx.label(livest.file), level=numbers.fixed(livest.early_over_late_db or 0.0, 0))
    if not decays:
        return ctx.words.sentences(first, ctx.words("room.line_no_decay"))
    seconds, file = max(decays)
    then = ctx.words("room.line_decay", seconds=numbers.fixed(seconds, 2), mic=ctx.label(file))
    return ctx.words.sentences(first, then)


def _middle_octaves(r: RoomDecay) -> list[OctaveDecay]:
    return [o for o in r.octaves if MIDDLE_HZ[0] < o.centre_hz < MIDDLE_HZ[1]]


def _middle(r: RoomDecay, field: str) -> float | None:
    """Mean over the middle octaves, as ISO 3382-1 takes a single figure; None if neither has one."""
    known = [v for o in _middle_octaves(r) if (v := getattr(o, field)) is not None]
    return sum(known) / len(known) if known else None


def _figure(sheet: Sheet, ctx: Context, known: list[RoomDecay]) -> None:
    """One row a mic: early over late, a dot with the middle half of the strokes."""
    box = Box(sheet.plot_x, sheet.y + 12.0, sheet.right - VALUE_W - sheet.plot_x, ROW_H * len(known))
    for db in range(LOW_DB, HIGH_DB + 1, STEP_DB):
        x = _x(box, float(db))
        sheet.line(x, box.y, x, box.bottom + 3.0)
        label = numbers.fixed(float(db), 0) + (" dB" if db == HIGH_DB else "")
        sheet.text(x, box.bottom + 11.0, label, style.TICK, align="centre")
    sheet.text(box.x, box.y - 4.0, ctx.words("room.more_room"), style.TICK)
    sheet.text(box.right, box.y - 4.0, ctx.words("room.more_direct"), style.TICK, align="right")
    for n, r in enumerate(known):
        y = box.y + (n + 0.5) * ROW_H
        sheet.text(sheet.left, y + 3.0, ctx.label(r.file), style.LABEL)
        middle, spread = r.early_over_late_db or 0.0, r.early_spread_db or 0.0
        a, b = _x(box, middle - spread / 2), _x(box, middle + spread / 2)
        sheet.rect(Box(a, y - 3.0, max(b - a, 1.0), 6.0), fill=style.TRACE)
        sheet.circle(_x(box, middle), y, 3.2, fill=style.INK)
        sheet.text(sheet.right, y + 2.7, f"{numbers.fixed(middle)} dB", style.TICK, align="right")
    sheet.y = box.bottom + 20.0


def _x(box: Box, db: float) -> float:
    return box.x + box.w * min(max((db - LOW_DB) / (HIGH_DB - LOW_DB), 0.0), 1.0)


def _table(sheet: Sheet, ctx: Context, rooms: list[RoomDecay], reasons: Reasons) -> None:
    words = ctx.words
    columns = scaled(
        (
            Column(words("room.mic"), 110.0, "left"), Column(words("room.first"), 80.0),
            Column(words("room.further"), 80.0), Column(words("room.early"), 80.0),
            Column(words("room.decay"), 80.0), Column(words("room.drum"), 80.0), Column(words("room.n"), 50.0),
        ),
        sheet.text_w,
    )  # fmt: skip
    rows: list[list[Cell | str]] = []
    for r in rooms:
        pair = next((p for p in ctx.measurements.pairs if p.b == r.file and p.drum == "snare"), None)
        first, further = "–", "–"
        if pair is not None and pair.delay_ms is not None and pair.path_cm is not None:
            first, further = numbers.fixed(pair.delay_ms, 2), f"{pair.path_cm / 100.0:.2f}"
        figures = [reasons.figure(r.early_over_late_db, r.unmeasured.get("early_over_late_db"), brief=True)]
        for field in ("t20_s", "drum_s"):
            why = next((o.unmeasured.get(field) for o in _middle_octaves(r) if o.unmeasured.get(field)), None)
            figures.append(reasons.figure(_middle(r, field), why or words("room.no_octaves"), 2, brief=True))
        name = Cell(ctx.label(r.file), bold=True, link=ctx.channel_anchor(r.file))
        rows.append([name, first, further, *figures, str(r.n_strokes)])
    draw_table(sheet, columns, rows)


# ---------------------------------------------------------------- octave by octave
def _octaves(sheet: Sheet, ctx: Context, rooms: list[RoomDecay], reasons: Reasons) -> None:
    """A small figure a mic and one table for all; a sentence where no octave of any mic could be read."""
    words = ctx.words
    heard = [r for r in rooms if any(o.t20_s is not None or o.early_s is not None for o in r.octaves)]
    if not heard:
        why = next((why for r in rooms for o in r.octaves for why in o.unmeasured.values()), None)
        if why is not None:
            block(sheet, words("room.no_octave", reason=missing.said(words, why)), style.SMALL)
        return
    n_columns = min(len(heard), MOST_BESIDE)
    n_rows = -(-len(heard) // n_columns)
    subhead(sheet, words("room.octaves"), keep_with=n_rows * PANEL_H)
    rows = [(ctx.label(r.file), _told(r)) for r in heard]
    with sheet.figure(alternatives.rows(ctx, "alt.decays", rows)):
        _panels(sheet, ctx, heard, n_columns)
    caption(sheet, words("room.caption_octaves"))
    _octave_table(sheet, ctx, rooms, reasons)


def _told(r: RoomDecay) -> str:
    """The decays of one mic in words."""
    known = [f"{octave_label(o.centre_hz)} Hz {numbers.fixed(o.t20_s, 2)} s" for o in r.octaves if o.t20_s is not None]
    return ", ".join(known) or "–"


def _panels(sheet: Sheet, ctx: Context, heard: list[RoomDecay], n_columns: int) -> None:
    top_s = longest_s([o for r in heard for o in r.octaves])
    width = (sheet.text_w - SCALE_W - (n_columns - 1) * PANEL_GAP) / max(n_columns, FEWEST_COLUMNS)
    for i, r in enumerate(heard):
        x = sheet.left + SCALE_W + (i % n_columns) * (width + PANEL_GAP)
        y = sheet.y + (i // n_columns) * PANEL_H
        name = shorten_middle(ctx.label(r.file), style.LABEL_BOLD, width)
        sheet.text(x, y + 9.0, name, style.LABEL_BOLD)
        box = Box(x, y + 15.0, width, PANEL_H - 33.0)
        draw_decays(sheet, r.octaves, box, top_s, scale=i % n_columns == 0)
    sheet.y += PANEL_H * -(-len(heard) // n_columns)


def _octave_table(sheet: Sheet, ctx: Context, rooms: list[RoomDecay], reasons: Reasons) -> None:
    """Two rows a mic, decay and first 10 dB, and one for the snare itself."""
    words = ctx.words
    names = [f"{octave_label(o.centre_hz)} Hz" for o in rooms[0].octaves]
    columns = scaled(
        (
            Column(words("room.mic"), 110.0, "left"), Column("", 120.0, "left"),
            *(Column(name, 54.0) for name in names),
        ),
        sheet.text_w,
    )  # fmt: skip
    rows: list[list[Cell | str]] = []
    for r in rooms:
        name = Cell(ctx.label(r.file), bold=True, link=ctx.channel_anchor(r.file))
        rows.append([name, words("room.fall"), *_seconds(r, "t20_s", reasons)])
        rows.append(["", words("room.first_fall"), *_seconds(r, "early_s", reasons)])
    rows.append([Cell(ctx.drum("snare"), bold=True), words("room.fall"), *_seconds(rooms[0], "drum_s", reasons)])
    draw_table(sheet, columns, rows)


def _seconds(r: RoomDecay, field: str, reasons: Reasons) -> list[str]:
    return [reasons.figure(getattr(o, field), o.unmeasured.get(field), 2, brief=True) for o in r.octaves]
