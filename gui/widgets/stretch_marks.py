"""A chosen stretch across all trends of a page: two edges to drag, the same in every plot."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pyqtgraph as pg
from PySide6.QtCore import QObject, Signal, Slot

from gui.state import theme
from gui.widgets.look import colour, dashed_pen
from gui.widgets.trend_plot import TrendPlot

_VEIL = "24"
"""How much of the stretch's colour is seen, hexadecimal."""


class StretchMarks(QObject):
    """Shows and follows one stretch; ``changed`` tells of a drag."""

    changed = Signal(float, float)

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self._items: dict[int, Any] = {}
        self._plots: list[TrendPlot] = []

    def show(self, plots: Sequence[TrendPlot], stretch: tuple[float, float] | None) -> None:
        """Put the stretch onto these plots; None takes it away."""
        for plot in plots:
            if id(plot) not in self._items:
                self._items[id(plot)] = self._made(plot)
                self._plots.append(plot)  # keeps the plot, and so its id
            item = self._items[id(plot)]
            item.setVisible(stretch is not None)
            if stretch is not None:
                item.blockSignals(True)
                item.setRegion(stretch)
                item.blockSignals(False)

    def forget(self) -> None:
        """The plots are gone."""
        self._items.clear()
        self._plots.clear()

    def _made(self, plot: TrendPlot) -> Any:
        ground = colour(theme.BLUE + _VEIL)
        item = pg.LinearRegionItem((0.0, 1.0), brush=ground, pen=dashed_pen(theme.BLUE, (6.0, 3.0)), hoverBrush=ground)
        item.setZValue(-5)
        item.hide()
        plot.item.addItem(item, ignoreBounds=True)
        item.sigRegionChangeFinished.connect(self._dragged)
        return item

    @Slot(object)
    def _dragged(self, item: Any) -> None:
        start_s, end_s = item.getRegion()
        self.changed.emit(float(start_s), float(end_s))
