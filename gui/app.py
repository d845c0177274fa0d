"""The dashboard's command line: attach to a recorder, open a recorded run, or choose from a folder."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from benchkit.cli.threads import use_one_thread
from benchkit.errors import BenchkitError, UsageError

if TYPE_CHECKING:
    from PySide6.QtWidgets import QApplication, QMainWindow

    from gui.bridge.link import FindRecorder
    from gui.state.settings import Settings
    from gui.windows.begin import BeginWindow
    from gui.windows.live import LiveWindow
    from gui.windows.run_list import RunListWindow


def parser() -> argparse.ArgumentParser:
    """Arguments of ``python -m gui``."""
    made = argparse.ArgumentParser(
        prog="benchkit-dashboard",
        description="Dashboard of a test stand: watch a run that is being recorded, or open a recorded one. "
        "The dashboard sends requests; protection and recording go on without it.",
    )
    made.add_argument("run", nargs="?", type=Path, metavar="RUN.h5", help="open a recorded run")
    made.add_argument(
        "--attach",
        type=Path,
        metavar="FILE.live.json",
        help="attach to the recorder this file announces, or a pass leads to; a folder: to its newest",
    )
    made.add_argument("--edit", type=Path, metavar="STAND.toml", help="edit a stand profile")
    made.add_argument("--scale", type=int, choices=(100, 125, 150, 175, 200), help="size of all that is drawn, in %%")
    made.add_argument("--runs", type=Path, metavar="DIR", help="choose from the runs in a folder (default: .)")
    return made


def main(argv: Sequence[str] | None = None) -> int:
    """Run the dashboard until its last window closes; returns the exit code."""
    use_one_thread()
    arguments = parser().parse_args(argv)
    if sum(x is not None for x in (arguments.run, arguments.attach, arguments.runs, arguments.edit)) > 1:
        return _complain(UsageError("give one of RUN.h5, --attach, --runs, --edit"))
    from gui.state.settings import load_settings, settings_path

    settings = load_settings(settings_path())
    if arguments.scale:
        settings.scale = arguments.scale
    try:
        application = make_application(settings)
    except ImportError as error:
        return _complain(
            UsageError("Qt cannot be loaded", got=str(error), remedy="Install it with: pip install 'benchkit[gui]'")
        )
    try:
        window = _first_window(arguments, settings)
    except BenchkitError as error:
        return _complain(error)
    window.show()
    return int(application.exec())


def make_application(settings: Settings | None = None) -> QApplication:
    """The Qt application with the dashboard's look; the one that runs already, if there is one."""
    from gui.state import decimals
    from gui.state.settings import Settings

    settings = settings or Settings(decimal=".")
    if settings.scale != 100:  # before Qt starts; who has set it for all programs knows why
        os.environ.setdefault("QT_SCALE_FACTOR", f"{settings.scale / 100:g}")
    decimals.use(settings.decimal or decimals.mark_of_country())
    from PySide6.QtWidgets import QApplication

    from gui.widgets.look import use_look

    running = QApplication.instance()
    application = running if isinstance(running, QApplication) else QApplication(sys.argv[:1])
    application.setApplicationName("benchkit dashboard")
    application.setStyle("Fusion")
    use_look(settings.ground)
    return application


def open_live(path: Path, settings: Settings | None = None) -> LiveWindow:
    """A window that attaches to the recorder announced at ``path``, or in ``path`` where it is a folder."""
    from gui.state.runs import newest_live
    from gui.windows.live import LiveWindow

    find: FindRecorder = partial(newest_live, path) if path.is_dir() else partial(_itself, path)
    return LiveWindow(find, str(path), settings)


def open_recorded(path: Path) -> QMainWindow:
    """A window on a recorded run.

    Raises:
        BenchkitError: the file cannot be opened; the message says why.
    """
    from gui.windows import opening

    return opening.open_recorded(path)


def open_picker(folder: Path, settings: Settings | None = None) -> RunListWindow:
    """A window with the runs of a folder; what is chosen opens in a window of its own."""
    from gui.windows.opening import open_runs

    return open_runs(folder, partial(open_live, settings=settings))


def open_beginning(folder: Path, settings: Settings | None = None) -> BeginWindow:
    """The window for a folder without runs: it offers the simulated stand, and to record one."""
    from gui.state.settings import Settings
    from gui.windows.begin import BeginWindow
    from gui.windows.opening import keep

    settings = settings or Settings()
    window = BeginWindow(folder, settings)
    window.opened = []

    def show_live(path: Path) -> None:
        keep(window, open_live(path, settings))
        window.opened[-1].show()
        window.close()

    def show_runs(chosen: Path) -> None:
        keep(window, open_picker(chosen, settings))
        window.opened[-1].show()

    window.started.connect(show_live)
    window.runs_asked.connect(show_runs)
    return window


def _first_window(arguments: argparse.Namespace, settings: Settings) -> QMainWindow:
    from gui.state.runs import find_runs

    if arguments.run is not None:
        return open_recorded(arguments.run)
    if arguments.attach is not None:
        return open_live(arguments.attach, settings)
    if arguments.edit is not None:
        from gui.windows.opening import open_stand

        return open_stand(arguments.edit)
    folder = arguments.runs or Path()
    if arguments.runs is None and not find_runs(folder):
        return open_beginning(folder, settings)
    return open_picker(folder, settings)


def _itself(path: Path) -> Path:
    return path


def _complain(error: BenchkitError) -> int:
    sys.stderr.write(f"{error}\n")
    return error.exit_code
