"""The dashboard's command line: attach to a recorder, open a recorded run, or choose from a folder."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from benchkit.errors import BenchkitError, UsageError

if TYPE_CHECKING:
    from PySide6.QtWidgets import QApplication, QMainWindow

    from gui.bridge.link import FindRecorder
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
        help="attach to the recorder that this file announces; a folder: to its newest",
    )
    made.add_argument("--edit", type=Path, metavar="STAND.toml", help="edit a stand profile")
    made.add_argument("--runs", type=Path, metavar="DIR", help="choose from the runs in a folder (default: .)")
    return made


def main(argv: Sequence[str] | None = None) -> int:
    """Run the dashboard until its last window closes; returns the exit code."""
    arguments = parser().parse_args(argv)
    if sum(x is not None for x in (arguments.run, arguments.attach, arguments.runs, arguments.edit)) > 1:
        return _complain(UsageError("give one of RUN.h5, --attach, --runs, --edit"))
    try:
        application = make_application()
    except ImportError as error:
        return _complain(
            UsageError("Qt cannot be loaded", got=str(error), remedy="Install it with: pip install 'benchkit[gui]'")
        )
    try:
        window = _first_window(arguments)
    except BenchkitError as error:
        return _complain(error)
    window.show()
    return int(application.exec())


def make_application() -> QApplication:
    """The Qt application with the dashboard's look; the one that runs already, if there is one."""
    import pyqtgraph as pg
    from PySide6.QtWidgets import QApplication

    from gui.state import theme
    from gui.widgets.look import style_sheet

    running = QApplication.instance()
    application = running if isinstance(running, QApplication) else QApplication(sys.argv[:1])
    application.setApplicationName("benchkit dashboard")
    application.setStyle("Fusion")
    application.setStyleSheet(style_sheet())
    pg.setConfigOptions(antialias=False, background=theme.PANEL, foreground=theme.INK_SOFT)
    return application


def open_live(path: Path) -> LiveWindow:
    """A window that attaches to the recorder announced at ``path``, or in ``path`` where it is a folder."""
    from gui.state.runs import newest_live
    from gui.windows.live import LiveWindow

    find: FindRecorder = partial(newest_live, path) if path.is_dir() else partial(_itself, path)
    return LiveWindow(find, str(path))


def open_recorded(path: Path) -> QMainWindow:
    """A window on a recorded run.

    Raises:
        BenchkitError: the file cannot be opened; the message says why.
    """
    from gui.windows import opening

    return opening.open_recorded(path)


def open_picker(folder: Path) -> RunListWindow:
    """A window with the runs of a folder; what is chosen opens in a window of its own."""
    from gui.windows.opening import open_runs

    return open_runs(folder, open_live)


def _first_window(arguments: argparse.Namespace) -> QMainWindow:
    if arguments.run is not None:
        return open_recorded(arguments.run)
    if arguments.attach is not None:
        return open_live(arguments.attach)
    if arguments.edit is not None:
        from gui.windows.opening import open_stand

        return open_stand(arguments.edit)
    return open_picker(arguments.runs or Path())


def _itself(path: Path) -> Path:
    return path


def _complain(error: BenchkitError) -> int:
    sys.stderr.write(f"{error}\n")
    return error.exit_code
