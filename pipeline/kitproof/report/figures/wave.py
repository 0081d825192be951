"""Waveform of one channel over the whole take."""

from __future__ import annotations

import numpy as np

from kitproof.model import ChannelPicture
from kitproof.report import style
from kitproof.report.figures.profile import loudest
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box


def enlargement(picture: ChannelPicture) -> int:
    """A power of two by which the wave is drawn larger, so that quiet channels are seen; at most 64."""
    peak = float(np.max(np.maximum(np.abs(picture.wave_min), np.abs(picture.wave_max)), initial=0.0))
    factor = 1
    while factor < 64 and 0.0 < peak * factor * 2 <= 1.0:
        factor *= 2
    return factor


def draw_wave(sheet: Sheet, picture: ChannelPicture, box: Box, n: int) -> None:
    """Draw the outline, full scale over `enlargement` at the edges of the box."""
    factor = enlargement(picture)
    high = np.clip(loudest(picture.wave_max, n) * factor, -1.0, 1.0)
    low = np.clip(-loudest(-np.asarray(picture.wave_min, dtype=float), n) * factor, -1.0, 1.0)
    sheet.rect(box, stroke=style.HAIR)
    if len(high):
        middle, half = box.y + box.h / 2, box.h / 2
        xs = box.x + (np.arange(len(high)) + 0.5) * box.w / len(high)
        outline = np.concatenate((middle - high * half, (middle - low * half)[::-1]))
        sheet.polyline(np.concatenate((xs, xs[::-1])), outline, fill=style.TRACE, stroke=style.TRACE, width=0.35)
    sheet.line(box.x, box.y + box.h / 2, box.right, box.y + box.h / 2, style.QUIET, 0.4)
