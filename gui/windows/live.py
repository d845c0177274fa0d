"""The window of a stand that is being recorded. Closing it changes nothing in protection or recording."""

from __future__ import annotations

import time

from PySide6.QtCore import QTimer, Slot
from PySide6.QtGui import QCloseEvent
from PySide6.QtWidgets import QMainWindow

from gui.bridge.link import WHO, Answer, Attached, FindRecorder, RecorderLink
from gui.state.bars import RESORT_S
from gui.state.controls import answer_text
from gui.state.events import flags
from gui.state.headline import Link, absent_headline
from gui.state.live import LiveModel
from gui.state.trends import live_view, window_step
from gui.widgets.control_panel import ControlPanel
from gui.widgets.trend_plot import FLAGS
from gui.windows.frame import Frame
from gui.windows.keys import bind_keys

FRAME_MS = 40
_WORDS_EVERY = 5
_WINDOW_S = 60.0


class LiveWindow(QMainWindow):
    """One timer draws; the link's thread receives. ``target`` names in words where a recorder is looked for."""

    def __init__(self, find: FindRecorder, target: str) -> None:
        super().__init__()
        self.setWindowTitle("benchkit dashboard")
        self.resize(1600, 900)
        self.model: LiveModel | None = None
        self._target = target
        self._window_s = _WINDOW_S
        self._frames = 0
        self._shown: tuple[float, ...] = ()
        self._sorted_s = self._opened_s = time.perf_counter()
        self.controls = ControlPanel()
        self.frame = Frame(self.controls, browsable=False)
        self.setCentralWidget(self.frame)
        self.controls.asked.connect(self._ask)
        self.frame.trends.zoom_asked.connect(self._zoom)
        self.link = RecorderLink(find, self)
        self.link.attached.connect(self._attached)
        self.link.answered.connect(self._answered)
        bind_keys(self, self.frame.trends)
        self.timer = QTimer(self)
        self.timer.setInterval(FRAME_MS)
        self.timer.timeout.connect(self.draw)
        self.link.start()
        self.timer.start()
        self.draw()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802 - Qt's name
        self.timer.stop()
        self.link.stop()
        super().closeEvent(event)

    @Slot()
    def draw(self) -> None:
        """One frame: take in what came, draw the trends; words and bars every fifth time."""
        now_s = time.perf_counter()
        model = self.model
        if model is None:
            self.frame.state_line.show_headline(absent_headline(self._target, now_s - self._opened_s))
            self.controls.offer(None, is_linked=False)
            return
        for message, at_s in self.link.drain():
            model.take(message, at_s)
        trends = self.frame.trends
        start_s, end_s, edge_s = live_view(model.edge_s(now_s), self._window_s * model.pace, trends.pixels())
        shown = (start_s, end_s, edge_s, trends.page(), trends.pixels())
        if shown != self._shown:
            self._shown = shown
            trends.draw(model, start_s, end_s, pin_x=True)
        if self._frames % _WORDS_EVERY == 0:
            self._draw_words(model, now_s)
            trends.show_flags(flags(list(model.log.lines), start_s, end_s, FLAGS))
        self._frames += 1

    def _draw_words(self, model: LiveModel, now_s: float) -> None:
        resort = now_s - self._sorted_s >= RESORT_S or self._frames == 0
        if resort:
            self._sorted_s = now_s
        self.frame.state_line.show_headline(model.headline(now_s))
        self.frame.show_moment(model.moment(now_s), "mean of the last 0.5 s", resort=resort)
        self.frame.events.show_log(model.log)
        self.controls.offer(model.state(now_s), is_linked=model.link(now_s) is not Link.NO_RECORDER)

    @Slot(int)
    def _zoom(self, step: int) -> None:
        self._window_s = window_step(self._window_s, step)

    @Slot(str)
    def _ask(self, request: str) -> None:
        text = {"text": "marked on the dashboard"} if request == "mark" else {}
        self.controls.show_answer(f"{answer_text(request, None).split(':', maxsplit=1)[0]}: asked …", refused=False)
        self.link.ask(request, who=WHO, **text)

    @Slot(object)
    def _attached(self, news: Attached) -> None:
        previous = self.model
        if previous is not None and previous.header.run_id == news.header.run_id:
            return
        self._frames, self._shown = 0, ()
        self.frame.ribbon.forget()
        self.frame.events.lines.forget()
        if previous is None or previous.stand != news.stand:
            self.frame.trends.build(news.stand)
        self.model = LiveModel(news.stand, news.header, news.at_s)
        self.setWindowTitle(f"{news.stand.title} · {news.header.run_id} · benchkit dashboard")

    @Slot(object)
    def _answered(self, news: Answer) -> None:
        self.controls.show_answer(answer_text(news.request, news.error), refused=news.error is not None)
