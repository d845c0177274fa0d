"""Menus whose every entry has its key beside it, and the list of these keys."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape

from PySide6.QtCore import Qt
from PySide6.QtGui import QAction, QKeySequence
from PySide6.QtWidgets import QDialog, QMainWindow, QMenu, QTextBrowser, QVBoxLayout

AddAction = Callable[[str, str, Callable[[], object]], QAction]


def add_menu(window: QMainWindow, title: str) -> AddAction:
    """A menu of the window; what is returned adds an entry: its text, its key (empty: none), what it does."""
    menu = window.menuBar().addMenu(title)

    def add(text: str, key: str, does: Callable[[], object]) -> QAction:
        action = QAction(text, window)
        if key:
            action.setShortcut(QKeySequence(key))
        action.triggered.connect(lambda _=False: does())
        menu.addAction(action)
        return action

    return add


def add_window_menu(window: QMainWindow, more: Sequence[tuple[str, str]] = (), *, are_bound: bool = False) -> None:
    """The last menu: the list of keys, and closing. ``more``: keys that stand in no menu, and what they do.

    ``are_bound``: the window has bound F1 and Ctrl+W already, and ``more`` names them.
    """
    add = add_menu(window, "&Window")
    add("Keys\tF1" if are_bound else "Keys", "" if are_bound else "F1", lambda: show_keys(window, more))
    add("Close\tCtrl+W" if are_bound else "Close", "" if are_bound else "Ctrl+W", window.close)


def keys_of(window: QMainWindow) -> list[tuple[str, str]]:
    """Every entry of the menus that has a key: the key and the text."""
    found = []
    for top in window.menuBar().actions():
        menu = top.menu()
        for action in menu.actions() if isinstance(menu, QMenu) else ():
            keys = action.shortcut().toString(QKeySequence.SequenceFormat.NativeText)
            if keys:
                found.append((keys, action.text().replace("&", "").rstrip(" …")))
    return found


def show_keys(window: QMainWindow, more: Sequence[tuple[str, str]] = ()) -> QDialog:
    """Open the list beside the window; it does not hold the window up."""
    dialog = QDialog(window)
    dialog.setWindowTitle("Keys")
    dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
    dialog.resize(560, 560)
    rows = "".join(
        f"<tr><td style='padding-right:18px'><b>{escape(keys)}</b></td><td>{escape(text)}</td></tr>"
        for keys, text in (*keys_of(window), *more)
    )
    text = QTextBrowser()
    text.setHtml(f"<h3>Keys</h3><table cellspacing='3'>{rows}</table>")
    QVBoxLayout(dialog).addWidget(text)
    dialog.show()
    return dialog
