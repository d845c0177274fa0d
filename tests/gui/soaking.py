"""A live window through hours of stream in fast motion, in a process of its own: ``python soaking.py STREAM_SECONDS``.

Rows at 1 kHz of 24 channels, sixty stream seconds in one of the window: a frame of 40 ms takes 2400 rows in. Events
come, pages are turned, panels are opened and shut, trends are held. Prints resident memory in MB after a tenth of the
time, and at its end.
"""

from __future__ import annotations

import json
import os
import sys
import time

os.environ["QT_QPA_PLATFORM"] = "offscreen"

import numpy as np
import psutil

from benchkit.model.events import Event, EventKind
from benchkit.model.interlock import State
from benchkit.model.run import RunHeader
from benchkit.profiles import load_stand, shared_path
from benchkit.session.messages import LiveRows, SourceStatus, Status
from gui.app import make_application, open_live
from gui.state.controls import PANELS
from gui.state.live import LiveModel

PACE, RATE_HZ, FRAME_S = 60.0, 1000.0, 0.04


def main(seconds: float) -> None:
    application = make_application()
    loaded = load_stand(shared_path("stands", "airboat.toml"))
    window = open_live(shared_path("stands"))
    window.timer.stop()
    header = RunHeader("soak", "2026-03-04T09:30:00+00:00", "0", "test", "airboat", loaded.json, time_factor=PACE)
    window.frame.trends.build(loaded.stand)
    model = window.model = LiveModel(loaded.stand, header, 0.0)
    window.show()
    channels = tuple(loaded.stand.channels)
    block = round(FRAME_S * PACE * RATE_HZ)
    rng = np.random.default_rng(1)
    values = rng.uniform(0.0, 100.0, (block, len(channels)))
    frames = round(seconds / (FRAME_S * PACE))
    process = psutil.Process()
    marks: list[float] = []
    for i in range(frames):
        now_s = time.perf_counter()
        host_s = i * FRAME_S
        time_s = host_s * PACE + np.arange(block) / RATE_HZ
        model.take(LiveRows("rack", channels, time_s, np.full(block, host_s), values), now_s)
        rack = SourceStatus(0.01, i, 0, 0, lost=False, stale=False)
        model.take(Status(host_s, State.RUNNING, {}, True, "soak.h5", 10**9, None, "set", "1", {"rack": rack}), now_s)
        if i % 3 == 0:
            model.take(Event(host_s, EventKind.MARK, f"mark {i}"), now_s)
        window.draw()
        window.repaint()
        if i % 40 == 20:
            window.drawer.toggle(PANELS[i // 40 % len(PANELS)].name)
        if i % 60 == 30:
            window.frame.trends.next_page()
        if i % 100 == 50:
            window.toggle_hold()
        if i % 5 == 0:
            application.processEvents()
        # the first tenth has shown every panel and page once, and filled what is filled once
        if i in (frames // 10 if frames >= 3000 else frames // 2, frames - 1):
            marks.append(process.memory_info().rss / 1e6)
    window.close()
    sys.stdout.write(json.dumps({"frames": frames, "start_mb": marks[0], "end_mb": marks[-1]}) + "\n")


if __name__ == "__main__":
    main(float(sys.argv[1]))
