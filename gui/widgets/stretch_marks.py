"""A chosen stretch across all trends of a page: two edges to drag, the same in every plot."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QObject, Signal

from gui.widgets.trend_plot import TrendPlot


class StretchMarks(QObject):
    """Shows and follows one stretch; ``changed`` tells of a drag."""

    changed = Signal(float, float)

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self._followed: set[TrendPlot] = set()

    def show(self, plots: Sequence[TrendPlot], stretch: tuple[float, float] | None) -> None:
        """Put the stretch onto these plots; None takes it away."""
        for plot in plots:
            if plot not in self._followed:
                self._followed.add(plot)
                plot.canvas.stretch_changed.connect(self.changed)
            if plot.canvas.stretch != stretch:
                plot.canvas.set_stretch(stretch)

    def forget(self) -> None:
        """The plots are gone."""
        self._followed.clear()
