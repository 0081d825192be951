"""How the snare dies away in one mic, octave by octave, with the snare itself beside it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from kitproof.observed.room import OctaveDecay
from kitproof.report import marks, numbers, style
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box

NOMINAL_HZ = (31, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)  # IEC 61260-1, octaves
HEADROOM = 1.04  # so that the highest dot does not stand on the edge
DOT_R, DRUM_W = 2.6, 11.0


def octave_label(hz: float) -> str:
    """The nominal name of an octave: 250, 1k."""
    return marks.hz_label(min(NOMINAL_HZ, key=lambda n: abs(n - hz) / n))


def longest_s(octaves: Sequence[OctaveDecay]) -> float:
    """Where the scale ends that all mics share; 0 if there is nothing to show."""
    known = [v for o in octaves for v in (o.t20_s, o.early_s, o.drum_s) if v is not None]
    return numbers.nice_ceiling(HEADROOM * max(known)) if known else 0.0


def draw_decays(sheet: Sheet, octaves: Sequence[OctaveDecay], box: Box, top_s: float, *, scale: bool) -> None:
    """Dots joined over neighbouring octaves, circles for the first 10 dB, bars for the snare itself.

    top_s : upper end of the scale, > 0; scale : whether its numbers are written left of the box
    """
    for s in (0.0, top_s / 2.0, top_s):
        y = box.bottom - box.h * s / top_s
        sheet.line(box.x, y, box.right, y)
        if scale:
            marks.beside(sheet, box, y, f"{s:g}" + (" s" if s == top_s else ""))
    xs = [box.x + box.w * (i + 0.5) / len(octaves) for i in range(len(octaves))]
    for x, o in zip(xs, octaves, strict=True):
        sheet.line(x, box.bottom, x, box.bottom + 3.0, style.QUIET)
        label = octave_label(o.centre_hz) + (" Hz" if o is octaves[-1] else "")
        sheet.text(x, box.bottom + 11.0, label, style.TICK, align="centre")
        if o.drum_s is not None:
            y = box.bottom - box.h * o.drum_s / top_s
            sheet.line(x - DRUM_W / 2, y, x + DRUM_W / 2, y, style.TRACE, 2.2)
    _joined(sheet, octaves, xs, box, top_s)
    for x, o in zip(xs, octaves, strict=True):
        if o.early_s is not None:
            sheet.circle(x, box.bottom - box.h * o.early_s / top_s, DOT_R, fill=style.PAPER, stroke=style.INK)
        if o.t20_s is not None:
            sheet.circle(x, box.bottom - box.h * o.t20_s / top_s, DOT_R, fill=style.INK)
    sheet.rect(box, stroke=style.QUIET, width=0.4)


def _joined(sheet: Sheet, octaves: Sequence[OctaveDecay], xs: Sequence[float], box: Box, top_s: float) -> None:
    """A line from dot to dot where neighbours both have one."""
    ys = [None if o.t20_s is None else box.bottom - box.h * o.t20_s / top_s for o in octaves]
    steps = [(xs[i], a, xs[i + 1], b) for i, (a, b) in enumerate(pairwise(ys)) if a is not None and b is not None]
    sheet.segments(steps, style.INK, 0.8)
