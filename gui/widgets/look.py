"""Fonts, pens and the style sheet, made from the table of :mod:`gui.state.theme`."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QFont, QPalette, QPen
from PySide6.QtWidgets import QApplication

from gui.state import theme
from gui.state.theme import LineStyle, Pair, Tone


def font(pixels: int, *, bold: bool = False) -> QFont:
    """The application's font in a size given in pixels."""
    made = QFont(QApplication.font())
    made.setPixelSize(pixels)
    made.setBold(bold)
    return made


def colour(text: str) -> QColor:
    """``#RRGGBB`` or ``#RRGGBBAA``."""
    if len(text) == 9:
        made = QColor(text[:7])
        made.setAlpha(int(text[7:], 16))
        return made
    return QColor(text)


def line_pen(style: LineStyle, *, stale: bool = False) -> QPen:
    """Pen of a trace: width 1, its dashes; grey while its data are old."""
    return dashed_pen(theme.TICK if stale else style.colour, style.dashes)


def dashed_pen(hue: str, dashes: tuple[float, ...] = (), width: float = 1.0) -> QPen:
    """A cosmetic pen with dashes."""
    pen = QPen(colour(hue), width)
    pen.setCosmetic(True)
    if dashes:
        pen.setDashPattern(dashes)
        pen.setCapStyle(Qt.PenCapStyle.FlatCap)
    return pen


def on_panel(tone: Tone) -> QColor:
    """Text colour of a tone on a panel."""
    key = {
        Tone.SOFT: "panel, soft",
        Tone.STALE: "panel, stale",
        Tone.DANGER: "panel, danger",
        Tone.CAUTION: "panel, caution",
    }.get(tone, "panel")
    return colour(theme.OTHER_PAIRS[key].text)


def block(pair: Pair) -> str:
    """Style of a text block with its own ground."""
    return f"color: {pair.text}; background: {pair.ground};"


def style_sheet() -> str:
    """For the whole application."""
    button, off = theme.OTHER_PAIRS["button"], theme.OTHER_PAIRS["button, off"]
    selected, panel = theme.OTHER_PAIRS["selected row"], theme.OTHER_PAIRS["panel"]
    return f"""
    QWidget {{ color: {theme.INK}; background: {theme.PAPER}; font-size: 13px; }}
    QPushButton {{ {block(button)} border: 1px solid {theme.TICK}; border-radius: 2px; padding: 5px 8px; }}
    QPushButton:focus {{ border: 2px solid {theme.INK}; padding: 4px 7px; }}
    QPushButton:hover {{ background: {theme.HOVER}; }}
    QPushButton:disabled {{ {block(off)} border: 1px dashed {theme.RULE}; }}
    QTableView {{ {block(panel)} border: 1px solid {theme.RULE}; gridline-color: {theme.RULE};
        selection-color: {selected.text}; selection-background-color: {selected.ground}; }}
    QTableView:focus {{ border: 1px solid {theme.INK}; }}
    QHeaderView::section {{ {block(theme.TONES[Tone.SOFT])} border: none; padding: 2px 6px; }}
    QListWidget, QTextBrowser {{ {block(panel)} border: 1px solid {theme.RULE}; }}
    QLineEdit, QPlainTextEdit, QTreeWidget {{ {block(panel)} border: 1px solid {theme.TICK}; padding: 2px 4px;
        placeholder-text-color: {theme.INK_SOFT};
        selection-color: {selected.text}; selection-background-color: {selected.ground}; }}
    QLineEdit:focus, QPlainTextEdit:focus, QTreeWidget:focus, QListWidget:focus {{ border: 2px solid {theme.INK}; }}
    QLineEdit:disabled, QPlainTextEdit:disabled {{ {block(off)} }}
    QCheckBox::indicator, QTreeView::indicator, QListView::indicator {{ width: 15px; height: 15px;
        border: 1px solid {theme.INK}; background: {theme.PANEL}; }}
    QCheckBox::indicator:checked, QTreeView::indicator:checked, QListView::indicator:checked {{
        background: {theme.INK}; border: 4px solid {theme.PANEL}; width: 9px; height: 9px; outline: none; }}
    QCheckBox:focus {{ text-decoration: underline; }}
    QToolTip {{ {block(panel)} border: 1px solid {theme.TICK}; }}
    QScrollBar {{ background: {theme.PAPER}; }}
    QListWidget::item {{ padding: 6px; }}
    QListWidget::item:selected {{ {block(selected)} }}
    """


def use_look(ground: theme.Ground) -> None:
    """Paint the whole application on this ground: from the next time that each part of it is made."""
    theme.use(ground)
    application = QApplication.instance()
    if isinstance(application, QApplication):
        application.setStyleSheet(style_sheet())
        palette = application.palette()
        palette.setColor(QPalette.ColorRole.PlaceholderText, colour(theme.INK_SOFT))
        application.setPalette(palette)
