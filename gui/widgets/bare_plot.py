"""A plot of the library without its buttons and menus, which would outlive it."""

from __future__ import annotations

from typing import Any

import pyqtgraph as pg
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QWidget

from gui.state import theme
from gui.widgets.look import colour, dashed_pen, font


def adopt_menu(item: Any, owner: QWidget) -> None:
    """Let the menu of a plot go with its owner: it has no parent of its own, and would stay when the plot is gone."""
    item.ctrlMenu.setParent(owner, item.ctrlMenu.windowFlags())  # as a window: a plain child would be shown


def bare_plot(owner: QWidget, text_colour: str, text_px: int) -> Any:
    """A plot widget for ``owner``: no menu, no button, no focus, axes in our colours."""
    pg.setConfigOptions(antialias=False, background=theme.PANEL, foreground=theme.INK_SOFT)
    plot = pg.PlotWidget(background=theme.PANEL, enableMenu=False)
    item = plot.getPlotItem()
    item.hideButtons()
    item.vb.disableAutoRange()
    plot.setFocusPolicy(Qt.FocusPolicy.NoFocus)
    adopt_menu(item, owner)
    for name in ("left", "bottom"):
        axis = item.getAxis(name)
        axis.setPen(dashed_pen(theme.TICK))
        axis.setTextPen(colour(text_colour))
        axis.setStyle(tickFont=font(text_px))
    return plot
