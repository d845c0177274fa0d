"""How long until the screen says so: recorder killed, cable cut, dashboard stopped and let go on. Real processes.

The time is from the signal to the first frame with the words, by the monotonic clock of the machine, and holds the
silence after which a recorder counts as gone.
"""

from __future__ import annotations

import os
import signal
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from benchkit.profiles import shared_path
from benchkit.session.process import start_recorder, start_simulated_stand
from tests.bench.figure import Figure, at_most
from tests.gui.watching import Watching

NAMES = ("words_after_cable_cut_s", "words_after_recorder_killed_s", "words_after_screen_stopped_s")
GOAL_S = 1.0


def measure() -> Iterator[Figure]:
    """Each once, on one recorder."""
    profile = str(shared_path("stands", "airboat.toml"))
    with tempfile.TemporaryDirectory() as folder:
        simulated = start_simulated_stand(profile, seed=5)
        recorder, _ = start_recorder(profile, Path(folder), ("--port", f"rack={simulated.address}", "--quiet"))
        watching = Watching(Path(recorder.address))
        try:
            watching.wait_for(lambda x: x["link"] == "LIVE" and x["state"] == "READY")
            time.sleep(2.0)
            os.kill(watching.process.pid, signal.SIGSTOP)
            time.sleep(2.0)
            since, began_s = len(watching.lines), time.monotonic()
            os.kill(watching.process.pid, signal.SIGCONT)
            said = watching.wait_for(lambda x: "stood still" in x["link_note"], since)
            stopped_s = said["at_s"] - began_s
            time.sleep(2.0)
            since, began_s = len(watching.lines), time.monotonic()
            simulated.kill()
            said = watching.wait_for(lambda x: x["link"] == "STALE", since)
            yield at_most(NAMES[0], said["at_s"] - began_s, "s", GOAL_S)
            since, began_s = len(watching.lines), time.monotonic()
            recorder.kill()
            said = watching.wait_for(lambda x: x["link"] == "NO RECORDER", since)
            yield at_most(NAMES[1], said["at_s"] - began_s, "s", GOAL_S)
            yield at_most(NAMES[2], stopped_s, "s", GOAL_S)
        finally:
            watching.close()
            for child in (recorder, simulated):
                if child.process.poll() is None:
                    child.kill()
