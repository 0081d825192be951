"""Tuning: the pitch every drum settles on, how long it rings, and what the wires of the snare answer."""

from __future__ import annotations

import math

from kitproof.observed.instrument import DrumRing, WireBuzz
from kitproof.report import alternatives, numbers, style
from kitproof.report.anatomy import block, caption, method, open_section, subhead
from kitproof.report.context import Context
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box
from kitproof.report.table import Cell, Column, Reasons, draw_table, scaled
from kitproof.roles import DRUM_ORDER

KEY = "tuning"
ROW_H = 18.0
LOW_HZ, HIGH_HZ = 30.0, 500.0
TICKS_HZ = (30, 40, 50, 60, 80, 100, 150, 200, 300, 400, 500)
UNNAMED_HZ = (400,)  # its number would touch the last one
NAME_W = 150.0  # right of the figure


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw figure and tables, or say why there are none."""
    words = ctx.words
    place = {drum: i for i, drum in enumerate(DRUM_ORDER)}
    rings = sorted(ctx.measurements.observed.rings, key=lambda r: place.get(r.drum, 99))
    known = [r for r in rings if r.late_hz is not None or r.early_hz is not None]
    if not known:
        open_section(sheet, KEY, words("tuning.line_none"), below=True)
        block(sheet, words("tuning.why_none"), style.BODY)
    else:
        open_section(sheet, KEY, _line(ctx, known), below=True)
        with sheet.figure(alternatives.rows(ctx, "alt.tuning", [(ctx.drum(r.drum), named(ctx, r)) for r in known])):
            _figure(sheet, ctx, known)
        caption(sheet, words("tuning.caption"))
        reasons = Reasons(sheet)
        _table(sheet, ctx, rings, reasons)
        reasons.write()
    buzzes = [b for b in ctx.measurements.observed.wires if b.level_db is not None]
    if buzzes:
        subhead(sheet, words("tuning.wires"), keep_with=60.0)
        _wires(sheet, ctx, buzzes)
        caption(sheet, words("tuning.wires_caption"))
    if known:
        method(sheet, words("tuning.method"))


def _line(ctx: Context, known: list[DrumRing]) -> str:
    late = [r for r in known if r.late_hz is not None and r.pitch is not None]
    if not late:
        return ctx.words("tuning.line_early")
    named = [f"{ctx.drum(r.drum)} {r.pitch}" for r in late]
    return ctx.words("tuning.line", drums=ctx.listing(named, 8))


def _figure(sheet: Sheet, ctx: Context, known: list[DrumRing]) -> None:
    """One row a drum on a common axis of pitch: the late ring as a dot, strokes from soft to hard as a bar."""
    box = Box(sheet.plot_x, sheet.y + 4.0, sheet.right - NAME_W - sheet.plot_x, ROW_H * len(known))
    for hz in TICKS_HZ:
        x = _x(box, hz)
        sheet.line(x, box.y, x, box.bottom + 3.0)
        if hz in UNNAMED_HZ:
            continue
        label = f"{hz} Hz" if hz == TICKS_HZ[-1] else str(hz)
        sheet.text(x, box.bottom + 11.0, label, style.TICK, align="centre")
    for n, r in enumerate(known):
        y = box.y + (n + 0.5) * ROW_H
        sheet.text(sheet.left, y + 3.0, ctx.drum(r.drum), style.LABEL)
        low, high = r.early_soft_hz or r.early_hz, r.early_hard_hz or r.early_hz
        if low is not None and high is not None:
            a, b = sorted((_x(box, low), _x(box, high)))
            sheet.rect(Box(a, y - 3.0, max(b - a, 1.5), 6.0), fill=style.TRACE)
        if r.late_hz is not None:
            sheet.circle(_x(box, r.late_hz), y, 3.2, fill=style.INK)
        sheet.text(box.right + 10.0, y + 2.7, named(ctx, r), style.TICK)
    sheet.y = box.bottom + 20.0


def _x(box: Box, hz: float) -> float:
    share = math.log(hz / LOW_HZ) / math.log(HIGH_HZ / LOW_HZ)
    return box.x + box.w * min(max(share, 0.0), 1.0)


def named(ctx: Context, r: DrumRing) -> str:
    """The pitch that a drum's ring settles on, as a note and in Hz; or that there is none."""
    if r.late_hz is None or r.pitch is None or r.pitch_cents is None:
        return ctx.words("tuning.no_late")
    cents = numbers.fixed(r.pitch_cents, 0, sign=True)
    return ctx.words("tuning.pitch", pitch=r.pitch, cents=cents, hz=numbers.fixed(r.late_hz))


def _table(sheet: Sheet, ctx: Context, rings: list[DrumRing], reasons: Reasons) -> None:
    words = ctx.words
    columns = scaled(
        (
            Column(words("tuning.drum"), 84.0, "left"), Column(words("tuning.late"), 62.0),
            Column(words("tuning.spread"), 54.0), Column(words("tuning.decay"), 54.0),
            Column(words("tuning.soft"), 58.0), Column(words("tuning.hard"), 58.0),
            Column(words("tuning.glide"), 62.0), Column(words("tuning.drift"), 76.0), Column(words("tuning.n"), 50.0),
        ),
        sheet.text_w,
    )  # fmt: skip
    rows: list[list[Cell | str]] = []
    for r in rings:

        def cell(field: str, decimals: int, r: DrumRing = r) -> str:
            return reasons.figure(getattr(r, field), r.unmeasured.get(field), decimals, brief=True)

        drift = cell("drift_cents", 0)
        if r.drift_cents is not None and r.drift_error_cents is not None:
            drift = f"{numbers.fixed(r.drift_cents, 0, sign=True)} ±{r.drift_error_cents:.0f}"
        rows.append([
            Cell(ctx.drum(r.drum), bold=True, link=ctx.channel_anchor(r.file)), cell("late_hz", 1),
            cell("late_spread_cents", 0), cell("decay_s", 2), cell("early_soft_hz", 1), cell("early_hard_hz", 1),
            cell("glide_semitones", 1), drift, str(r.n_strokes),
        ])  # fmt: skip
    draw_table(sheet, columns, rows)


def _wires(sheet: Sheet, ctx: Context, buzzes: list[WireBuzz]) -> None:
    words = ctx.words
    columns = scaled(
        (
            Column(words("tuning.set_off_by"), 110.0, "left"), Column(words("tuning.heard_in"), 110.0, "left"),
            Column(words("tuning.buzz_level"), 100.0), Column(words("tuning.buzz_share"), 100.0),
            Column(words("tuning.n"), 60.0),
        ),
        sheet.text_w,
    )  # fmt: skip
    rows: list[list[Cell | str]] = []
    for b in sorted(buzzes, key=lambda b: -(b.level_db or 0.0)):
        share = "–" if b.share is None else f"{100.0 * b.share:.0f} %"
        level = numbers.fixed(b.level_db or 0.0)
        rows.append([Cell(ctx.drum(b.drum), bold=True), ctx.label(b.file), level, share, str(b.n_strokes)])
    draw_table(sheet, columns, rows)
