"""Figures of the report drawn into a PDF page as lines and text, by the same drawings as on the HTML page.

Text stays text: it can be searched and copied. The fonts are those of matplotlib (DejaVu), embedded as subsets.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.backend_bases import FigureCanvasBase, RendererBase
from matplotlib.figure import Figure as Drawing
from matplotlib.path import Path as Outline
from matplotlib.transforms import Affine2D
from reportlab.lib.colors import Color
from reportlab.platypus import Flowable

from benchkit.report import svg
from benchkit.report.figures import drawing
from benchkit.report.model import Figure
from benchkit.report.pdf_fonts import REGULAR

POINTS_PER_INCH = 72.0
_CAPS = {"butt": 0, "round": 1, "projecting": 2}
_JOINS = {"miter": 0, "round": 1, "bevel": 2}
_OPAQUE = 1.0


class FigureBox(Flowable):
    """One figure, scaled down where the page is smaller. ``made`` keeps it; ``is_final`` False: its room alone."""

    def __init__(self, spec: Figure, width: float, height: float, made: dict[str, Drawing], *, is_final: bool) -> None:
        super().__init__()
        self._is_final = is_final
        if spec.id not in made:
            with svg.style():
                made[spec.id] = drawing(spec)
        self._drawing = made[spec.id]
        self._size = tuple(float(x) * POINTS_PER_INCH for x in self._drawing.get_size_inches())
        self._scale = min(1.0, width / self._size[0], height / self._size[1])

    def wrap(self, aW: float, aH: float) -> tuple[float, float]:  # noqa: ARG002 - reportlab asks so
        """Room of the figure [pt]."""
        return self._size[0] * self._scale, self._size[1] * self._scale

    def draw(self) -> None:
        """Draw at the place where the page put it."""
        if not self._is_final:
            return
        canvas: Any = self.canv
        canvas.saveState()
        canvas.scale(self._scale, self._scale)
        with svg.style():
            self._drawing.set_dpi(POINTS_PER_INCH)
            holder = _Canvas(self._drawing, canvas)
            self._drawing.draw(holder.get_renderer())
        canvas.restoreState()


class _Canvas(FigureCanvasBase):
    """What matplotlib asks for a renderer, to lay the figure out with the same text widths as it is drawn with."""

    def __init__(self, figure: Drawing, target: Any) -> None:
        super().__init__(figure)
        width, height = (float(x) * POINTS_PER_INCH for x in figure.get_size_inches())
        self._renderer = _Renderer(target, width, height)

    def get_renderer(self) -> _Renderer:
        return self._renderer


class _Renderer(RendererBase):
    """Paths and texts of matplotlib -> operators of a PDF page; one unit is a point."""

    def __init__(self, target: Any, width: float, height: float) -> None:
        super().__init__()
        self._target, self.width, self.height = target, width, height

    def get_canvas_width_height(self) -> tuple[float, float]:
        return self.width, self.height

    def draw_path(self, gc: Any, path: Outline, transform: Any, rgbFace: Any = None) -> None:
        hatch = gc.get_hatch_path()
        is_line = rgbFace is None and hatch is None
        # what lies far outside the figure is cut off, as numbers of any size do not fit into a PDF
        clip = (0.0, 0.0, self.width, self.height) if is_line else None
        shape = self._outline(path, transform, clip, simplify=path.should_simplify and is_line)
        if shape is None:
            return
        self._target.saveState()
        self._clip(gc)
        strokes = gc.get_linewidth() > 0.0 and _alpha(gc, gc.get_rgb()) > 0.0
        if rgbFace is not None:
            alpha = gc.get_alpha() if gc.get_forced_alpha() or len(rgbFace) < 4 else rgbFace[3]
            self._target.setFillColor(_colour(rgbFace, float(alpha)))
        if hatch is not None:
            if rgbFace is not None:
                self._target.drawPath(shape, stroke=0, fill=1)
            self._hatch(gc, hatch, shape, path.get_extents(transform).extents)
            rgbFace = None
        if strokes:
            self._pen(gc)
        if strokes or rgbFace is not None:
            self._target.drawPath(shape, stroke=int(strokes), fill=int(rgbFace is not None))
        self._target.restoreState()

    def draw_text(self, gc: Any, x: float, y: float, s: str, prop: Any, angle: float, *_: Any, **_more: Any) -> None:
        self._target.saveState()
        self._clip(gc)
        rgb = gc.get_rgb()
        self._target.setFillColor(_colour(rgb, _alpha(gc, rgb)))
        self._target.translate(float(x), float(y))
        self._target.rotate(float(angle))
        self._target.setFont(REGULAR if prop.get_weight() != "bold" else f"{REGULAR}-Bold", prop.get_size_in_points())
        self._target.drawString(0.0, 0.0, s)
        self._target.restoreState()

    def flipy(self) -> bool:
        return False

    def option_image_nocomposite(self) -> bool:
        return True

    def draw_image(self, gc: Any, x: float, y: float, im: Any, transform: Any = None) -> None:
        raise NotImplementedError("no figure of the report has pictures made of pixels")

    def _outline(
        self, path: Outline, transform: Any, clip: tuple[float, float, float, float] | None, *, simplify: bool
    ) -> Any:
        shape = self._target.beginPath()
        last: tuple[float, float] | None = None
        for points, code in path.iter_segments(transform, remove_nans=True, clip=clip, simplify=simplify):
            at = [float(v) for v in np.asarray(points).ravel()]
            if code == Outline.MOVETO:
                shape.moveTo(*at)
            elif code == Outline.CLOSEPOLY:
                shape.close()
                continue
            elif code == Outline.LINETO:
                shape.lineTo(*at)
            elif code == Outline.CURVE3 and last is not None:
                shape.curveTo(*_cubic(last, at))
            elif code == Outline.CURVE4:
                shape.curveTo(*at)
            last = (at[-2], at[-1])
        return None if last is None else shape

    def _clip(self, gc: Any) -> None:
        box = gc.get_clip_rectangle()
        if box is not None:
            x, y, width, height = (float(v) for v in box.bounds)
            shape = self._target.beginPath()
            shape.rect(x, y, width, height)
            self._target.clipPath(shape, stroke=0, fill=0)
        path, transform = gc.get_clip_path()
        if path is not None:
            shape = self._outline(path, transform, None, simplify=False)
            if shape is not None:
                self._target.clipPath(shape, stroke=0, fill=0)

    def _pen(self, gc: Any) -> None:
        rgb = gc.get_rgb()
        self._target.setStrokeColor(_colour(rgb, _alpha(gc, rgb)))
        self._target.setLineWidth(float(gc.get_linewidth()))
        self._target.setLineCap(_CAPS[str(gc.get_capstyle())])
        self._target.setLineJoin(_JOINS[str(gc.get_joinstyle())])
        offset, dashes = gc.get_dashes()
        if dashes is not None and len(dashes):
            self._target.setDash([float(v) for v in dashes], float(offset or 0.0))

    def _hatch(self, gc: Any, hatch: Outline, shape: Any, extents: Any) -> None:
        """Tiles of one inch over the whole figure, as everywhere in matplotlib, seen through the shape."""
        rgb = gc.get_hatch_color()
        self._target.saveState()
        self._target.clipPath(shape, stroke=0, fill=0)
        colour = _colour(rgb, float(rgb[3]) if len(rgb) > 3 else _OPAQUE)
        self._target.setStrokeColor(colour)
        self._target.setFillColor(colour)
        self._target.setLineWidth(float(gc.get_hatch_linewidth()))
        ends = (self.width, self.height, self.width, self.height)
        low_x, low_y, high_x, high_y = (min(max(float(v), 0.0), end) for v, end in zip(extents, ends, strict=True))
        tile = POINTS_PER_INCH
        for column in range(math.floor(low_x / tile), math.ceil(high_x / tile)):
            for row in range(math.floor(low_y / tile), math.ceil(high_y / tile)):
                place = Affine2D().scale(tile).translate(column * tile, row * tile)
                strokes = self._outline(hatch, place, None, simplify=False)
                if strokes is not None:
                    self._target.drawPath(strokes, stroke=1, fill=1)
        self._target.restoreState()


def _alpha(gc: Any, rgb: Any) -> float:
    return float(gc.get_alpha() if gc.get_forced_alpha() or len(rgb) < 4 else rgb[3])


def _colour(rgb: Sequence[float], alpha: float) -> Color:
    return Color(float(rgb[0]), float(rgb[1]), float(rgb[2]), alpha)


def _cubic(start: tuple[float, float], at: Sequence[float]) -> tuple[float, float, float, float, float, float]:
    """A quadratic Bézier curve as a cubic one: exact (degree elevation)."""
    (x0, y0), (x1, y1, x2, y2) = start, at
    return (
        x0 + 2.0 / 3.0 * (x1 - x0), y0 + 2.0 / 3.0 * (y1 - y0),
        x2 + 2.0 / 3.0 * (x1 - x2), y2 + 2.0 / 3.0 * (y1 - y2), x2, y2,
    )  # fmt: skip
