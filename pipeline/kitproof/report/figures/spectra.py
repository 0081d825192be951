"""Spectra of one channel over one another: its own strokes, the bleed, the noise; each named at its end.

The curves differ in weight and in dashes, not in colour. What lies between own strokes and bleed is light where the
own strokes are louder, dark where the bleed is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitproof.model import ChannelPicture, HitPicture
from kitproof.report import marks, style
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box, Colour
from kitproof.report.typeset import text_width

LOW_DBFS, HIGH_DBFS, STEP_DB = -120, 0, 20
NAMED_STEP_DB = 40
NAME_GAP, NAME_PITCH = 5.0, 8.6  # right of the box, and from one name to the next
SHORT_W = 40.0  # a curve that ends so far inside the box has its name there
POINT_W, LONE_W = 0.6, 2.4  # of paper: closer points cannot be told apart; a band that stands alone
THIRD_IN_NINTHS_DB = 4.77  # a third of an octave holds three of the picture's bands


Points = tuple[NDArray[np.float64], NDArray[np.float64]]  # (n,) x and y on paper


@dataclass(frozen=True, slots=True)
class Look:
    """How a curve is drawn."""

    width: float
    colour: Colour
    dash: tuple[float, float] | None = None


OWN, BLEED, NOISE = Look(1.2, style.INK), Look(0.9, style.INK, (3.2, 1.8)), Look(1.0, style.TRACE, (0.9, 1.5))


@dataclass(frozen=True, slots=True)
class Curve:
    """One spectrum. `name` is the wording that says what it is of."""

    name: str
    hz: NDArray[Any]
    dbfs: NDArray[Any]
    look: Look

    @property
    def has_level(self) -> bool:
        """Whether any of it is more than silence."""
        return bool(np.isfinite(self.dbfs).any())


def curves_of(picture: ChannelPicture, hit: HitPicture | None, *, at_a_drum: bool) -> list[Curve]:
    """What there is to show of a channel, the loudest first.

    hit : the mean stroke, for pictures that were saved before spectra at strokes were measured
    at_a_drum : whether the mic stands at a drum; one that does not shows the whole file
    """
    noise = Curve("channels.curve_noise", picture.band_hz, picture.noise_spectrum_dbfs, NOISE)
    if not at_a_drum:
        return [Curve("channels.curve_whole", picture.band_hz, picture.spectrum_dbfs, OWN), noise]
    curves = []
    if picture.own_spectrum_dbfs is not None:
        curves.append(Curve("channels.curve_own", picture.band_hz, picture.own_spectrum_dbfs, OWN))
    elif hit is not None:
        curves.append(Curve("channels.curve_own", hit.spectrum_hz, hit.spectrum_dbfs - THIRD_IN_NINTHS_DB, OWN))
    if picture.bleed_spectrum_dbfs is not None:
        curves.append(Curve("channels.curve_bleed", picture.band_hz, picture.bleed_spectrum_dbfs, BLEED))
    return [*curves, noise]


def names_width(sheet: Sheet, curves: Sequence[Curve]) -> float:
    """Room that the names need right of the box."""
    widths = [text_width(sheet.words(c.name), _face(c).font, _face(c).size) for c in curves]
    return NAME_GAP + max(widths, default=0.0)


def _face(curve: Curve) -> style.TextStyle:
    return style.TICK_BOLD if curve.look is OWN else style.TICK


def draw_spectra(sheet: Sheet, curves: Sequence[Curve], box: Box, ring_hz: float | None = None) -> None:
    """Draw the curves on one dB scale that all channels share, names right of the box; a gap where one has no level.

    ring_hz : where the drum's ring settles, marked above the box
    """
    _axes(sheet, box)
    pieces = [_pieces(c, box) for c in curves]
    sheet.clip(box)
    _gap(sheet, {c.name: p for c, p in zip(curves, pieces, strict=True)})
    for curve, parts in reversed(list(zip(curves, pieces, strict=True))):
        for xs, ys in parts:
            sheet.polyline(xs, ys, stroke=curve.look.colour, width=curve.look.width, dash=curve.look.dash)
    sheet.unclip()
    sheet.rect(box, stroke=style.QUIET, width=0.4)
    _names(sheet, curves, pieces, box)
    if ring_hz is not None:
        x = marks.log_x(box, ring_hz)
        sheet.segments([(x - 2.5, box.y - 4.5, x, box.y), (x + 2.5, box.y - 4.5, x, box.y)], style.INK, 1.0)


def _axes(sheet: Sheet, box: Box) -> None:
    last = -1e9
    for hz in marks.LOG_TICKS_HZ:
        x, label = marks.log_x(box, hz), marks.hz_label(hz)
        sheet.line(x, box.y, x, box.bottom + 3.0)
        half = text_width(label, style.TICK.font, style.TICK.size) / 2
        if x - half > last + 2.5:
            sheet.text(x, box.bottom + 11.0, label, style.TICK, align="centre")
            last = x + half
    marks.level_axis(sheet, box, LOW_DBFS, HIGH_DBFS, STEP_DB, NAMED_STEP_DB)


def _pieces(curve: Curve, box: Box) -> list[Points]:
    """Where a curve runs on paper, one piece for each run of bands that have a level."""
    hz, dbfs = np.asarray(curve.hz, float), np.asarray(curve.dbfs, float)
    inside = (hz >= marks.LOW_HZ) & (hz <= marks.HIGH_HZ)
    hz, dbfs = hz[inside], dbfs[inside]
    known = np.flatnonzero(np.isfinite(dbfs))
    runs = np.split(known, np.flatnonzero(np.diff(known) > 1) + 1)
    return [_points(hz[run], dbfs[run], box) for run in runs if len(run)]


def _points(hz: NDArray[np.float64], dbfs: NDArray[np.float64], box: Box) -> Points:
    """The loudest where several points fall on one place; a single one as a short line."""
    share = np.log(hz / marks.LOW_HZ) / np.log(marks.HIGH_HZ / marks.LOW_HZ)
    places, first = np.unique(np.round(share * box.w / POINT_W), return_index=True)
    level = np.maximum.reduceat(dbfs, first)
    xs, ys = box.x + places * POINT_W, box.bottom - box.h * (level - LOW_DBFS) / (HIGH_DBFS - LOW_DBFS)
    if len(xs) == 1:
        xs, ys = np.array([xs[0] - LONE_W / 2, xs[0] + LONE_W / 2]), np.repeat(ys, 2)
    return xs, np.clip(ys, box.y, box.bottom)


def _gap(sheet: Sheet, pieces: Mapping[str, Sequence[Points]]) -> None:
    """Fill what lies between own strokes and bleed."""
    for own in pieces.get("channels.curve_own", ()):
        for bleed in pieces.get("channels.curve_bleed", ()):
            xs = np.union1d(own[0], bleed[0])
            xs = xs[(xs >= max(own[0][0], bleed[0][0])) & (xs <= min(own[0][-1], bleed[0][-1]))]
            if len(xs) < 2:
                continue
            own_y, bleed_y = np.interp(xs, *own), np.interp(xs, *bleed)
            upper, around = np.minimum(own_y, bleed_y), np.concatenate((xs, xs[::-1]))
            sheet.polyline(around, np.concatenate((upper, bleed_y[::-1])), fill=style.HEAT[1])
            sheet.polyline(around, np.concatenate((upper, own_y[::-1])), fill=style.TRACE)


def _names(sheet: Sheet, curves: Sequence[Curve], pieces: Sequence[Sequence[Points]], box: Box) -> None:
    """What each curve is, right of where it ends; moved apart where several end at the edge side by side."""
    ends = [(float(p[-1][1][-1]), float(p[-1][0][-1]), c) for c, p in zip(curves, pieces, strict=True) if p]
    for y, x, curve in ends:
        if x < box.right - SHORT_W:  # a line to the edge would pass for the curve itself
            sheet.text(x + 2.0, min(y - 2.0, box.bottom - 2.0), sheet.words(curve.name), _face(curve))
    at_edge = sorted((e for e in ends if e[1] >= box.right - SHORT_W), key=lambda end: end[0])
    n = len(at_edge)
    above = -1e9
    for i, (y, x, curve) in enumerate(at_edge):
        least = box.y + 2.0 + (i + 0.5) * NAME_PITCH
        most = box.bottom - (n - i - 0.5) * NAME_PITCH
        above = min(max(y, least, above + NAME_PITCH), most)
        sheet.line(x, y, box.right + NAME_GAP - 1.5, above, style.QUIET, 0.4)
        sheet.text(box.right + NAME_GAP, above + 2.7, sheet.words(curve.name), _face(curve))
