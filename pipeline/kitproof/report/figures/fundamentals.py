"""Where the drums' pitches lie on a spectrogram: a small triangle each, and their names beside it, highest first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kitproof.report import marks, style
from kitproof.report.context import Context
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box
from kitproof.report.typeset import shorten_middle

NAME_H = 9.0
TRIANGLE_W, TRIANGLE_H = 5.0, 5.6


@dataclass(frozen=True, slots=True)
class Pitch:
    """One drum's: where its ring settles, else that of its strokes."""

    drum: str
    hz: float
    own: bool  # of the drum that the mic stands at

    def text(self, ctx: Context) -> str:
        """How it is written, in Hz: "kick 62"."""
        return f"{ctx.drum(self.drum)} {self.hz:.0f}"


def pitches(ctx: Context, own_drum: str | None, most: int) -> list[Pitch]:
    """Those that are known, highest first: of every drum, or of the own alone if they are more than `most`."""
    found = [
        Pitch(r.drum, hz, r.drum == own_drum)
        for r in ctx.measurements.observed.rings
        if (hz := r.early_hz if r.late_hz is None else r.late_hz) is not None
    ]
    shown = found if len(found) <= most else [p for p in found if p.own][:most]
    return sorted(shown, key=lambda p: -p.hz)


def room_for(height: float) -> int:
    """How many names fit beside a spectrogram of this height, below its title."""
    return max(0, int((height - 13.0) // NAME_H))


def draw_pitches(sheet: Sheet, ctx: Context, found: Sequence[Pitch], box: Box, name_w: float) -> None:
    """Triangles inside the left edge of the spectrogram, filled for the own drum; names at the left of the page."""
    for n, p in enumerate(found):
        y = box.bottom - box.h * marks.log_share(p.hz)
        xs = np.array([box.x + 0.6, box.x + 0.6 + TRIANGLE_W, box.x + 0.6])
        ys = np.array([y - TRIANGLE_H / 2, y, y + TRIANGLE_H / 2])
        sheet.polyline(xs, ys, fill=style.INK if p.own else style.PAPER)
        sheet.polyline(
            np.append(xs, xs[0]), np.append(ys, ys[0]), stroke=style.PAPER if p.own else style.INK, width=0.6
        )
        face = style.TICK_BOLD if p.own else style.TICK
        sheet.text(sheet.left, box.y + 20.0 + n * NAME_H, shorten_middle(p.text(ctx), face, name_w), face)
