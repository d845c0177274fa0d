"""The power path, painted."""

from __future__ import annotations

from PySide6.QtGui import QPainter, QPainterPath, QPaintEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from gui.state import theme
from gui.state.power import PowerPath
from gui.state.ribbon import Fill, Outline, RibbonPicture, Size, ribbon_picture, scale_step
from gui.state.theme import Tone
from gui.state.wording import age, percent, watts
from gui.widgets.look import colour, dashed_pen, font, on_panel

_PIXELS = {Size.SMALL: 13, Size.MEDIUM: 17, Size.LARGE: 27}


def _fill(of: Fill) -> str:
    return {Fill.POWER: theme.POWER_FILL, Fill.LOSS: theme.LOSS_FILL, Fill.UNKNOWN: theme.PANEL}[of]


def _edge(of: Fill) -> str:
    return {Fill.POWER: theme.POWER_EDGE, Fill.LOSS: theme.LOSS_EDGE, Fill.UNKNOWN: theme.TICK}[of]


class PowerRibbon(QWidget):
    """DC link to propeller as one ribbon; its thickness is the power."""

    def __init__(self) -> None:
        super().__init__()
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName("Power path")
        self._path: PowerPath | None = None
        self._note = ""
        self._tone = Tone.PLAIN
        self._full_w = 0.0

    def show_path(self, path: PowerPath, stale_s: float | None, where: str) -> None:
        """Show powers; ``stale_s`` is the age of old values, None for fresh ones; ``where`` says of which moment."""
        self._path = path
        self._tone = Tone.PLAIN if stale_s is None else Tone.STALE
        self._full_w = max(self._full_w, scale_step(path.greatest_w))
        when = where if stale_s is None else f"stale {age(stale_s)}"
        self._note = f"{when} · ribbon full at {watts(self._full_w)} · ± is k = 2, calibration only"
        parts = [f"{s.name} {percent(s.efficiency.value, s.efficiency.u)}" for s in path.stages]
        self.setAccessibleDescription("; ".join(parts))
        self.update()

    def forget(self) -> None:
        """Start anew, for another run: neither its powers nor its scale are those of the last one."""
        self._path = None
        self._full_w = 0.0
        self.setAccessibleDescription("")
        self.update()

    def picture(self) -> RibbonPicture | None:
        """What is painted now."""
        if self._path is None:
            return None
        return ribbon_picture(self._path, self._full_w, self.width(), self.height(), self._tone)

    def note(self) -> str:
        """The line at the lower right."""
        return self._note

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802, ARG002 - Qt's name and signature
        painter = QPainter(self)
        painter.fillRect(self.rect(), colour(theme.PANEL))
        picture = self.picture()
        if picture is None:
            return
        painter.setPen(dashed_pen(theme.RULE))
        for x, upper, lower in picture.ticks:
            painter.drawLine(int(x), int(upper), int(x), int(lower))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        for outline in picture.outlines:
            self._paint_outline(painter, outline)
        for label in picture.labels:
            painter.setFont(font(_PIXELS[label.size], bold=label.size is Size.LARGE))
            painter.setPen(on_panel(label.tone))
            painter.drawText(int(label.x), int(label.y), label.text)
        painter.setFont(font(12))
        painter.setPen(on_panel(Tone.SOFT))
        width = painter.fontMetrics().horizontalAdvance(self._note)
        painter.drawText(self.width() - width - 10, self.height() - 8, self._note)

    def _paint_outline(self, painter: QPainter, outline: Outline) -> None:
        path = QPainterPath()
        for name, numbers in outline.path:
            if name == "M":
                path.moveTo(*numbers)
            elif name == "L":
                path.lineTo(*numbers)
            else:
                path.cubicTo(*numbers)
        path.closeSubpath()
        stale = self._tone is Tone.STALE
        painter.setPen(dashed_pen(_edge(outline.fill), (4.0, 3.0) if stale or outline.fill is Fill.UNKNOWN else ()))
        painter.setBrush(colour(theme.STALE_GROUND if stale else _fill(outline.fill)))
        painter.drawPath(path)
