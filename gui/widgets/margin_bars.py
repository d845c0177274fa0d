"""Margins: one bar per limited channel, its limit at the right end, the first to trip on top."""

from __future__ import annotations

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import QWidget

from gui.state import theme
from gui.state.bars import Bar
from gui.state.theme import Tone
from gui.widgets.look import colour, dashed_pen, font, on_panel

_TITLE_PX = 24
_ROW_LEAST_PX, _ROW_MOST_PX = 31, 46
_TRACK = 0.45
"""Share of the width that a bar takes; the rest is for its limit in words."""


class MarginBars(QWidget):
    """Paints the bars it is handed, as many as fit."""

    def __init__(self) -> None:
        super().__init__()
        self.setMinimumWidth(300)
        self.setMinimumHeight(_TITLE_PX + 4 * _ROW_LEAST_PX)
        self.setAccessibleName("Margins to the limits")
        self._bars: tuple[Bar, ...] = ()

    def show_bars(self, bars: tuple[Bar, ...]) -> None:
        """Show bars, the first on top."""
        if bars == self._bars:
            return
        self._bars = bars
        self.setAccessibleDescription("; ".join(f"{b.label} {b.value}, {b.limit}" for b in bars[:3]))
        self.update()

    def bars(self) -> tuple[Bar, ...]:
        """The bars shown."""
        return self._bars

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802, ARG002 - Qt's name and signature
        painter = QPainter(self)
        painter.fillRect(self.rect(), colour(theme.PANEL))
        painter.setFont(font(13, bold=True))
        painter.setPen(on_panel(Tone.PLAIN))
        painter.drawText(10, 17, "Margins, first to trip on top")
        room = self.height() - _TITLE_PX
        fit = max(room // _ROW_LEAST_PX, 1)
        row = min(max(room // max(len(self._bars), 1), _ROW_LEAST_PX), _ROW_MOST_PX)
        shown = self._bars if len(self._bars) <= fit else self._bars[: max(fit - 1, 1)]
        for i, bar in enumerate(shown):
            top = _TITLE_PX + i * row
            self._paint_bar(painter, bar, QRectF(10, top, self.width() - 20, row))
        if len(shown) < len(self._bars):
            painter.setFont(font(12))
            painter.setPen(on_panel(Tone.SOFT))
            rest = f"{len(self._bars) - len(shown)} more, further from their limits"
            painter.drawText(10, _TITLE_PX + len(shown) * row + 15, rest)

    def _paint_bar(self, painter: QPainter, bar: Bar, box: QRectF) -> None:
        text_pen = on_panel(Tone.STALE if bar.tone is Tone.STALE else Tone.PLAIN)
        metrics_font = font(13, bold=bar.tone in {Tone.DANGER, Tone.CAUTION})
        painter.setFont(metrics_font)
        painter.setPen(text_pen)
        value_width = painter.fontMetrics().horizontalAdvance(bar.value)
        label = painter.fontMetrics().elidedText(
            bar.label, Qt.TextElideMode.ElideRight, int(box.width()) - value_width - 12
        )
        line = QRectF(box.left(), box.top(), box.width(), 17)
        painter.drawText(line, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter, label)
        painter.drawText(line, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, bar.value)
        self._paint_track(painter, bar, QRectF(box.left(), box.top() + 18, _TRACK * box.width(), 10))
        painter.setFont(font(11, bold=bar.is_urgent))
        painter.setPen(on_panel(bar.tone if bar.is_urgent else Tone.SOFT))
        beside = _TRACK * box.width() + 8
        note = QRectF(box.left() + beside, box.top() + 15, box.width() - beside, 16)
        limit = painter.fontMetrics().elidedText(bar.limit, Qt.TextElideMode.ElideRight, int(note.width()))
        painter.drawText(note, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter, limit)

    def _paint_track(self, painter: QPainter, bar: Bar, track: QRectF) -> None:
        painter.fillRect(track, colour(theme.BAR_GROUND))
        fills = {Tone.DANGER: theme.RED, Tone.CAUTION: theme.YELLOW, Tone.STALE: theme.RULE}
        filled = QRectF(track.left(), track.top(), bar.fill * track.width(), track.height())
        painter.fillRect(filled, colour(fills.get(bar.tone, theme.BAR_FILL)))
        if bar.tone is Tone.STALE:
            painter.fillRect(filled, Qt.BrushStyle.BDiagPattern)
        painter.setPen(dashed_pen(theme.INK, (2.0, 2.0)))
        for tick in bar.ticks:
            x = track.left() + tick * track.width()
            painter.drawLine(int(x), int(track.top()), int(x), int(track.bottom()))
        painter.setPen(dashed_pen(theme.INK, (), 3.0))
        painter.drawLine(int(track.right()), int(track.top()) - 2, int(track.right()), int(track.bottom()) + 2)
