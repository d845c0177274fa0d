"""Panel of the limits: a new set point, what it would have done, and only then the button that sets it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from PySide6.QtCore import QRectF, Qt, Slot
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import QHBoxLayout, QLabel, QLineEdit, QListWidget, QListWidgetItem, QWidget

from gui.state import theme
from gui.state.decimals import read, said
from gui.state.limit_moves import MoveRow, Preview, move_rows, preview
from gui.state.live import LiveModel
from gui.state.strokes import places, segments
from gui.state.theme import Tone
from gui.state.trends import is_trip
from gui.widgets.drawer import Page, button, set_tone
from gui.widgets.look import colour, dashed_pen, font
from gui.widgets.trend_paint import draw_lines


class PreviewPlot(QWidget):
    """The channel over the last minutes, the set point in force, and the new one."""

    def __init__(self) -> None:
        super().__init__()
        self.setMinimumHeight(110)
        self.setAccessibleName("Preview of the set point on the data")
        self._shown: Preview | None = None

    def show_preview(self, shown: Preview | None) -> None:
        """Show a preview; None: nothing."""
        self._shown = shown
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802, ARG002 - Qt's name and signature
        painter = QPainter(self)
        painter.fillRect(self.rect(), colour(theme.PANEL))
        shown = self._shown
        if shown is None or not math.isfinite(shown.set_point):
            return
        y = shown.y[np.isfinite(shown.y)]
        points = [*(y.min(), y.max())] if len(y) else []
        points += [shown.set_point, shown.before]
        low, high = min(points), max(points)
        room = max(high - low, 1e-9)
        low, high = low - 0.12 * room, high + 0.12 * room
        factor = -self.height() / (high - low)
        offset = -factor * high
        if len(shown.x) > 1:
            across = self.width() / max(float(shown.x[-1] - shown.x[0]), 1e-9)
            at = replace(places(shown.x[:1], across, 0.0), px=(shown.x - shown.x[0]) * across)  # points joined
            at = replace(at, number=np.zeros(len(shown.x), dtype=np.int64))
            painter.setPen(dashed_pen(theme.LINES[0].colour))
            draw_lines(painter, segments(at, shown.y, factor, offset))
        hue = theme.RED if is_trip(shown.limit) else theme.CAUTION_EDGE
        for value, text, dashes in (
            (shown.before, "in force", (2.0, 4.0)),
            (shown.set_point, "new", (10.0, 4.0)),
        ):
            height = round(value * factor + offset)
            painter.setPen(dashed_pen(hue, dashes, 1.0 if text == "in force" else 2.0))
            painter.drawLine(0, height, self.width(), height)
            painter.setFont(font(12, bold=text == "new"))
            painter.setPen(colour(theme.INK))
            left = 4.0 if text == "new" else self.width() / 2
            words = f"{text} {said(f'{value:g}')} {shown.unit}"
            other = shown.before if text == "new" else shown.set_point
            above = value >= other if 20 < height < self.height() - 20 else height > 20
            box = QRectF(left, height - 17.0 if above else height + 2.0, self.width() / 2, 16.0)
            painter.drawText(box, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter, words)


class LimitPage(Page):
    """Choose a limit, type a set point, look, confirm."""

    def __init__(self) -> None:
        super().__init__()
        self._model: LiveModel | None = None
        self._known: tuple[MoveRow, ...] = ()
        self._preview: Preview | None = None
        self._now_s = 0.0
        self.text("A set point moves to the stricter side only, and back to the profile's. Looser limits are a layer, "
                  "written before the run.", Tone.SOFT)  # fmt: skip
        self.list = QListWidget()
        self.list.setAccessibleName("Limits")
        self.list.setStyleSheet("QListWidget::item { padding: 2px; }")
        self.list.setMinimumHeight(90)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.currentRowChanged.connect(self._chosen)
        self.rows.addWidget(self.list, 1)
        self.setFocusProxy(self.list)
        self.entry = QLineEdit()
        self.entry.setAccessibleName("New set point")
        self.entry.setPlaceholderText("new set point")
        self.entry.textChanged.connect(self._changed)
        self.entry.returnPressed.connect(self.look)
        self.unit = QLabel()
        self.look_button = button("Preview  Enter", "what it would have done to the data so far", self.look)
        line = QHBoxLayout()
        for widget, stretch in ((self.entry, 1), (self.unit, 0), (self.look_button, 0)):
            line.addWidget(widget, stretch)
        self.rows.addLayout(line)
        self.reason = QLineEdit()
        self.reason.setPlaceholderText("Reason")
        self.reason.setMaxLength(400)
        self.reason.setAccessibleName("Reason")
        self.rows.addWidget(self.reason)
        self.plot = PreviewPlot()
        self.rows.addWidget(self.plot)
        self.told = self.text("", Tone.SOFT)
        self.confirm = button("Set", "sends it to the recorder, which decides", self._set)
        self.rows.addWidget(self.confirm)
        self._changed()

    def follow(self, model: LiveModel, now_s: float, *, may_ask: bool) -> None:
        super().follow(model, now_s, may_ask=may_ask)
        self._model, self._now_s = model, now_s
        known = move_rows(model)
        if known != self._known:
            self._known = known
            row = max(self.list.currentRow(), 0)
            self.list.blockSignals(True)
            self.list.clear()
            for one in known:
                item = QListWidgetItem(one.label + (f"  ({one.fixed})" if one.fixed else ""))
                item.setToolTip(one.fixed or "may be made stricter")
                if one.fixed:
                    item.setForeground(colour(theme.INK_SOFT))
                self.list.addItem(item)
            self.list.setCurrentRow(min(row, len(known) - 1))
            self.list.blockSignals(False)
            self._chosen()
        if self._preview is not None:
            self._show(preview(model, self._preview.limit.name, self._preview.set_point, now_s))

    def known(self) -> tuple[MoveRow, ...]:
        """All limits, in the order of the list."""
        return self._known

    def chosen(self) -> MoveRow | None:
        """The limit of the chosen line."""
        row = self.list.currentRow()
        return self._known[row] if 0 <= row < len(self._known) else None

    @Slot()
    def look(self) -> None:
        """Show what the typed set point means; then it can be confirmed."""
        row = self.chosen()
        if self._model is None or row is None or row.fixed:
            return
        value = read(self.entry.text())
        if math.isnan(value):
            set_tone(self.told, f"Not a number: {self.entry.text()!r}. Write it like {said('120.5')}.", Tone.CAUTION)
            return
        self._show(preview(self._model, row.name, value, self._now_s))

    def _show(self, shown: Preview) -> None:
        self._preview = shown
        self.plot.show_preview(shown)
        if shown.fault:
            set_tone(self.told, f"Not allowed: {shown.fault}.", Tone.CAUTION)
        else:
            stops = shown.acts_now and is_trip(shown.limit)
            set_tone(self.told, shown.text, Tone.DANGER if stops else Tone.CAUTION if shown.acts_now else Tone.SOFT)
        self.confirm.setText(f"Set {shown.limit.name} to {said(f'{shown.set_point:g}')} {shown.unit}")
        self.confirm.setEnabled(shown.is_allowed and self.may_ask and shown.set_point != shown.before)

    @Slot()
    def _changed(self) -> None:
        """Another text is another set point: it has to be looked at first."""
        self._preview = None
        self.plot.show_preview(None)
        self.confirm.setText("Set: look at the preview first")
        self.confirm.setEnabled(False)
        set_tone(self.told, "", Tone.SOFT)

    @Slot()
    def _chosen(self) -> None:
        self._changed()
        row = self.chosen()
        is_fixed = row is None or bool(row.fixed)
        for widget in (self.entry, self.reason, self.look_button):
            widget.setEnabled(not is_fixed)
        if row is not None and self._model is not None:
            limit = next(x for x in self._model.in_force.limit_set.limits if x.name == row.name)
            self.unit.setText(preview(self._model, limit.name, limit.set_point, self._now_s).unit)
            set_tone(self.told, f"{row.name} cannot be moved: {row.fixed}." if row.fixed else "", Tone.SOFT)

    @Slot()
    def _set(self) -> None:
        shown = self._preview
        if shown is not None:
            reason = self.reason.text().strip()
            arguments = {"limit": shown.limit.name, "set_point": shown.set_point, "seen": shown.before}
            self.asked.emit("set_limit", {**arguments, "reason": reason})
            self._changed()
