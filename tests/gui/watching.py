"""A dashboard in a process of its own that says what it shows: ``python watching.py FILE.live.json``.

A line of JSON whenever what it shows changes, with the host's monotonic time: state, its note, link, its note, how many
of the plots shown look stale, the open panel, the answer to the last request, and where some buttons are on the screen.
A line on its standard input is a path: the whole screen is saved there. It ends when its standard input does.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from queue import SimpleQueue
from typing import Any

ROOT = Path(__file__).parents[2]


class Watching:
    """Handle of such a process. ``wait_for`` returns the first line that fits, also one that came before."""

    def __init__(self, live_file: Path, **environ: str) -> None:
        environment = {**os.environ, "QT_QPA_PLATFORM": "offscreen", "PYTHONPATH": str(ROOT), **environ}
        self.process = subprocess.Popen(
            [sys.executable, str(Path(__file__)), str(live_file)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=environment,
        )
        self.lines: list[dict[str, Any]] = []
        self._news = threading.Condition()
        self._thread = threading.Thread(target=self._read, name="watching")
        self._thread.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            with self._news:
                self.lines.append(json.loads(line))
                self._news.notify_all()

    def wait_for(self, fits: Callable[[dict[str, Any]], bool], since: int = 0, seconds: float = 30.0) -> dict[str, Any]:
        """The first line from number ``since`` on that fits."""
        end = time.monotonic() + seconds
        with self._news:
            while True:
                found = next((x for x in self.lines[since:] if fits(x)), None)
                if found is not None:
                    return found
                left = end - time.monotonic()
                assert left > 0.0, f"not shown; last: {self.lines[-1:]}"
                self._news.wait(left)

    def save_screen(self, path: Path) -> None:
        """Have the screen saved."""
        assert self.process.stdin is not None
        self.process.stdin.write(f"{path}\n")
        self.process.stdin.flush()

    def close(self) -> None:
        """End the process and everything that belongs to it."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        try:
            self.process.wait(20.0)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(10.0)
        self._thread.join()
        self.process.stdout.close()


def main(live_file: Path) -> None:
    from PySide6.QtCore import QTimer

    from gui.app import make_application, open_live

    application = make_application()
    window = open_live(live_file)
    window.show()
    shown: list[object] = []

    def look() -> None:
        line, plots = window.frame.state_line, window.frame.trends.plots()
        stale = sum(plot.canvas.is_stale for plot in plots)
        words = {
            "state": line.state.text(),
            "state_note": line.state.note(),
            "link": line.link.text(),
            "link_note": line.link.note(),
            "stale_plots": stale,
            "plots": len(plots),
            "can_stop": window.controls.button("stop").isEnabled(),
            "panel": window.drawer.name,
            "answer": window.controls.answer(),
            "asks": window.close_bar.isVisible(),
            "places": {
                name: list(button.mapToGlobal(button.rect().center()).toTuple())
                for name, button in (
                    ("mark", window.controls.button("mark")),
                    ("limits", window.panel_buttons["limits"]),
                )
            },
        }
        if list(words.values()) != shown:
            shown[:] = words.values()
            sys.stdout.write(json.dumps({"at_s": time.monotonic(), **words}) + "\n")
            sys.stdout.flush()

    timer = QTimer()
    timer.timeout.connect(look)
    timer.start(15)

    def listen() -> None:
        for line in sys.stdin:
            told.put(line.strip())
        told.put(None)

    def obey() -> None:
        while not told.empty():
            path = told.get()
            if path is None:
                window.close()
            else:
                application.primaryScreen().grabWindow(0).save(path)

    told: SimpleQueue[str | None] = SimpleQueue()
    threading.Thread(target=listen, daemon=True).start()
    listening = QTimer()
    listening.timeout.connect(obey)
    listening.start(50)
    application.exec()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
