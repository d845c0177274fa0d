"""Keys of the windows."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QMainWindow

from gui.widgets.trend_pages import TrendPages
from gui.windows.help import show_help


def bind_keys(window: QMainWindow, trends: TrendPages, **more: Callable[[], object]) -> None:
    """Bind the keys that all windows have, and ``more``: key sequence, with ``_`` for ``+``, to what it does."""
    bound: dict[str, Callable[[], object]] = {
        "F1": partial(show_help, window),
        "PgDown": trends.next_page,
        "PgUp": trends.previous_page,
        "+": trends.zoom_in,
        "-": trends.zoom_out,
        "Ctrl+W": window.close,
    }
    bind(window, bound | {keys.replace("_", "+"): action for keys, action in more.items()})


def bind(window: QMainWindow, bound: Mapping[str, Callable[[], object]]) -> None:
    """Bind keys to what they do, for as long as the window lives."""
    for keys, action in bound.items():
        QShortcut(QKeySequence(keys), window).activated.connect(action)
