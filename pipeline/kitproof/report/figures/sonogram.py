"""Spectrogram as ink on paper: logarithmic frequency, one dB scale for all channels of all takes."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from kitproof.model import ChannelPicture
from kitproof.report import marks, numbers, style
from kitproof.report.figures.profile import loudest
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box

N_TINTS = 46  # 2 dB each: finer steps cannot be told apart in print and only make the file larger
KEY_W = 26.0


@cache
def tints() -> NDArray[np.uint8]:
    """Colours from quiet to loud, (n, 3). Lightness falls throughout, so that grey print keeps the order."""
    stops = np.array(style.SONOGRAM_STOPS)
    at = np.linspace(0.0, len(stops) - 1.0, N_TINTS)
    channels = [np.interp(at, np.arange(len(stops)), stops[:, k]) for k in range(3)]
    return np.round(255.0 * np.stack(channels, axis=1)).astype(np.uint8)


def pixels(picture: ChannelPicture, n_columns: int) -> NDArray[np.uint8]:
    """The spectrogram as an image, (n_bands, at most n_columns, 3), highest band on top."""
    levels = np.stack([loudest(row, n_columns) for row in picture.spectrogram_dbfs[::-1]])
    low, high = style.SONOGRAM_LOW_DBFS, style.SONOGRAM_HIGH_DBFS
    share = np.clip((np.nan_to_num(levels, nan=low, neginf=low, posinf=high) - low) / (high - low), 0.0, 1.0)
    image: NDArray[np.uint8] = tints()[np.round(share * (N_TINTS - 1)).astype(int)]
    return image


def draw_sonogram(sheet: Sheet, picture: ChannelPicture, box: Box, n_columns: int) -> None:
    """Draw the spectrogram with its frequency axis left of the box."""
    if picture.spectrogram_dbfs.size:
        step = float(np.log(picture.band_hz[-1] / picture.band_hz[0])) / max(len(picture.band_hz) - 1, 1)
        top = _y(box, float(picture.band_hz[-1] * np.exp(step / 2)))
        bottom = _y(box, float(picture.band_hz[0] * np.exp(-step / 2)))
        sheet.clip(box)
        if not sheet.draft:
            sheet.image(pixels(picture, n_columns), Box(box.x, top, box.w, bottom - top))
        sheet.unclip()
    above = -1e9
    for hz in reversed(marks.LOG_TICKS_HZ):
        y = _y(box, hz)
        sheet.line(box.x - 3.0, y, box.x, y, style.QUIET)
        label = marks.hz_label(hz) + (" Hz" if hz == marks.LOG_TICKS_HZ[-1] else "")
        base = min(max(y + 2.7, box.y + 6.0), box.bottom)
        if base - above >= style.TICK.size:
            sheet.text(box.x - 5.0, base, label, style.TICK, align="right")
            above = base
    sheet.rect(box, stroke=style.QUIET, width=0.4)


def _y(box: Box, hz: float) -> float:
    return box.bottom - box.h * marks.log_share(hz)


def draw_key(sheet: Sheet, x: float, y: float, width: float) -> None:
    """The dB scale as a row of tints with its ends and middle named."""
    n = 15
    colours = tints()[np.linspace(0, N_TINTS - 1, n).astype(int)]
    for k, (r, g, b) in enumerate(colours.tolist()):
        sheet.rect(Box(x + k * width / n, y, width / n + 0.2, 6.0), fill=(r / 255, g / 255, b / 255))
    sheet.rect(Box(x, y, width, 6.0), stroke=style.QUIET, width=0.4)
    low, high = style.SONOGRAM_LOW_DBFS, style.SONOGRAM_HIGH_DBFS
    sheet.text(x - 4.0, y + 5.7, numbers.fixed(low, 0), style.TICK, align="right")
    sheet.text(x + width + 4.0, y + 5.7, numbers.fixed(high, 0) + " dBFS", style.TICK)
