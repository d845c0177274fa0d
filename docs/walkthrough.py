"""The way of a new user on the screen, driven by its keys: from the list of runs to the report.

A simulated stand runs, a recorder records, the windows are real; each step leaves a picture. Run from the root of the
project: ``python docs/walkthrough.py docs/tutorial``. All data in the pictures are simulated. A step that does not get
where it should ends the script with what it waited for.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchkit.cli.demo import DWELL_S, RAMP_S, recording
from benchkit.profiles import shared_path
from benchkit.session.client import RecorderClient

if TYPE_CHECKING:
    from PySide6.QtWidgets import QApplication, QWidget

SEED, RATE_HZ, TIME_FACTOR = 41, 200.0, 20.0
STAND = """\
# The example stand; a computer that draws, records and simulates at once may keep the rack waiting for a while.
[profile]
base = "airboat_map.toml"

[sources.rack]
stale_after = { value = 5.0, unit = "s" }

[limits.speed_lost]
set_point = { value = 5.0, unit = "s" }
"""
SPEEDS_RPM = (1200.0, 1900.0, 2600.0, 3300.0)
TORQUES_NM = (25.0, 65.0, 105.0, 140.0)
LOST_AT_S, BACK_AT_S = 900.0, 1400.0
"""When coolant is lost and comes back, on the stand's own clock."""
WAIT_S = 90.0
PICTURES = (
    "01_runs", "02_ready", "03_running", "04_tripped", "05_reset", "06_recorded", "07_operating_point", "08_summary",
    "09_map", "10_flags", "11_rows", "12_report", "13_stand_editor",
)  # fmt: skip


class Walk:
    """The steps; ``out`` gets a picture of each. Run and report go to the current folder."""

    def __init__(self, application: QApplication, out: Path) -> None:
        self.application, self.out = application, out
        self.made: list[Path] = []

    def until(self, what: str, reached: Callable[[], object], seconds: float = WAIT_S) -> None:
        """Let the windows live until something is so."""
        end = time.monotonic() + seconds
        while not reached():
            if time.monotonic() > end:
                raise SystemExit(f"walk-through: waited {seconds:g} s in vain for: {what}")
            self.live(0.02)

    def live(self, seconds: float) -> None:
        """Let the windows live for a while."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.application.processEvents()
            time.sleep(0.004)

    def picture(self, widget: QWidget) -> None:
        """Save the picture of the next step."""
        self.live(0.4)
        path = self.out / f"{PICTURES[len(self.made)]}.png"
        widget.grab().save(str(path))
        self.made.append(path)

    def press(self, window: QWidget, keys: str) -> None:
        """Press a key as a person does: at the widget that has the focus of the window, else at the window."""
        from PySide6.QtGui import QKeySequence
        from PySide6.QtTest import QTest

        window.activateWindow()
        self.until(f"{window.windowTitle()!r} in front", window.isActiveWindow)
        combination = QKeySequence(keys)[0]
        QTest.keyClick(window.focusWidget() or window, combination.key(), combination.keyboardModifiers())
        self.live(0.05)

    # ------------------------------------------------------------------------------------------- the steps
    def walk(self) -> list[Path]:
        """All steps, in order; the pictures."""
        schedule = ((LOST_AT_S, "fault coolant_loss on"), (BACK_AT_S, "fault coolant_loss off"))
        from gui.app import open_picker

        folder, profile = Path("runs"), Path("airboat_slow.toml")
        for path in shared_path("stands").glob("*.toml"):
            shutil.copy(path, path.name)
        profile.write_text(STAND, encoding="utf-8")
        with recording(str(profile), folder, SEED, schedule, RATE_HZ, time_factor=TIME_FACTOR) as (client, _, run_path):
            runs = open_picker(folder)
            runs.show()
            self.until("the run that is being recorded", lambda: [r for r in runs.table.runs.rows if r.live])
            self.picture(runs)
            self.press(runs, "Return")
            self.until("the live window", lambda: getattr(runs, "opened", []))
            self._live_run(runs.opened[-1], client)
        self._recorded_run(runs, run_path)
        self._stand_editor()
        runs.close()
        return self.made

    def _live_run(self, live: Any, client: RecorderClient) -> None:
        state = live.frame.state_line.state
        self.until("READY", lambda: state.text() == "READY")
        self.picture(live)
        for keys, wanted in (("Ctrl+Shift+A", "ARMED"), ("Ctrl+Shift+S", "RUNNING")):
            self.press(live, keys)
            self.until(wanted, lambda wanted=wanted: state.text() == wanted)  # type: ignore[misc]
        torques = TORQUES_NM
        for speed in SPEEDS_RPM:
            self._set(client, "speed", speed, RAMP_S)
            for torque in torques:
                self._set(client, "torque", torque, RAMP_S + DWELL_S)
            torques = torques[::-1]
        self._set(client, "torque", TORQUES_NM[-1], RAMP_S + DWELL_S)
        self.picture(live)
        self.until("the trip", lambda: state.text() == "TRIPPED")
        self.picture(live)

        def is_reset() -> bool:
            self.press(live, "Ctrl+Shift+R")
            self.live(1.0)
            return state.text() != "TRIPPED"

        self.until("the reset", is_reset)
        self.live(1.0)
        self.picture(live)
        live.close()

    def _set(self, client: RecorderClient, name: str, value: float, seconds: float) -> None:
        client.request("set", name=name, value=value, who="walk-through")
        self.live(seconds / TIME_FACTOR)

    def _recorded_run(self, runs: Any, run_path: Path) -> None:
        runs.watch.look()
        self.until("the closed run", lambda: [r for r in runs.table.runs.rows if r.can_be_analysed])
        self.press(runs, "Return")
        recorded = runs.opened[-1]
        self.until("the recorded view", recorded.isVisible)
        self.picture(recorded)
        self.press(recorded, "[")
        recorded.move_cursor(recorded.model.cursor_s + DWELL_S / 2.0)
        self.press(recorded, "]")
        self.press(recorded, "P")
        self.until("the operating point", lambda: recorded.dialog is not None)
        self.picture(recorded.dialog)
        recorded.dialog.close()
        self.press(recorded, "Ctrl+R")
        results = recorded.opened[-1]
        self.until("the results", lambda: results.results is not None)
        self.picture(results)
        if not results.open_page("efficiency-map"):
            raise SystemExit("walk-through: the run gave no efficiency map")
        results.fields[0].setFocus()
        for keys in ("Up", "Right", "Right", "Right"):
            self.press(results, keys)
        self.picture(results)
        self._flags(results)
        results.open_page("trips")
        page = Path("report.html")
        results.write_report(page)
        self.until("the report", lambda: not results.writer.is_running)
        if not page.is_file():
            raise SystemExit(f"walk-through: no report: {results.message.text()}")
        self.picture(results)
        results.close()
        recorded.close()
        if not run_path.is_file():
            raise SystemExit("walk-through: the run is gone")

    def _flags(self, results: Any) -> None:
        from gui.widgets.report_blocks import Rows

        results.open_page("data-quality")
        rows = next(t for t in results.stack.currentWidget().findChildren(Rows) if t.accessibleName() == "Open flags")
        row = next(i for i, line in enumerate(results.page().flags) if line.jump is not None)
        rows.setFocus()
        rows.setCurrentCell(row, 0)
        self.picture(results)
        self.press(results, "Return")
        shown = results.opened[-1]
        self.until("the rows of the flag", lambda: shown.isVisible() and shown.stretch is not None)
        self.picture(shown)
        shown.close()

    def _stand_editor(self) -> None:
        from gui.windows.opening import open_stand

        editor = open_stand(Path("airboat.toml"))
        editor.show()
        editor.open_form("channels", "shaft_torque")
        editor.type_into("unit", "Nm/s")
        self.picture(editor)
        while editor.undo.canUndo():
            self.press(editor, "Ctrl+Z")
        editor.close()


def make_pictures(out: Path) -> list[Path]:
    """Walk the whole way; returns the pictures."""
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    from gui.app import make_application

    out = out.resolve()
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as work, contextlib.chdir(work):
        return Walk(make_application(), out).walk()


if __name__ == "__main__":
    for picture in make_pictures(Path(sys.argv[1] if len(sys.argv) > 1 else "docs/tutorial")):
        sys.stdout.write(f"{picture}\n")
