"""The room: when the snare reaches every distant mic, how much of it comes at once, and how it dies away."""

from __future__ import annotations

from kitproof.observed.room import RoomDecay
from kitproof.report import alternatives, numbers, style
from kitproof.report.anatomy import block, caption, method, open_section
from kitproof.report.context import Context
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box
from kitproof.report.table import Cell, Column, Reasons, draw_table, scaled

KEY = "room"
ROW_H = 17.0
LOW_DB, HIGH_DB, STEP_DB = -5, 30, 5
VALUE_W = 76.0
MIDDLE_HZ = (400.0, 1200.0)  # holds the octaves of 500 Hz and 1 kHz


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw figure and table, or say why there are none."""
    words = ctx.words
    rooms = [r for r in ctx.measurements.observed.room_decays if r.file in {c.file for c in ctx.channels}]
    known = [r for r in rooms if r.early_over_late_db is not None]
    if not known:
        open_section(sheet, KEY, words("room.line_none"))
        block(sheet, words("room.why_none"), style.BODY)
        return
    open_section(sheet, KEY, _line(ctx, known))
    rows = [(ctx.label(r.file), f"{numbers.fixed(r.early_over_late_db or 0.0)} dB") for r in known]
    with sheet.figure(alternatives.rows(ctx, "alt.room", rows)):
        _figure(sheet, ctx, known)
    caption(sheet, words("room.caption"))
    reasons = Reasons(sheet)
    _table(sheet, ctx, rooms, reasons)
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


def _middle(r: RoomDecay, field: str) -> float | None:
    """Mean over the middle octaves, as ISO 3382-1 takes a single figure; None if neither has one."""
    values = [getattr(o, field) for o in r.octaves if MIDDLE_HZ[0] < o.centre_hz < MIDDLE_HZ[1]]
    known = [v for v in values if v is not None]
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
            why = next((o.unmeasured.get(field) for o in r.octaves if o.unmeasured.get(field)), None)
            figures.append(reasons.figure(_middle(r, field), why or words("room.no_octaves"), 2, brief=True))
        name = Cell(ctx.label(r.file), bold=True, link=ctx.channel_anchor(r.file))
        rows.append([name, first, further, *figures, str(r.n_strokes)])
    draw_table(sheet, columns, rows)
