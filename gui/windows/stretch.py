"""What is said of a chosen stretch, beside the recorded view; it does not hold the window up."""

from __future__ import annotations

from html import escape

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QDialog, QLabel, QScrollArea, QVBoxLayout, QWidget

from benchkit.report.model import Paragraph
from gui.state.stretch import StretchResult
from gui.widgets.report_blocks import heading, table_panel, text_panel


class StretchDialog(QDialog):
    """Means with uncertainty, powers, and whether the stretch was steady."""

    def __init__(self, parent: QWidget, result: StretchResult) -> None:
        super().__init__(parent)
        self.result_shown = result
        self.setWindowTitle(f"Operating point of {result.title}")
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.resize(960, 780)
        inner = QWidget()
        layout = QVBoxLayout(inner)
        layout.addWidget(heading(f"Operating point, {result.title}"))
        for head, text, tone in result.lines:
            layout.addWidget(text_panel(Paragraph(text, tone, head)))
        for table in result.tables:
            layout.addWidget(table_panel(table, most_rows=100))
        layout.addStretch(1)
        area = QScrollArea()
        area.setWidgetResizable(True)
        area.setWidget(inner)
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.addWidget(area)

    def texts(self) -> str:
        """All labels, as plain text."""
        return "\n".join(escape(label.text()) for label in self.findChildren(QLabel))
