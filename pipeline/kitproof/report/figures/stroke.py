"""The mean stroke of a drum in one mic: its shape with the spread of the hits, and its spectrum over the noise."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitproof.model import ChannelPicture, HitPicture
from kitproof.report import marks, numbers, style
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box

MOST_POINTS = 420  # more cannot be seen on half a page
SPECTRUM_LOW_DBFS = -120.0
SPECTRUM_HIGH_DBFS = 0.0


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
    step = numbers.nice_ceiling((end - start) / 8.0)
    for ms in np.arange(np.ceil(start / step) * step, end + 1e-6, step):
        x = box.x + (ms - start) / max(end - start, 1e-9) * box.w
        sheet.line(x, box.bottom, x, box.bottom + 3.0, style.QUIET)
        sheet.text(x, box.bottom + 11.0, f"{ms + 0.0:g}".replace("-", numbers.MINUS), style.TICK, align="centre")
    scale = numbers.fixed(loudest, 3)
    sheet.text(box.x - 4.0, box.y + 6.5, scale, style.TICK, align="right")
    sheet.text(box.x - 4.0, box.bottom, numbers.MINUS + scale, style.TICK, align="right")


def draw_spectrum(
    sheet: Sheet, picture: ChannelPicture | None, hit: HitPicture | None, box: Box, ring_hz: float | None = None
) -> None:
    """Spectrum of the mean stroke (ink) and of the noise between hits (broken line) on one dB scale.

    ring_hz : where the drum's ring settles, marked above the box
    """
    for hz in marks.LOG_TICKS_HZ:
        x = marks.log_x(box, hz)
        sheet.line(x, box.y, x, box.bottom + 3.0)
        sheet.text(x, box.bottom + 11.0, marks.hz_label(hz), style.TICK, align="centre")
    for db in range(int(SPECTRUM_LOW_DBFS), int(SPECTRUM_HIGH_DBFS) + 1, 40):
        y = _y(box, float(db))
        sheet.line(box.x, y, box.right, y)
        text = numbers.fixed(db, 0)
        sheet.text(box.x - 4.0, min(max(y + 2.7, box.y + 6.5), box.bottom), text, style.TICK, align="right")
    sheet.clip(box)
    if picture is not None:
        _curve(sheet, picture.band_hz, picture.noise_spectrum_dbfs, box, dashed=True)
    if hit is not None:
        _curve(sheet, hit.spectrum_hz, hit.spectrum_dbfs, box, dashed=False)
    sheet.unclip()
    sheet.rect(box, stroke=style.QUIET, width=0.4)
    if ring_hz is not None:
        x = marks.log_x(box, ring_hz)
        sheet.segments([(x - 2.5, box.y - 4.5, x, box.y), (x + 2.5, box.y - 4.5, x, box.y)], style.INK, 1.0)


def _y(box: Box, db: float) -> float:
    return box.bottom - box.h * (db - SPECTRUM_LOW_DBFS) / (SPECTRUM_HIGH_DBFS - SPECTRUM_LOW_DBFS)


def _curve(sheet: Sheet, hz: NDArray[Any], dbfs: NDArray[Any], box: Box, *, dashed: bool) -> None:
    inside = np.isfinite(dbfs) & (hz >= marks.LOW_HZ) & (hz <= marks.HIGH_HZ)
    if not np.any(inside):
        return
    share = np.log(np.asarray(hz[inside], dtype=float) / marks.LOW_HZ) / np.log(marks.HIGH_HZ / marks.LOW_HZ)
    column = np.round(share * box.w / 0.6).astype(int)  # one point per 0.6 pt of paper: its loudest
    places, first = np.unique(column, return_index=True)
    level = np.maximum.reduceat(np.asarray(dbfs[inside], dtype=float), first)
    ys = box.bottom - box.h * (level - SPECTRUM_LOW_DBFS) / (SPECTRUM_HIGH_DBFS - SPECTRUM_LOW_DBFS)
    ys = np.clip(ys, box.y, box.bottom)
    if dashed:
        sheet.polyline(box.x + places * 0.6, ys, stroke=style.TRACE, width=1.1, dash=(3.0, 1.6))
    else:
        sheet.polyline(box.x + places * 0.6, ys, stroke=style.INK, width=0.8)
