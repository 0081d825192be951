"""Small marks that mean the same on every page: finding numbers, time and frequency axes."""

from __future__ import annotations

import math
from collections.abc import Sequence

from kitproof.model import Severity
from kitproof.report import numbers, style
from kitproof.report.context import Context, RankedFinding
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box
from kitproof.report.typeset import text_width

BALLOON_R = 6.6
TIME_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 3600)
LOG_TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)
LOW_HZ, HIGH_HZ = 20.0, 20000.0


# ---------------------------------------------------------------- findings
def balloon_width(number: int) -> float:
    """How wide the mark of a finding is."""
    width = text_width(str(number), style.BOLD, style.TICK.size)
    return max(2.0 * BALLOON_R, width + 6.0)


def balloon(sheet: Sheet, x: float, y: float, ranked: RankedFinding, *, link: bool = True) -> None:
    """The number of a finding around (x, y): filled to fix, ringed to decide, thin and broken ring to note."""
    _balloon(sheet, x, y, ranked.number, ranked.finding.severity)
    if link:
        half = balloon_width(ranked.number) / 2
        sheet.link(Box(x - half, y - BALLOON_R, 2 * half, 2 * BALLOON_R), ranked.anchor)


def _balloon(sheet: Sheet, x: float, y: float, number: int, severity: Severity) -> None:
    colour = style.SEVERITY_COLOUR[severity]
    width = balloon_width(number)
    box = Box(x - width / 2, y - BALLOON_R, width, 2 * BALLOON_R)
    filled = severity == "fix"
    sheet.rect(
        box, fill=colour if filled else style.PAPER, stroke=colour, radius=BALLOON_R - 0.01,
        width=1.3 if severity == "look" else 0.7, dash=(1.8, 1.2) if severity == "note" else None,
    )  # fmt: skip
    face = style.TextStyle(style.BOLD, style.TICK.size, style.TICK.leading, style.PAPER if filled else colour)
    sheet.text(x, y + 0.36 * face.size, str(number), face, align="centre")


def numbered(
    sheet: Sheet, ranked: RankedFinding, parts: Sequence[tuple[Sequence[str], style.TextStyle]], indent: float
) -> None:
    """A finding's number at `sheet.y` and lines right of it, which lead to where it is told in full."""
    top = sheet.y
    with sheet.tagged("P"):
        balloon(sheet, sheet.left + 9.0, top + 0.5 * parts[0][1].leading, ranked, link=False)
        for lines, face in parts:
            sheet.y = sheet.lines(sheet.left + indent, sheet.y, lines, face)
        sheet.link(Box(sheet.left, top, sheet.text_w, sheet.y - top), ranked.anchor)


def place_balloons(positions: Sequence[float], widths: Sequence[float], lanes: int) -> list[int | None]:
    """Lane of each balloon so that none overlap, first come first; None where no lane is free."""
    taken: list[list[tuple[float, float]]] = [[] for _ in range(lanes)]
    chosen: list[int | None] = []
    for x, width in zip(positions, widths, strict=True):
        low, high = x - width / 2 - 1.0, x + width / 2 + 1.0
        free = next((n for n, lane in enumerate(taken) if all(high <= a or low >= b for a, b in lane)), None)
        if free is not None:
            taken[free].append((low, high))
        chosen.append(free)
    return chosen


def balloons_on_row(sheet: Sheet, ranked: Sequence[RankedFinding], xs: Sequence[float], y: float) -> None:
    """Numbers of findings side by side around `y`, each at its x; one that has no room is left to its tick."""
    placed = place_balloons(xs, [balloon_width(r.number) for r in ranked], 1)
    for one, x, lane in zip(ranked, xs, placed, strict=True):
        if lane is not None:
            balloon(sheet, x, y, one)


def time_ticks_of(
    sheet: Sheet, ranked: Sequence[RankedFinding], box: Box, duration_s: float, top: float, bottom: float
) -> list[float]:
    """Upright lines at all times of findings, in their colour; returns where each first one stands."""
    for one in ranked:
        places = [time_x(box, duration_s, t) for t in one.finding.times_s]
        sheet.segments([(x, top, x, bottom) for x in places], style.SEVERITY_COLOUR[one.finding.severity], 0.7)
    return [time_x(box, duration_s, one.finding.times_s[0]) for one in ranked]


# ---------------------------------------------------------------- axes
def time_x(box: Box, duration_s: float, seconds: float) -> float:
    """Where a time stands in a plot of the whole take."""
    return box.x + box.w * min(max(seconds / duration_s, 0.0), 1.0) if duration_s > 0.0 else box.x


def time_ticks(box: Box, duration_s: float, min_gap: float = 44.0) -> list[float]:
    """Times for the axis, at least `min_gap` points apart."""
    if duration_s <= 0.0:
        return []
    step = next((s for s in TIME_STEPS_S if s / duration_s * box.w >= min_gap), TIME_STEPS_S[-1])
    return [float(t) for t in range(0, int(duration_s) + 1, step)]


def time_axis(sheet: Sheet, ctx: Context, box: Box, *, face: style.TextStyle = style.TICK, labels: bool = True) -> None:
    """Ticks and m:ss labels below a plot of the whole take."""
    pad = 4.0
    last = box.x - 1e9
    for t in time_ticks(box, ctx.duration_s):
        x = time_x(box, ctx.duration_s, t)
        sheet.line(x, box.bottom, x, box.bottom + 3.0, style.QUIET)
        text = numbers.length(t)
        width = text_width(text, face.font, face.size)
        start = min(max(x - width / 2, box.x), box.right - width)
        if labels and start > last + pad:
            sheet.text(start, box.bottom + 3.5 + face.size, text, face)
            last = start + width


def bar_ticks(
    box: Box, duration_s: float, lines: Sequence[tuple[int, float]], min_gap: float = 30.0
) -> list[tuple[int, float]]:
    """(bar number, seconds) for the axis, in steps of a power of two bars."""
    if duration_s <= 0.0 or len(lines) < 2:
        return list(lines)
    one = (lines[-1][1] - lines[0][1]) / (len(lines) - 1)
    step = 1
    while step * one / duration_s * box.w < min_gap:
        step *= 2
    return list(lines[::step])


def bar_axis(sheet: Sheet, ctx: Context, box: Box, *, face: style.TextStyle = style.TICK) -> None:
    """Bar numbers above a plot of the whole take; nothing where the bars are not known."""
    if not ctx.bars:
        return
    for bar, t in bar_ticks(box, ctx.duration_s, ctx.bars.lines()):
        x = time_x(box, ctx.duration_s, t)
        sheet.line(x, box.y - 3.0, x, box.y, style.QUIET)
        width = text_width(str(bar), face.font, face.size)
        if x + width / 2 <= box.right:
            sheet.text(max(x - width / 2, box.x), box.y - 5.0, str(bar), face)
    sheet.text(box.x - 8.0, box.y - 5.0, ctx.words("common.bar"), face, align="right")


def level_y(box: Box, low_db: float, high_db: float, db: float) -> float:
    """Where a level stands on an upright axis from `low_db` to `high_db`."""
    return box.bottom - box.h * (db - low_db) / (high_db - low_db)


def level_axis(sheet: Sheet, box: Box, low_db: int, high_db: int, step_db: int, named_step_db: int) -> None:
    """Lines across the box every `step_db`, numbers left of it every `named_step_db`."""
    for db in range(low_db, high_db + 1, step_db):
        y = level_y(box, low_db, high_db, db)
        sheet.line(box.x, y, box.right, y)
        if db % named_step_db == 0:
            beside(sheet, box, y, numbers.fixed(db, 0))


def beside(sheet: Sheet, box: Box, y: float, text: str) -> None:
    """What a line across the box stands for, left of it; at the ends of the box kept within its height."""
    sheet.text(box.x - 4.0, min(max(y + 2.7, box.y + 6.5), box.bottom), text, style.TICK, align="right")


def log_x(box: Box, hz: float) -> float:
    """Where a frequency stands on a horizontal axis from 20 Hz to 20 kHz."""
    return box.x + box.w * log_share(hz)


def log_share(hz: float) -> float:
    """0 at 20 Hz, 1 at 20 kHz, logarithmic between and beyond."""
    return math.log(hz / LOW_HZ) / math.log(HIGH_HZ / LOW_HZ)


def hz_label(hz: int) -> str:
    """Axis label of a frequency."""
    return str(hz) if hz < 1000 else f"{hz // 1000}k"
