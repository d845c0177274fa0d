"""One frame of the trends beside the same frame of plain pyqtgraph: 24 curves, 60 s at 1 kHz, 1600 x 900, offscreen.

A frame takes 40 ms of new rows in, sets the data of all curves and renders all of it. Ours: the histories and plots of
the dashboard, six plots of four curves. Plain: six plot widgets with ``setData`` of the same rows, as the library
comes. Both in one process of its own, in turns of 40 frames and 10, so that other work meets both: frame by frame, one
would find its memory taken by the other, which no dashboard does. ``trend_frames_share`` is the
processor time of the dashboard's own drawing at 25 frames a second, as a share of one core.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator

from tests.bench.figure import Figure, at_least, at_most

NAMES = (
    "trend_frame_p95_ms", "trend_plain_p95_ms", "trend_plain_ratio", "trend_plain_cpu_ratio", "trend_frames_share",
)  # fmt: skip
CURVES, PLOTS, RATE_HZ, SPAN_S, FRAMES, FRAME_S = 24, 6, 1000, 60, 200, 0.04
BLOCK, PLAIN_IN_A_BLOCK = 40, 10


def measure() -> Iterator[Figure]:
    """Frames in a process of its own: Qt stays out of this one."""
    command = [sys.executable, "-m", "tests.bench.trend_frames"]
    found = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    yield at_most("trend_frame_p95_ms", 1e3 * found["ours_s"], "ms", 16.0)
    yield Figure("trend_plain_p95_ms", 1e3 * found["plain_s"], "ms")
    yield at_least("trend_plain_ratio", found["plain_s"] / found["ours_s"], "x faster", 4.0)
    yield at_least("trend_plain_cpu_ratio", found["plain_cpu_s"] / found["cpu_s"], "x less processor", 4.0)
    yield at_most("trend_frames_share", 100.0 * found["cpu_s"] / FRAME_S, "% of a core", 50.0)


def _frames() -> dict[str, float]:
    os.environ["QT_QPA_PLATFORM"] = "offscreen"
    import numpy as np
    import pyqtgraph as pg
    from PySide6.QtWidgets import QGridLayout, QWidget

    from benchkit.profiles import load_stand, shared_path
    from gui.app import make_application
    from gui.state.history import History
    from gui.state.trends import Trace, TrendGroup, trend_groups
    from gui.widgets.trend_plot import TrendPlot

    application = make_application()
    stand = load_stand(shared_path("stands", "airboat.toml")).stand
    example = max(trend_groups(stand), key=lambda group: len(group.traces))
    styles = [trace.style for trace in example.traces]
    channels = list(stand.channels.values())[:CURVES]
    per_plot = CURVES // PLOTS
    names = [channel.name for channel in channels]
    groups = [
        TrendGroup(
            title=f"Plot {k}",
            unit="1",
            traces=tuple(
                Trace(channel, styles[i % len(styles)])
                for i, channel in enumerate(channels[k * per_plot : (k + 1) * per_plot])
            ),
            limits=(),
        )
        for k in range(PLOTS)
    ]
    ours, plain = QWidget(), QWidget()
    plots = [TrendPlot(group, browsable=False) for group in groups]
    bare = [pg.PlotWidget() for _ in range(PLOTS)]
    curves = [[plot.plot() for _ in range(per_plot)] for plot in bare]
    for holder, widgets in ((ours, plots), (plain, bare)):
        grid = QGridLayout(holder)
        for i, widget in enumerate(widgets):
            grid.addWidget(widget, i // 2, i % 2)
        holder.resize(1600, 900)
        holder.show()
    application.processEvents()
    rng = np.random.default_rng(1)
    step = round(RATE_HZ * FRAME_S)
    total = SPAN_S * RATE_HZ + FRAMES * step
    time_s = np.arange(total) / RATE_HZ
    values = np.sin(time_s[:, None] * np.linspace(0.1, 2.0, CURVES)) + 0.05 * rng.standard_normal((total, CURVES))
    history = History(names, 1.0)
    start = SPAN_S * RATE_HZ
    history.append(time_s[:start], values[:start])

    def draw_ours(end: int) -> None:
        history.append(time_s[end - step : end], values[end - step : end])
        edge_s = float(time_s[end - 1])
        x, y = history.view(names, edge_s - SPAN_S, edge_s, plots[0].pixels())
        points = {name: (x, y[:, i]) for i, name in enumerate(names)}
        for plot in plots:
            plot.show_points(points, edge_s - SPAN_S, edge_s)
        ours.grab()

    def draw_plain(end: int) -> None:
        rows = slice(end - SPAN_S * RATE_HZ, end)
        for k, own in enumerate(curves):
            for i, curve in enumerate(own):
                curve.setData(time_s[rows], values[rows, k * per_plot + i])
        plain.grab()

    took: dict[str, list[float]] = {"ours": [], "plain": [], "cpu": [], "plain_cpu": []}
    for frame in range(1, FRAMES + 1):
        end = start + frame * step
        _take(lambda end=end: draw_ours(end), took["ours"], took["cpu"])
        if frame % BLOCK == 0:
            for _ in range(PLAIN_IN_A_BLOCK):
                _take(lambda end=end: draw_plain(end), took["plain"], took["plain_cpu"])
    return {
        "ours_s": float(np.percentile(took["ours"][10:], 95)),
        "plain_s": float(np.percentile(took["plain"][3:], 95)),
        "cpu_s": float(np.mean(took["cpu"][10:])),
        "plain_cpu_s": float(np.mean(took["plain_cpu"][3:])),
    }


def _take(work: Callable[[], object], seconds: list[float], processor: list[float]) -> None:
    start, used = time.perf_counter(), time.process_time()
    work()
    seconds.append(time.perf_counter() - start)
    processor.append(time.process_time() - used)


if __name__ == "__main__":
    print(json.dumps(_frames()))
