"""The mean stroke of a drum in one mic: its shape with the spread of the hits."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitproof.model import HitPicture
from kitproof.report import numbers, style
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box

MOST_POINTS = 420  # more cannot be seen on half a page
LABEL_PITCH = 22.0  # points from one number of the time axis to the next, at least


def thinned(values: NDArray[Any], n: int) -> NDArray[np.float64]:
    """Every k-th value, at most `n`."""
    return np.asarray(values[:: max(1, -(-len(values) // n))], dtype=float)


def draw_stroke(sheet: Sheet, hit: HitPicture, box: Box) -> None:
    """Mean stroke with the band of the middle 80 % of the hits; time in ms from the arrival at the own mic."""
    loudest = float(np.max(np.abs(np.concatenate((hit.low, hit.high, hit.mean))), initial=0.0)) or 1.0
    start, end = float(hit.time_ms[0]), float(hit.time_ms[-1])
    xs = box.x + (thinned(hit.time_ms, MOST_POINTS) - start) / max(end - start, 1e-9) * box.w

    def ys(values: NDArray[Any]) -> NDArray[np.float64]:
        return box.y + box.h / 2 * (1.0 - thinned(values, MOST_POINTS) / loudest)

    sheet.polyline(np.concatenate((xs, xs[::-1])), np.concatenate((ys(hit.high), ys(hit.low)[::-1])), fill=style.TRACE)
    sheet.polyline(xs, ys(hit.mean), stroke=style.INK, width=0.8)
    sheet.rect(box, stroke=style.QUIET, width=0.4)
    step = numbers.nice_ceiling((end - start) / box.w * LABEL_PITCH)
    for ms in np.arange(np.ceil(start / step) * step, end + 1e-6, step):
        x = box.x + (ms - start) / max(end - start, 1e-9) * box.w
        sheet.line(x, box.bottom, x, box.bottom + 3.0, style.QUIET)
        sheet.text(x, box.bottom + 11.0, f"{ms + 0.0:g}".replace("-", numbers.MINUS), style.TICK, align="centre")
    scale = numbers.fixed(loudest, 3)
    sheet.text(box.x - 4.0, box.y + 6.5, scale, style.TICK, align="right")
    sheet.text(box.x - 4.0, box.bottom, numbers.MINUS + scale, style.TICK, align="right")
