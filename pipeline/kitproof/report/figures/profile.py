"""Level over the take, one channel per row: how loud its loudest moment of each instant is, in dB."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitproof.model import ChannelPicture
from kitproof.report import style
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box

FLOOR_DBFS = -60.0  # own choice: drums fade into the room below this, and all channels keep one scale


def loudest(columns: NDArray[Any], n: int) -> NDArray[np.float64]:
    """The largest value within each of `n` equal stretches. columns : (m,); returns (min(n, m),)."""
    if len(columns) <= n:
        return np.asarray(columns, dtype=float)
    edges = np.linspace(0, len(columns), n + 1).astype(int)[:-1]
    return np.maximum.reduceat(np.asarray(columns, dtype=float), edges)


def level_profile(picture: ChannelPicture, n: int) -> NDArray[np.float64]:
    """Loudest level of each stretch as a share of the row: 0 at -60 dBFS or less, 1 at full scale."""
    peak = loudest(np.maximum(np.abs(picture.wave_min), np.abs(picture.wave_max)), n)
    db = 20.0 * np.log10(np.maximum(np.nan_to_num(peak), 1e-9))
    return np.clip(1.0 - db / FLOOR_DBFS, 0.0, 1.0)


def draw_profile(sheet: Sheet, picture: ChannelPicture, box: Box, n: int) -> None:
    """Draw the level of one channel as an area standing on the bottom of the box."""
    share = level_profile(picture, n)
    if len(share) == 0:
        return
    xs = box.x + (np.arange(len(share)) + 0.5) * box.w / len(share)
    xs = np.concatenate(([box.x], xs, [box.right]))
    ys = box.bottom - np.concatenate(([0.0], share, [0.0])) * box.h
    sheet.polyline(xs, ys, fill=style.TRACE)
