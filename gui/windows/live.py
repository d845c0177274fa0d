"""The window of a stand that is being recorded. Closing it changes nothing in protection or recording."""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial
from typing import Any

from PySide6.QtCore import QTimer, Signal, Slot
from PySide6.QtGui import QCloseEvent
from PySide6.QtWidgets import QHBoxLayout, QMainWindow, QPushButton, QSizePolicy, QWidget

from gui.bridge.link import WHO, Answer, Attached, FindRecorder, RecorderLink
from gui.state import decimals, theme
from gui.state.bars import RESORT_S
from gui.state.controls import CLOSE_PANEL_KEYS, PANELS, PRESENCE_KEYS, answer_text
from gui.state.cursors import Cursors, cursor_rows
from gui.state.events import flags
from gui.state.headline import Link, absent_headline, stood_still
from gui.state.live import LiveModel
from gui.state.plan_words import is_called_for
from gui.state.settings import Layout, Settings
from gui.state.trends import live_view, window_step
from gui.widgets.alarm_page import AlarmPage
from gui.widgets.close_bar import CloseBar
from gui.widgets.control_panel import ControlPanel
from gui.widgets.drawer import Drawer, set_call
from gui.widgets.limit_page import LimitPage
from gui.widgets.look import use_look
from gui.widgets.plan_page import PlanPage
from gui.widgets.run_pages import BurstPage, NotePage, StartPage, TarePage
from gui.widgets.trend_plot import FLAGS
from gui.widgets.view_pages import HelpPage, LookPage, TracePage
from gui.windows.frame import Frame
from gui.windows.help import live_help_html
from gui.windows.keys import bind

FRAME_MS = 40
_WORDS_EVERY = 5
_STILL_S = 1.0
"""A screen that was not drawn for this long says so, for as long as it stood still and at least for some seconds."""
_STILL_SHOWN_S = 6.0
_GONE_S = 5.0
"""A recorder that was silent for longer records nothing that one could ask about."""


class LiveWindow(QMainWindow):
    """One timer draws; the link's thread receives. ``target`` names in words where a recorder is looked for."""

    look_changed = Signal()

    def __init__(self, find: FindRecorder, target: str, settings: Settings | None = None) -> None:
        super().__init__()
        self.settings = settings or Settings()
        self.setWindowTitle("benchkit dashboard")
        self.resize(1600, 900)
        self.model: LiveModel | None = None
        self.may_command = True
        self.held: tuple[float, float] | None = None
        self.cursors = Cursors([-1.0, -1.0])
        self._target = target
        self._layout = Layout()
        self._frames = 0
        self._shown: tuple[float, ...] = ()
        self._sorted_s = self._opened_s = self._drawn_s = time.perf_counter()
        self._still: tuple[float, float] | None = None
        self._view = (0.0, 1.0)
        self._build()
        self.link = RecorderLink(find, self)
        self.link.attached.connect(self._attached)
        self.link.answered.connect(self._answered)
        bind(self, self._keys())
        self.timer = QTimer(self)
        self.timer.setInterval(FRAME_MS)
        self.timer.timeout.connect(self.draw)
        self.link.start()
        self.timer.start()
        self.draw()

    # ------------------------------------------------------------------ made once, and anew with another look

    def _build(self) -> None:
        self.controls = ControlPanel()
        self.frame = Frame(self.controls, browsable=False)
        self.drawer = Drawer(
            {
                "help": partial(HelpPage, live_help_html()),
                "alarms": AlarmPage,
                "limits": LimitPage,
                "note": NotePage,
                "tare": TarePage,
                "start": StartPage,
                "burst": BurstPage,
                "traces": self._trace_page,
                "plan": self._plan_page,
                "look": self._look_page,
            }
        )
        self.close_bar = CloseBar()
        self.frame.add_drawer(self.drawer)
        self.frame.add_bar(self._panel_bar())
        self.frame.add_top(self.close_bar)
        self.setCentralWidget(self.frame)
        self.controls.asked.connect(self._ask)
        self.drawer.asked.connect(self._ask_with)
        self.drawer.opened.connect(self._drawer_opened)
        self.close_bar.close_asked.connect(self._close_now)
        self.close_bar.end_asked.connect(self._end_recording)
        trends = self.frame.trends
        trends.zoom_asked.connect(self._zoom)
        trends.range_changed.connect(self._range)
        trends.cursor_asked.connect(self._click)

    def _panel_bar(self) -> QWidget:
        bar = QWidget()
        line = QHBoxLayout(bar)
        line.setContentsMargins(0, 0, 0, 0)
        line.setSpacing(4)
        self.panel_buttons: dict[str, QPushButton] = {}
        for panel in PANELS:
            made = QPushButton(panel.label)
            made.setToolTip(panel.help)
            made.setCheckable(True)
            set_call(made, calls=False)
            made.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
            made.clicked.connect(partial(self._toggle, panel.name))
            line.addWidget(made, 1)
            self.panel_buttons[panel.name] = made
        return bar

    def _trace_page(self) -> TracePage:
        page = TracePage()
        page.hidden_changed.connect(self._hide_channels)
        page.window_asked.connect(self._set_window)
        page.hold_asked.connect(self.toggle_hold)
        page.cursors_asked.connect(self.toggle_cursors)
        if self.model is not None:
            page.show_channels(self.model.stand, frozenset(self._layout.hidden))
        return page

    def _plan_page(self) -> PlanPage:
        page = PlanPage()
        page.present.connect(partial(self.link.ask, "plan_present", who=self.settings.who or WHO))
        return page

    def _look_page(self) -> LookPage:
        page = LookPage(self.settings)
        page.changed.connect(self._change_look)
        return page

    def _keys(self) -> dict[str, Callable[[], object]]:
        keys: dict[str, Callable[[], object]] = {panel.keys: partial(self._toggle, panel.name) for panel in PANELS}
        steps = (("Left", 0, -0.002), ("Right", 0, 0.002), ("Ctrl+Left", 1, -0.002), ("Ctrl+Right", 1, 0.002))
        for name, which, share in steps:
            keys[name] = partial(self._step_cursor, which, share)
            keys[f"Shift+{name}" if "Ctrl" not in name else name.replace("Ctrl", "Ctrl+Shift")] = partial(
                self._step_cursor, which, 10.0 * share
            )
        return keys | {
            CLOSE_PANEL_KEYS: self._shut_panel,
            "PgDown": self._next_page,
            "PgUp": self._previous_page,
            "+": partial(self._zoom, -1),
            "-": partial(self._zoom, 1),
            "H": self.toggle_hold,
            "C": self.toggle_cursors,
            PRESENCE_KEYS: partial(self._ask_with, "plan_acknowledge", {}),
            "Ctrl+W": self.ask_close,
        }

    # ------------------------------------------------------------------ closing

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802 - Qt's name
        if event.spontaneous() and self._is_recording():  # by the window manager: a person, and perhaps by mistake
            event.ignore()
            self.ask_close()
            return
        self.timer.stop()
        self._keep_layout()
        self.link.stop()
        super().closeEvent(event)

    @Slot()
    def ask_close(self) -> None:
        """Close; while a run is recorded, ask first. The recorder goes on either way."""
        if self._is_recording() and not self.close_bar.isVisible():
            self.close_bar.ask(may_end=self.may_command)
        else:
            self.close()

    @Slot()
    def _close_now(self) -> None:
        self.close()

    @Slot()
    def _end_recording(self) -> None:
        self._ask("close")

    def _is_recording(self) -> bool:
        model = self.model
        if model is None or model.status is None:
            return False
        return model.status.recording and model.silence_s(time.perf_counter()) < _GONE_S

    # ------------------------------------------------------------------ drawing

    @Slot()
    def draw(self) -> None:
        """One frame: take in what came, draw the trends; words and bars every fifth time."""
        now_s = time.perf_counter()
        self._notice_stillness(now_s)
        model = self.model
        if model is None:
            self.frame.state_line.show_headline(absent_headline(self._target, now_s - self._opened_s))
            self.controls.offer(None, is_linked=False)
            return
        for message, at_s in self.link.drain():
            model.take(message, at_s)
        model.malformed = self.link.malformed
        trends = self.frame.trends
        start_s, end_s, edge_s = live_view(model.edge_s(now_s), self._layout.window_s * model.pace, trends.pixels())
        if self.held is not None:
            start_s, end_s = self.held
            edge_s = 0.0
        self._view = (start_s, end_s)
        shown = (start_s, end_s, edge_s, trends.page(), trends.pixels())
        if shown != self._shown:
            self._shown = shown
            trends.draw(model, start_s, end_s)
        if self._frames % _WORDS_EVERY == 0:
            self._draw_words(model, now_s)
            trends.show_flags(flags(list(model.log.lines), start_s, end_s, FLAGS))
        self._frames += 1

    def _notice_stillness(self, now_s: float) -> None:
        """A process that was stopped, or a machine that slept, draws on as if nothing had been: it is said."""
        if now_s - self._drawn_s > _STILL_S and self._frames:
            self._still = (now_s - self._drawn_s, now_s)
            self._frames = 0
            if self.model is not None:  # the words before all else
                self._draw_headline(self.model, now_s)
                self.frame.state_line.repaint()
        self._drawn_s = now_s

    def _draw_words(self, model: LiveModel, now_s: float) -> None:
        resort = now_s - self._sorted_s >= RESORT_S or self._frames == 0
        if resort:
            self._sorted_s = now_s
        self._draw_headline(model, now_s)
        self.frame.trends.show_limits(model.in_force.limit_set.limits)
        self.frame.show_moment(model.moment(now_s), decimals.said("mean of the last 0.5 s"), resort=resort)
        self.frame.events.show_log(model.log)
        is_linked = model.link(now_s) is not Link.NO_RECORDER
        self.controls.offer(model.state(now_s), is_linked=is_linked, may_command=self.may_command)
        self._follow_plan(model, now_s, is_linked=is_linked)
        self._follow_panel(model, now_s)
        self.close_bar.follow(is_recording=self._is_recording())

    def _follow_plan(self, model: LiveModel, now_s: float, *, is_linked: bool) -> None:
        """What a plan asks of the operator is on the window, whatever panel is open."""
        status = None if model.status is None or not is_linked else model.status.plan
        panel = next(panel for panel in PANELS if panel.name == "plan")
        calls = is_called_for(status)
        made = self.panel_buttons["plan"]
        made.setText(f"PLAN: {PRESENCE_KEYS}" if calls else panel.label)
        set_call(made, calls=calls)
        page = self.drawer.pages.get("plan")
        if isinstance(page, PlanPage) and is_linked:
            page.say_present(status, now_s)

    def _draw_headline(self, model: LiveModel, now_s: float) -> None:
        headline = model.headline(now_s)
        if self._still is not None:
            length_s, since_s = self._still
            if now_s - since_s <= max(_STILL_SHOWN_S, length_s):
                headline = stood_still(headline, length_s)
            else:
                self._still = None
        self.frame.state_line.show_headline(headline)

    def _follow_panel(self, model: LiveModel, now_s: float) -> None:
        is_linked = model.link(now_s) is not Link.NO_RECORDER
        self.drawer.follow(model, now_s, may_ask=is_linked and self.may_command)
        page = self.drawer.page()
        if isinstance(page, TracePage):
            self._follow_traces(model, page)

    def _follow_traces(self, model: LiveModel, page: TracePage) -> None:
        page.show_length(self._layout.window_s, is_held=self.held is not None)
        if not self.cursors.are_shown:
            page.show_cursors("C puts two cursors on the trends.", ())
            return
        channels = [t.channel for plot in self.frame.trends.plots() for t in plot.group.traces]
        page.show_cursors(self.cursors.head(), cursor_rows(model, channels, self.cursors))

    # ------------------------------------------------------------------ the view

    @Slot()
    def toggle_hold(self) -> None:
        """Let the trends stand still, or follow again."""
        self.held = self._view if self.held is None else None
        self._shown = ()
        self.frame.trends.set_held(is_held=self.held is not None)

    @Slot()
    def toggle_cursors(self) -> None:
        """Put two cursors on the trends, or take them away."""
        self.cursors.are_shown = not self.cursors.are_shown
        if self.cursors.are_shown:
            start_s, end_s = self._view
            newest_s = end_s if self.model is None else min(end_s, self.model.edge_s(time.perf_counter()))
            self.cursors.place(start_s, max(newest_s, start_s + 1e-3))
            if self.drawer.name != "traces":
                self.drawer.open("traces")
        self.frame.trends.show_cursors(self.cursors.lines())

    def _step_cursor(self, which: int, share: float) -> None:
        if self.cursors.are_shown:
            self.cursors.step(which, share, *self._view)
            self.frame.trends.show_cursors(self.cursors.lines())
        elif self.held is not None:
            start_s, end_s = self.held
            by_s = 25.0 * share * (end_s - start_s)  # a twentieth of the view, with Shift half of it
            self.held = (start_s + by_s, end_s + by_s)

    @Slot(float)
    def _click(self, time_s: float) -> None:
        if self.cursors.are_shown:
            self.cursors.times[self.cursors.nearest(time_s)] = time_s
            self.frame.trends.show_cursors(self.cursors.lines())

    @Slot(float, float)
    def _range(self, start_s: float, end_s: float) -> None:
        """The mouse has panned or zoomed a held view; NaN: another page."""
        if self.held is not None and end_s > start_s:
            self.held = (start_s, end_s)
        self._shown = ()
        if self.cursors.are_shown:
            self.frame.trends.show_cursors(self.cursors.lines())

    @Slot(int)
    def _zoom(self, step: int) -> None:
        if self.held is None:
            self._layout.window_s = window_step(self._layout.window_s, step)
            return
        start_s, end_s = self.held
        middle, half = 0.5 * (start_s + end_s), 0.5 * (end_s - start_s) * 2.0**step
        self.held = (middle - max(half, 0.05), middle + max(half, 0.05))

    @Slot(float)
    def _set_window(self, seconds: float) -> None:
        self._layout.window_s = seconds

    @Slot(object)
    def _hide_channels(self, hidden: frozenset[str]) -> None:
        if self.model is not None and len(hidden) < len(self.model.stand.channels):
            self._layout.hidden = tuple(sorted(hidden))
            self.frame.trends.build(self.model.stand, hidden, self.frame.trends.page())
            self.frame.trends.set_held(is_held=self.held is not None)
            self._shown, self._frames = (), 0

    def _next_page(self) -> None:
        self.frame.trends.next_page()

    def _previous_page(self) -> None:
        self.frame.trends.previous_page()

    # ------------------------------------------------------------------ panels and look

    def _toggle(self, name: str, checked: bool = False) -> None:  # noqa: ARG002 - clicked(bool)
        self.drawer.toggle(name)

    def _shut_panel(self) -> None:
        self.drawer.shut()

    @Slot(str)
    def _drawer_opened(self, name: str) -> None:
        for known, made in self.panel_buttons.items():
            made.setChecked(known == name)
        self.frame.trends.set_narrow(is_narrow=bool(name))
        self.frame.events.set_narrow(is_narrow=bool(name))
        self._shown, self._frames = (), 0
        if not name:
            self.frame.setFocus()
        elif self.model is not None:
            self._follow_panel(self.model, time.perf_counter())

    @Slot()
    def _change_look(self) -> None:
        """Paint all of it anew, with the look of now; the link and what was received stay."""
        decimals.use(self.settings.decimal or decimals.mark_of_country())
        if theme.GROUND is self.settings.ground:
            self._frames = 0
            self.settings.save()
            return
        use_look(self.settings.ground)
        page = self.frame.trends.page()
        old = self.takeCentralWidget()
        self._build()
        old.deleteLater()
        if self.model is not None:
            self.frame.trends.build(self.model.stand, self._layout.hidden, page)
            self.frame.trends.set_held(is_held=self.held is not None)
        self._shown, self._frames = (), 0
        self.drawer.open("look")
        self.settings.save()

    def _keep_layout(self) -> None:
        if self.model is not None:
            self._layout.page = self.frame.trends.page()
            self._layout.panel = self.drawer.name
            self._layout.size = (self.width(), self.height())
            self.settings.layouts[self.model.stand.name] = self._layout
            self.settings.save()

    # ------------------------------------------------------------------ requests and news

    @Slot(str)
    def _ask(self, request: str) -> None:
        self._ask_with(request, {"text": "marked on the dashboard"} if request == "mark" else {})

    @Slot(str, dict)
    def _ask_with(self, request: str, arguments: dict[str, Any]) -> None:
        self.controls.show_answer(f"{answer_text(request, None).split(':', maxsplit=1)[0]}: asked …", refused=False)
        self.link.ask(request, who=self.settings.who or WHO, **arguments)

    @Slot(object)
    def _attached(self, news: Attached) -> None:
        previous = self.model
        self.may_command = news.may_command
        if previous is not None and previous.header.run_id == news.header.run_id:
            return
        self._keep_layout()
        self._frames, self._shown, self.held = 0, (), None
        self.frame.ribbon.forget()
        self.frame.events.lines.forget()
        if previous is None or previous.stand != news.stand:
            is_known = news.stand.name in self.settings.layouts
            self._layout = self.settings.layout(news.stand.name)
            if previous is None and is_known:
                self.resize(*self._layout.size)
            self.frame.trends.build(news.stand, self._layout.hidden, self._layout.page)
        self.frame.trends.set_held(is_held=False)
        self.model = LiveModel(news.stand, news.header, news.at_s)
        page = self.drawer.pages.get("traces")
        if isinstance(page, TracePage):
            page.show_channels(news.stand, frozenset(self._layout.hidden))
        if previous is None and self._layout.panel:
            self.drawer.open(self._layout.panel)
        self.setWindowTitle(f"{news.stand.title} · {news.header.run_id} · benchkit dashboard")

    @Slot(object)
    def _answered(self, news: Answer) -> None:
        text, refused = answer_text(news.request, news.error), news.error is not None
        if news.request == "plan_present" and not refused:
            return  # once a second, and no news
        self.controls.show_answer(text, refused=refused)
        self.drawer.say(text, refused=refused)
