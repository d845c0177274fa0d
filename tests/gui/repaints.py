"""Repaint a live window many times in a process of its own: ``python repaints.py COUNT``. Prints how many were done.

A binding that miscounts references ends the process after some dozens of repaints, so the count is the test.
"""

import os
import sys
import time

os.environ["QT_QPA_PLATFORM"] = "offscreen"

import numpy as np

from benchkit.model.interlock import State
from benchkit.model.run import RunHeader
from benchkit.profiles import load_stand, shared_path
from benchkit.session.messages import LiveRows, SourceStatus, Status
from gui.app import make_application, open_live
from gui.state.live import LiveModel


def main(count: int) -> None:
    application = make_application()
    loaded = load_stand(shared_path("stands", "airboat.toml"))
    window = open_live(shared_path("stands"))
    window.timer.stop()
    header = RunHeader("soak", "2026-03-04T09:30:00+00:00", "0", "test", "airboat", loaded.json, simulated=True)
    window.frame.trends.build(loaded.stand)
    model = window.model = LiveModel(loaded.stand, header, 0.0)
    window.show()
    channels = tuple(loaded.stand.channels)
    random = np.random.default_rng(1)
    states = list(State)
    done = 0
    for i in range(count):
        now_s = time.perf_counter()
        time_s = i * 0.2 + np.arange(40) * 0.005
        model.take(LiveRows("rack", channels, time_s, time_s, random.uniform(0, 150, (40, len(channels)))), now_s)
        rack = SourceStatus(0.01, i, 0, 0, lost=i % 90 > 80, stale=i % 70 > 60)
        state = states[i // 20 % len(states)]
        model.take(Status(i * 0.2, state, {}, True, "soak.h5", 10**9, None, "set", "1", {"rack": rack}), now_s)
        window.draw()
        window.repaint()
        if i % 10 == 0:
            application.processEvents()
        if i % 150 == 149:
            window.frame.trends.next_page()
        done += 1
    window.close()
    sys.stdout.write(f"{done}\n")


if __name__ == "__main__":
    main(int(sys.argv[1]))
