"""The row of a channel's page about its strokes: the mean stroke, spectra, and how the drum's ring dies away."""

from __future__ import annotations

from dataclasses import dataclass

from kitproof.model import Channel, ChannelPicture, HitPicture
from kitproof.observed.instrument import DrumRing
from kitproof.report import alternatives, missing, numbers, style
from kitproof.report.anatomy import caption, caption_height
from kitproof.report.context import Context
from kitproof.report.figures.ring import draw_ring, free_corner
from kitproof.report.figures.spectra import Curve, curves_of, draw_spectra, names_width
from kitproof.report.figures.stroke import draw_stroke
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box
from kitproof.report.typeset import shorten_middle, text_width

FIGURE_H = (72.0, 88.0, 104.0)  # at least, well to be read, and with what the page has left
HEAD_H, AXIS_H = 16.0, 15.0  # title above, numbers below
GAP = 18.0
STROKE_AXIS_W, SPECTRA_AXIS_W, RING_AXIS_W = 32.0, 26.0, 24.0
STROKE_SHARE, STROKE_SHARE_OF_THREE, RING_SHARE = 0.4, 0.3, 0.26  # of the width; the spectra take the rest


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What there is to show of one channel; nothing in it where there are no strokes and no levels."""

    channel: Channel
    picture: ChannelPicture | None
    hit: HitPicture | None
    ring: DrumRing | None  # with a course to draw
    curves: tuple[Curve, ...]
    ring_hz: float | None

    @property
    def whole_file(self) -> bool:
        """Whether the spectra are of the file, not of strokes."""
        return any(c.name == "channels.curve_whole" for c in self.curves)


def row_of(ctx: Context, channel: Channel) -> Row:
    """Look up what there is."""
    drum = ctx.drum_of(channel)
    picture, hit, ring = ctx.pictures.get(channel.file), ctx.hit_picture(channel.file, drum), ctx.ring(channel.file)
    curves: list[Curve] = []
    if picture is not None:
        known = drum is not None and (picture.own_spectrum_dbfs is not None or hit is not None)
        curves = [c for c in curves_of(picture, hit, at_a_drum=known) if c.has_level]
    return Row(
        channel=channel, picture=picture, hit=hit, ring=ring if ring and ring.fall_db else None, curves=tuple(curves),
        ring_hz=ring.late_hz if ring else None,
    )  # fmt: skip


def height(sheet: Sheet, ctx: Context, row: Row, figure_h: float) -> float:
    """Room that the row takes, with its caption."""
    if not row.curves and row.hit is None:
        return 0.0
    return HEAD_H + figure_h + AXIS_H + caption_height(sheet, said(ctx, row))


def draw_row(sheet: Sheet, ctx: Context, row: Row, figure_h: float) -> None:
    """Draw it at `sheet.y`."""
    if not row.curves and row.hit is None:
        return
    share = STROKE_SHARE if row.ring is None else STROKE_SHARE_OF_THREE
    left, right = sheet.left, sheet.right
    if row.hit is not None:
        width = share * sheet.text_w if row.curves else sheet.text_w
        _stroke(sheet, ctx, row.hit, Box(left, sheet.y, width - GAP / 2, figure_h))
        left += width + GAP / 2
    if row.ring is not None:
        width = RING_SHARE * sheet.text_w
        _ring(sheet, ctx, row.ring, Box(right - width + GAP / 2, sheet.y, width - GAP / 2, figure_h))
        right -= width + GAP / 2
    if row.curves:
        _spectra(sheet, ctx, row, Box(left, sheet.y, right - left, figure_h))
    sheet.y += HEAD_H + figure_h + AXIS_H
    caption(sheet, said(ctx, row))


def said(ctx: Context, row: Row) -> str:
    """The caption: what to look for in what is drawn, and why something is not."""
    words = ctx.words
    why = row.picture.unmeasured if row.picture is not None else {}
    parts = [words("channels.caption_stroke")] if row.hit is not None else []
    if row.curves and row.whole_file:
        parts.append(words("channels.caption_whole"))
        if ctx.drum_of(row.channel) is None:
            parts.append(words("channels.caption_far"))
        elif "own_spectrum_dbfs" in why:
            parts.append(words("channels.no_own", reason=missing.said(words, why["own_spectrum_dbfs"])))
    elif row.curves:
        parts.append(words("channels.caption_spectra"))
        if "bleed_spectrum_dbfs" in why:
            parts.append(words("channels.no_bleed", reason=missing.said(words, why["bleed_spectrum_dbfs"])))
    if row.ring is not None:
        parts.append(words("channels.caption_ring_bent" if row.ring.decay_s is None else "channels.caption_ring"))
    elif row.ring_hz is not None:
        parts.append(words("channels.caption_arrow"))
    return words.sentences(*parts)


# ---------------------------------------------------------------- the three figures
def _inner(box: Box, axis_w: float, right_w: float = 0.0) -> Box:
    """Where the plot of a column stands: below its title, right of its numbers."""
    return Box(box.x + axis_w, box.y + HEAD_H, box.w - axis_w - right_w, box.h)


def _title(sheet: Sheet, box: Box, text: str) -> None:
    sheet.text(box.x, box.y + 9.0, shorten_middle(text, style.LABEL_BOLD, box.w), style.LABEL_BOLD)


def _stroke(sheet: Sheet, ctx: Context, hit: HitPicture, box: Box) -> None:
    with sheet.figure(alternatives.stroke(ctx, hit)):
        _title(sheet, box, _stroke_title(ctx, hit, box.w))
        draw_stroke(sheet, hit, _inner(box, STROKE_AXIS_W))


def _stroke_title(ctx: Context, hit: HitPicture, width: float) -> str:
    """With the drum's name where there is room for it: in most cases the page is about that drum anyway."""
    n = numbers.grouped(hit.n_hits)
    whole = ctx.words("channels.stroke", drum=ctx.drum(hit.drum), n=n)
    fits = text_width(whole, style.LABEL_BOLD.font, style.LABEL_BOLD.size) <= width
    return whole if fits else ctx.words("channels.stroke_short", n=n)


def _spectra(sheet: Sheet, ctx: Context, row: Row, box: Box) -> None:
    names = [ctx.words(c.name) for c in row.curves]
    with sheet.figure(alternatives.spectra(ctx, row.channel, names, row.ring_hz)):
        _title(sheet, box, ctx.words("channels.spectra"))
        plot = _inner(box, SPECTRA_AXIS_W, names_width(sheet, row.curves))
        draw_spectra(sheet, row.curves, plot, row.ring_hz)


def _ring(sheet: Sheet, ctx: Context, ring: DrumRing, box: Box) -> None:
    words = ctx.words
    text = words("channels.ring_bent")
    if ring.decay_s is not None:
        text = words("channels.ring_fall", seconds=numbers.fixed(ring.decay_s, 2))
    with sheet.figure(alternatives.ring(ctx, ring, text)):
        _title(sheet, box, words("channels.ring_title"))
        plot = _inner(box, RING_AXIS_W)
        draw_ring(sheet, ring, plot)
        shown = shorten_middle(text, style.TICK, plot.w - 8.0)
        width = text_width(shown, style.TICK.font, style.TICK.size)
        base = free_corner(ring, plot)
        sheet.rect(Box(plot.right - width - 5.0, base - 7.5, width + 4.0, 9.5), fill=style.PAPER)
        sheet.text(plot.right - 3.0, base, shown, style.TICK, align="right")
