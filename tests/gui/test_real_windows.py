"""A real window on a real display server, driven by its keyboard and its mouse: Xvfb and xdotool, where they are there.

Set SCREENSHOTS to a folder to keep what was on the screen.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchkit.profiles import shared_path
from benchkit.session.process import start_recorder, start_simulated_stand
from tests.gui.watching import Watching

pytestmark = [
    pytest.mark.gui,
    pytest.mark.soak,
    pytest.mark.skipif(not (shutil.which("Xvfb") and shutil.which("xdotool")), reason="needs Xvfb and xdotool"),
]


@pytest.fixture
def display() -> Iterator[str]:
    """A display server of our own, 1600 x 900."""
    read, write = os.pipe()
    command = ["Xvfb", "-displayfd", str(write), "-screen", "0", "1600x900x24", "-nolisten", "tcp"]
    server = subprocess.Popen(command, pass_fds=(write,), stderr=subprocess.DEVNULL)
    os.close(write)
    try:
        with os.fdopen(read) as told:
            number = told.readline().strip()
        assert number, "Xvfb did not start"
        yield f":{number}"
    finally:
        server.terminate()
        server.wait(20.0)


def test_a_run_by_keyboard_and_mouse(display: str, tmp_path: Path) -> None:
    def do(*words: str) -> None:
        subprocess.run(["xdotool", *words], check=True, env={**os.environ, "DISPLAY": display}, timeout=30)

    shots = Path(os.environ.get("SCREENSHOTS", tmp_path))
    profile = str(shared_path("stands", "airboat.toml"))
    simulated = start_simulated_stand(profile, seed=5, rate_hz=200.0)
    recorder, _ = start_recorder(profile, tmp_path, ("--port", f"rack={simulated.address}", "--quiet"))
    watching = None
    try:
        watching = Watching(Path(recorder.address), QT_QPA_PLATFORM="xcb", DISPLAY=display)
        shown = watching.wait_for(lambda x: x["state"] == "READY" and x["link"] == "LIVE")
        found = subprocess.run(
            ["xdotool", "search", "--onlyvisible", "--name", "benchkit dashboard"],
            check=True, capture_output=True, text=True, env={**os.environ, "DISPLAY": display}, timeout=30,
        )  # fmt: skip
        do("windowfocus", "--sync", found.stdout.split()[0])

        since = len(watching.lines)
        do("key", "F2")
        watching.wait_for(lambda x: x["panel"] == "alarms", since)
        do("key", "F10")
        watching.wait_for(lambda x: x["panel"] == "", since)
        do("key", "ctrl+shift+a")
        watching.wait_for(lambda x: x["state"] == "ARMED", since)
        do("key", "ctrl+shift+s")
        watching.wait_for(lambda x: x["state"] == "RUNNING", since)

        since = len(watching.lines)
        places = watching.lines[-1]["places"]
        do("mousemove", *map(str, places["mark"]), "click", "1")
        watching.wait_for(lambda x: x["answer"] == "Mark: accepted", since)
        do("mousemove", *map(str, places["limits"]), "click", "1")
        watching.wait_for(lambda x: x["panel"] == "limits", since)
        watching.save_screen(shots / "real_window.png")

        since = len(watching.lines)
        do("key", "Escape")  # the panel is open, its list has the keyboard: the orderly stop comes first
        watching.wait_for(lambda x: x["answer"] == "Orderly stop: accepted", since)
        watching.wait_for(lambda x: x["state"] == "READY", since)
        do("key", "ctrl+w")
        watching.wait_for(lambda x: x["asks"], since)
        do("key", "ctrl+w")
        assert watching.process.wait(20.0) == 0
        assert recorder.process.poll() is None, "the recorder goes on"
        assert (shots / "real_window.png").stat().st_size > 10_000
        assert shown["plots"] == 6
    finally:
        if watching is not None:
            watching.close()
        recorder.end()
        simulated.end()
