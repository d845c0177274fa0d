"""The list of keys, on F1."""

from __future__ import annotations

from html import escape

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QDialog, QTextBrowser, QVBoxLayout, QWidget

from benchkit.model.cautions import CAUTIONS
from gui.state.controls import CONTROLS, VIEW_KEYS
from gui.state.explanations import explanations_html


def help_html() -> str:
    """Keys, what they do, and the cautions in full."""
    rows = [(c.keys, f"{c.text}: {c.help}") for c in CONTROLS] + list(VIEW_KEYS)
    table = "".join(
        f"<tr><td style='padding-right:18px'><b>{escape(keys)}</b></td><td>{escape(text)}</td></tr>"
        for keys, text in rows
    )
    cautions = "".join(f"<p><b>{escape(c.heading)}.</b> {escape(c.text)}</p>" for c in CAUTIONS)
    return f"<h3>Keys</h3><table cellspacing='3'>{table}</table><h3>Cautions</h3>{cautions}"


def live_help_html() -> str:
    """Keys, what the live screen shows, cautions."""
    return f"{help_html()}{explanations_html()}"


def show_help(parent: QWidget) -> QDialog:
    """Open the list beside the window; it does not hold the window up."""
    dialog = QDialog(parent)
    dialog.setWindowTitle("Keys and cautions")
    dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
    dialog.resize(680, 620)
    text = QTextBrowser()
    text.setHtml(help_html())
    QVBoxLayout(dialog).addWidget(text)
    dialog.show()
    return dialog
