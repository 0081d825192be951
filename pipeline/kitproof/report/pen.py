"""Lines, areas and pictures on a page; where they are no part of a tagged element they are decoration when read."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas
from reportlab.pdfgen.pathobject import PDFPathObject

from kitproof.report import style
from kitproof.report.style import Box, Colour
from kitproof.report.tagging import Tags


class Pen:
    """Draws on a reportlab canvas, in points from the top left of the page. A draft draws no pictures."""

    def __init__(self, canvas: Canvas, height: float, *, draft: bool) -> None:
        self.canvas = canvas
        self.height = height
        self.draft = draft
        self.tags = Tags(canvas, draft=draft)

    def line(
        self,
        x0: float,
        y0: float,
        x1: float,
        y1: float,
        colour: Colour = style.HAIR,
        width: float = 0.5,
        dash: tuple[float, float] | None = None,
    ) -> None:
        """A straight line."""
        self.segments([(x0, y0, x1, y1)], colour, width, dash)

    def segments(
        self,
        segments: Iterable[tuple[float, float, float, float]],
        colour: Colour = style.INK,
        width: float = 0.5,
        dash: tuple[float, float] | None = None,
    ) -> None:
        """Many straight lines (x0, y0, x1, y1) of one look."""
        h = self.height
        code = [f"{a:.2f} {h - b:.2f} m {c:.2f} {h - d:.2f} l" for a, b, c, d in segments]
        self._paint(code, None, colour, width, dash)

    def polyline(
        self,
        xs: NDArray[Any],
        ys: NDArray[Any],
        *,
        fill: Colour | None = None,
        stroke: Colour | None = None,
        width: float = 0.7,
        dash: tuple[float, float] | None = None,
    ) -> None:
        """A line through points, or with `fill` the area it encloses. xs, ys : (n,) points."""
        if len(xs) < 2:
            return
        pairs = [f"{x:.1f} {y:.1f}" for x, y in zip(xs.tolist(), (self.height - ys).tolist(), strict=True)]
        code = [pairs[0] + " m", *(p + " l" for p in pairs[1:]), *(["h"] if fill else [])]
        self._paint(code, fill, stroke, width, dash)

    def rect(
        self,
        box: Box,
        *,
        fill: Colour | None = None,
        stroke: Colour | None = None,
        width: float = 0.5,
        radius: float = 0.0,
        dash: tuple[float, float] | None = None,
    ) -> None:
        """A rectangle, with round corners if `radius` > 0."""
        self._pen(fill, stroke, width, dash)
        draw = self.canvas.roundRect if radius else self.canvas.rect
        extra = {"radius": radius} if radius else {}
        draw(
            box.x, self.height - box.bottom, box.w, box.h,
            stroke=int(stroke is not None), fill=int(fill is not None), **extra,
        )  # fmt: skip

    def circle(
        self,
        x: float,
        y: float,
        radius: float,
        *,
        fill: Colour | None = None,
        stroke: Colour | None = None,
        width: float = 0.8,
    ) -> None:
        """A circle around (x, y)."""
        self._pen(fill, stroke, width, None)
        self.canvas.circle(x, self.height - y, radius, stroke=int(stroke is not None), fill=int(fill is not None))

    def image(self, pixels: NDArray[np.uint8], box: Box) -> None:
        """A raster stretched over a box. pixels : (rows, columns, 3), top row first. Left out of the draft."""
        if not self.draft:
            self.tags.mark()
            reader = ImageReader(Image.fromarray(pixels))
            self.canvas.drawImage(reader, box.x, self.height - box.bottom, box.w, box.h)

    def clip(self, box: Box) -> None:
        """Cut everything off at the box until `unclip`."""
        self.tags.mark()
        self.canvas.saveState()
        path = self.canvas.beginPath()
        path.rect(box.x, self.height - box.bottom, box.w, box.h)
        self.canvas.clipPath(path, stroke=0, fill=0)

    def unclip(self) -> None:
        """End the last `clip`."""
        self.canvas.restoreState()

    def _pen(self, fill: Colour | None, stroke: Colour | None, width: float, dash: tuple[float, float] | None) -> None:
        self.tags.mark()
        if fill is not None:
            self.canvas.setFillColorRGB(*fill)
        if stroke is not None:
            self.canvas.setStrokeColorRGB(*stroke)
            self.canvas.setLineWidth(width)
            self.canvas.setDash(list(dash or ()))

    def _paint(
        self,
        code: list[str],
        fill: Colour | None,
        stroke: Colour | None,
        width: float,
        dash: tuple[float, float] | None,
    ) -> None:
        """Paint a path given as ready operators: writing them out here is ten times faster than one call each."""
        if code:
            self._pen(fill, stroke, width, dash)
            self.canvas.drawPath(PDFPathObject(code), stroke=int(stroke is not None), fill=int(fill is not None))
