"""The kit and its mics from above: where the sound says that everything stands, and where the tape disagrees."""

from __future__ import annotations

import math
from collections.abc import Sequence

from kitproof.observed.plan import KitPlan, Place, TapeCheck
from kitproof.report import alternatives, numbers, style
from kitproof.report.anatomy import block, caption, method, open_section, subhead
from kitproof.report.context import Context
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box
from kitproof.report.table import Cell, Column, draw_table, scaled
from kitproof.report.typeset import text_width

KEY = "plan"
PLAN_H = 390.0
MOST_PER_M = 200.0  # points a metre: a kit alone does not fill a page
SEAT_M = (0.10, -0.45)  # right and ahead of the snare: where one sits to play it
MIC = 4.0  # half the side of a mic's square
UNSURE_M = 0.30  # from here on a place is drawn in broken line
# radius on the plan, m: usual sizes, for the eye
RADIUS_M = {"kick": 0.28, "snare": 0.18, "floor-tom": 0.20, "floor-tom-2": 0.23, "hi-hat": 0.18, "ride": 0.25}
USUAL_RADIUS_M = 0.15


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw the plan and the table of declared distances, or say why there is none."""
    words = ctx.words
    plans = ctx.measurements.observed.plans
    if not plans:
        open_section(sheet, KEY, words("plan.line_none"))
        block(sheet, words("plan.why_none"), style.BODY)
        return
    plan = plans[0]
    open_section(sheet, KEY, _line(ctx, plan))
    with sheet.figure(alternatives.plan(ctx, plan)):
        _drawing(sheet, ctx, plan)
    caption(sheet, words("plan.caption"))
    if plan.tape:
        subhead(sheet, words("plan.tape"), keep_with=60.0)
        _tape(sheet, ctx, plan.tape)
    method(sheet, words("plan.method", misfit=numbers.fixed(100.0 * plan.misfit_m, 0)))


def disagrees(ctx: Context, check: TapeCheck) -> bool:
    """Whether tape and sound differ by more than both can be wrong: finer than the finding, a mic is put back by it."""
    least_m = ctx.limit("tape_mark_m")
    return least_m is not None and abs(check.declared_m - check.heard_m) > max(least_m, 2.0 * check.error_m)


def _line(ctx: Context, plan: KitPlan) -> str:
    n_drums = sum(p.kind == "drum" for p in plan.places)
    n_mics = len(plan.places) - n_drums
    wrong = [t for t in plan.tape if disagrees(ctx, t)]
    first = ctx.words("plan.line", drums=n_drums, mics=n_mics)
    if not plan.tape:
        return first
    if not wrong:
        return ctx.words.sentences(first, ctx.words("plan.line_tape_good"))
    worst = max(wrong, key=lambda t: abs(t.declared_m - t.heard_m))
    cm = numbers.fixed(100.0 * abs(worst.declared_m - worst.heard_m), 0)
    then = ctx.words("plan.line_tape", mic=ctx.label(worst.file), cm=cm)
    return ctx.words.sentences(first, then)


# ---------------------------------------------------------------- the drawing
def _drawing(sheet: Sheet, ctx: Context, plan: KitPlan) -> None:
    """To scale, the drummer at the bottom looking up the page."""
    reach = [(p.right_m, p.ahead_m, max(_radius_m(p), 0.15)) for p in plan.places]
    low_x, high_x = min(x - r for x, _, r in reach) - 0.2, max(x + r for x, _, r in reach) + 0.2
    low_y, high_y = min(y - r for _, y, r in reach) - 0.45, max(y + r for _, y, r in reach) + 0.15
    per_m = min(sheet.text_w / (high_x - low_x), PLAN_H / (high_y - low_y), MOST_PER_M)
    box = Box(sheet.left, sheet.y, sheet.text_w, per_m * (high_y - low_y))
    centre = box.x + box.w / 2 - per_m * (low_x + high_x) / 2

    def at(right_m: float, ahead_m: float) -> tuple[float, float]:
        return centre + per_m * right_m, box.y + per_m * (high_y - ahead_m)

    sheet.rect(box, stroke=style.HAIR)
    _scale(sheet, box, per_m)
    marks = [at(p.right_m, p.ahead_m) for p in plan.places if p.kind == "mic"]
    taken = [Box(x - MIC - 1.0, y - MIC - 1.0, 2 * MIC + 2.0, 2 * MIC + 2.0) for x, y in marks]
    seat_x, seat_y = at(*SEAT_M)
    seat = ctx.words("plan.seat")
    sheet.text(seat_x, seat_y, seat, style.TICK, align="centre")
    seat_w = text_width(seat, style.TICK.font, style.TICK.size)
    taken.append(Box(seat_x - seat_w / 2, seat_y - style.TICK.size, seat_w, style.TICK.leading))
    for p in sorted(plan.places, key=lambda p: p.kind):
        x, y = at(p.right_m, p.ahead_m)
        _error_ring(sheet, p, x, y, per_m, box)
        if p.kind == "drum":
            sheet.circle(x, y, per_m * _radius_m(p), stroke=style.INK, width=1.0 if p.error_m < UNSURE_M else 0.5)
        else:
            sheet.rect(Box(x - MIC, y - MIC, 2 * MIC, 2 * MIC), fill=style.INK)
    for p in plan.places:
        _name(sheet, ctx, p, at(p.right_m, p.ahead_m), per_m, box, taken)
    sheet.y = box.bottom + 8.0


def _radius_m(p: Place) -> float:
    return RADIUS_M.get(p.name, USUAL_RADIUS_M) if p.kind == "drum" else 0.03


def _error_ring(sheet: Sheet, p: Place, x: float, y: float, per_m: float, box: Box) -> None:
    """How far off the place may be: a thin broken ring, cut at the frame."""
    if p.error_m < 0.01:
        return
    sheet.clip(box)
    radius, n = per_m * p.error_m, 40
    turn = [2 * math.pi * i / n for i in range(n + 1)]
    dots = [(x + radius * math.cos(a), y + radius * math.sin(a)) for a in turn]
    sheet.segments([(*dots[i], *dots[i + 1]) for i in range(0, n, 2)], style.TRACE, 0.6)
    sheet.unclip()


def _scale(sheet: Sheet, box: Box, per_m: float) -> None:
    """Half a metre, in the lower right corner."""
    length = 0.5 * per_m
    x, y = box.right - 10.0, box.bottom - 10.0
    sheet.segments(
        [(x - length, y, x, y), (x - length, y - 3, x - length, y + 3), (x, y - 3, x, y + 3)], style.INK, 0.9
    )
    sheet.text(x - length / 2, y - 5.0, "50 cm", style.TICK, align="centre")


def _name(
    sheet: Sheet, ctx: Context, p: Place, at: tuple[float, float], per_m: float, box: Box, taken: list[Box]
) -> None:
    """The name near its place, where no other name stands."""
    label = ctx.drum(p.name) if p.kind == "drum" else ctx.label(p.name)
    face = style.TICK_BOLD if p.kind == "mic" else style.CELL
    width, height = text_width(label, face.font, face.size) + 2.0, face.size + 2.0
    away = MIC + 3.0 if p.kind == "mic" else 0.0
    x, y = at
    options = [
        (x - width / 2, y - height / 2 - away), (x + away, y - height / 2), (x - width - away, y - height / 2),
        (x - width / 2, y + away), (x - width / 2, y - height - away - 6.0), (x - width / 2, y + away + 8.0),
        (x + away + 10.0, y + 8.0), (x - width - away - 10.0, y + 8.0), (x - width / 2, y + per_m * 0.2),
    ]  # fmt: skip
    if p.kind == "mic":
        options = [*options[1:], options[0]]
    spot = Box(0, 0, 0, 0)
    for left, top in options:
        left = min(max(left, box.x + 2.0), box.right - width - 2.0)
        top = min(max(top, box.y + 2.0), box.bottom - height - 2.0)
        spot = Box(left, top, width, height)
        if not any(_touch(spot, other) for other in taken):
            break
    taken.append(spot)
    sheet.rect(spot, fill=style.PAPER)
    sheet.text(spot.x + 1.0, spot.y + face.size, label, face)


def _touch(a: Box, b: Box) -> bool:
    return a.x < b.right and b.x < a.right and a.y < b.bottom and b.y < a.bottom


# ---------------------------------------------------------------- the tape
def _tape(sheet: Sheet, ctx: Context, checks: Sequence[TapeCheck]) -> None:
    words = ctx.words
    columns = scaled(
        (
            Column(words("plan.mic"), 120.0, "left"), Column(words("plan.declared"), 80.0),
            Column(words("plan.heard"), 110.0), Column(words("plan.difference"), 80.0),
            Column(words("plan.says"), 130.0, "left"),
        ),
        sheet.text_w,
    )  # fmt: skip
    rows: list[list[Cell | str]] = []
    for t in checks:
        off = disagrees(ctx, t)
        rows.append([
            Cell(ctx.label(t.file), bold=True, link=ctx.channel_anchor(t.file)),
            f"{t.declared_m:.2f} m", f"{t.heard_m:.2f} m ±{100 * t.error_m:.0f} cm",
            f"{numbers.fixed(100.0 * (t.heard_m - t.declared_m), 0, sign=True)} cm",
            Cell(words("plan.differs" if off else "plan.agrees"), bold=off),
        ])  # fmt: skip
    draw_table(sheet, columns, rows)
