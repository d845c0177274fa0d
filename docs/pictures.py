"""Pictures of the dashboard for the pages: a simulated stand runs, the recorder records, real windows are drawn.

Run from the root of the project: ``python docs/pictures.py docs/pictures``. All data in them are simulated.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from benchkit.errors import RefusedError
from benchkit.profiles import shared_path
from benchkit.session.client import RecorderClient
from benchkit.session.process import Child, live_path, start_recorder, start_simulated_stand

if TYPE_CHECKING:
    from PySide6.QtWidgets import QApplication, QWidget

    from benchkit.session.messages import Endpoints

SEED, TIME_FACTOR, RATE_HZ = 11, 8.0, 250.0
STEPS = ((1500.0, 4.0), (2400.0, 5.0), (3000.0, 5.0))
"""Set-points of speed in rpm, and how long each is held, in host seconds."""
SETTLE_S = 2.5


def make_dashboard_pictures(out_dir: Path) -> list[Path]:
    """Save the pictures of the live window, its panels, and the recorded window in ``out_dir``; returns their paths."""
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    out_dir.mkdir(parents=True, exist_ok=True)
    live_png, recorded_png = out_dir / "dashboard_live.png", out_dir / "dashboard_recorded.png"
    limits_png, begin_png = out_dir / "dashboard_limits.png", out_dir / "dashboard_begin.png"
    profile = str(shared_path("stands", "airboat.toml"))
    with tempfile.TemporaryDirectory() as folder:
        simulated = start_simulated_stand(profile, seed=SEED, time_factor=TIME_FACTOR, rate_hz=RATE_HZ)
        options = (
            "--port", f"rack={simulated.address}", "--seed", str(SEED), "--time-factor", str(TIME_FACTOR),
        )  # fmt: skip
        recorder, endpoints = start_recorder(profile, Path(folder), options)
        try:
            run_path = _record(endpoints, recorder, live_png, limits_png)
        finally:
            recorder.end()
            simulated.end()
        _recorded_picture(run_path, recorded_png)
    _begin_picture(begin_png)
    return [live_png, limits_png, recorded_png, begin_png]


def _record(endpoints: Endpoints, recorder: Child, png: Path, limits_png: Path) -> Path:
    """Watch a stepped run on a dashboard, take its picture, close the run in order."""
    from gui.app import make_application, open_live
    from gui.widgets.limit_page import LimitPage

    application = make_application()
    run_path = Path(endpoints.run_path)
    window = open_live(live_path(run_path))
    window.show()

    def wait(seconds: float) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            application.processEvents()
            time.sleep(0.005)

    with RecorderClient(endpoints) as client:
        wait(SETTLE_S)
        for request in ("arm", "start"):
            _until_accepted(client, request, wait)
        for speed_rpm, seconds in STEPS:
            client.request("set", name="speed", value=speed_rpm, who="pictures")
            client.request("mark", text=f"step to {speed_rpm:g} rpm", who="pictures")
            wait(seconds)
        window.grab().save(str(png))
        window.drawer.open("limits")
        wait(0.5)
        page = window.drawer.page()
        if isinstance(page, LimitPage):
            page.list.setCurrentRow(next(i for i, x in enumerate(page.known()) if x.name == "winding_hot"))
            page.entry.setText("75")
            page.look()
        wait(0.5)
        window.grab().save(str(limits_png))
        window.close()
        client.request("stop", who="pictures")
        wait(SETTLE_S)
        client.request("close", who="pictures")
        recorder.process.wait(60.0)
    return run_path


def _until_accepted(client: RecorderClient, request: str, wait: Callable[[float], None]) -> None:
    """The interlock waits for fresh sources; so do we."""
    for _ in range(20):
        try:
            client.request(request, who="pictures")
        except RefusedError:
            wait(0.5)
        else:
            return
    client.request(request, who="pictures")


def _recorded_picture(run_path: Path, png: Path) -> None:
    from gui.app import make_application, open_recorded

    application = make_application()
    window = open_recorded(run_path)
    _take(application, window, png)


def _take(application: QApplication, window: QWidget, png: Path) -> None:
    """Show a window for a moment, and keep its picture."""
    window.show()
    for _ in range(20):
        application.processEvents()
        time.sleep(0.01)
    window.grab().save(str(png))
    window.close()


def _begin_picture(png: Path) -> None:
    """The first window in a folder without runs."""
    from gui.app import make_application, open_beginning

    application = make_application()
    with tempfile.TemporaryDirectory() as folder:
        window = open_beginning(Path(folder))
        window.folder.setText("/home/ada/bench/runs")
        _take(application, window, png)


if __name__ == "__main__":
    for path in make_dashboard_pictures(Path(sys.argv[1] if len(sys.argv) > 1 else "docs/pictures")):
        sys.stdout.write(f"{path}\n")
