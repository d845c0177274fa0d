"""The dashboard's command line: attach to a recorder, open a recorded run, or choose from a folder."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from benchkit.errors import BenchkitError, UsageError

if TYPE_CHECKING:
    from PySide6.QtWidgets import QApplication, QMainWindow

    from gui.bridge.link import FindRecorder
    from gui.state.result_pages import Jump
    from gui.state.settings import Settings
    from gui.windows.begin import BeginWindow
    from gui.windows.live import LiveWindow
    from gui.windows.overlay import OverlayWindow
    from gui.windows.recorded import RecordedWindow
    from gui.windows.results import ResultsWindow
    from gui.windows.run_list import RunListWindow
    from gui.windows.stand_editor import StandEditor


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


def open_recorded(path: Path) -> RecordedWindow:
    """A window on a recorded run.

    Raises:
        BenchkitError: the file cannot be opened; the message says why.
    """
    from gui.state.recorded import load_recorded
    from gui.windows.recorded import RecordedWindow

    window = RecordedWindow(load_recorded(path))
    window.results_asked.connect(lambda paths: _show(window, lambda: open_results(paths)))
    window.overlay_asked.connect(lambda paths: _ask_overlay(window, paths))
    return window


def open_picker(folder: Path, settings: Settings | None = None) -> RunListWindow:
    """A window with the runs of a folder; what is chosen opens in a window of its own."""
    from gui.windows.run_list import RunListWindow

    runs = RunListWindow(folder)
    runs.live_asked.connect(lambda path: _show(runs, lambda: open_live(path, settings)))
    runs.run_asked.connect(lambda path: _show(runs, lambda: open_recorded(path)))
    runs.overlay_asked.connect(lambda paths: _show(runs, lambda: open_overlay(paths)))
    runs.results_asked.connect(lambda paths: _show(runs, lambda: open_results(paths)))
    runs.comparison_asked.connect(lambda a, b: _show(runs, lambda: open_comparison(a, b)))
    runs.stand_asked.connect(lambda path: _show(runs, lambda: open_stand(path)))
    return runs


def open_beginning(folder: Path, settings: Settings | None = None) -> BeginWindow:
    """The window for a folder without runs: it offers the simulated stand, and to record one."""
    from gui.state.settings import Settings
    from gui.windows.begin import BeginWindow

    settings = settings or Settings()
    window = BeginWindow(folder, settings)
    window.opened = []

    def show_live(path: Path) -> None:
        _keep(window, open_live(path, settings))
        window.opened[-1].show()
        window.close()

    def show_runs(chosen: Path) -> None:
        _keep(window, open_picker(chosen, settings))
        window.opened[-1].show()

    window.started.connect(show_live)
    window.runs_asked.connect(show_runs)
    return window


def open_overlay(paths: tuple[Path, ...]) -> OverlayWindow:
    """A window with several runs over one another.

    Raises:
        BenchkitError: one of them cannot be opened.
    """
    from gui.state.overlay import load_overlay
    from gui.windows.overlay import OverlayWindow

    return OverlayWindow(load_overlay(paths))


def open_results(paths: tuple[Path, ...]) -> ResultsWindow:
    """A window with what the report says of runs."""
    from gui.windows.results import ResultsWindow

    return _with_rows(ResultsWindow("results", paths))


def open_comparison(a: tuple[Path, ...], b: tuple[Path, ...]) -> ResultsWindow:
    """A window with what the report says of runs of firmware B against those of A."""
    from gui.windows.results import ResultsWindow

    return _with_rows(ResultsWindow("comparison", a, b))


def open_stand(path: Path) -> StandEditor:
    """A window to edit a stand profile.

    Raises:
        BenchkitError: the file cannot be read.
    """
    from gui.windows.stand_editor import StandEditor

    return StandEditor(path)


def _with_rows(window: ResultsWindow) -> ResultsWindow:
    """A flag that is about rows shows them in the recorded view: one window a run, opened where there is none."""
    shown: dict[Path, RecordedWindow] = {}

    def show_rows(jump: Jump) -> None:
        recorded = shown.get(jump.path)
        if recorded is None or not recorded.isVisible():
            try:
                recorded = shown[jump.path] = open_recorded(jump.path)
            except BenchkitError as error:
                window.say(str(error))
                return
        _keep(window, recorded)
        recorded.show()
        recorded.show_rows(jump)
        recorded.activateWindow()

    window.rows_asked.connect(show_rows)
    return window


def _ask_overlay(window: RecordedWindow, paths: tuple[Path, ...]) -> None:
    """Ask which other runs to lay over this one."""
    from PySide6.QtCore import Qt
    from PySide6.QtWidgets import QFileDialog

    dialog = QFileDialog(window, "Runs to lay over this one", str(paths[0].parent), "Runs (*.h5)")
    dialog.setFileMode(QFileDialog.FileMode.ExistingFiles)
    dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
    dialog.filesSelected.connect(
        lambda names: _show(window, lambda: open_overlay((*paths, *(Path(n) for n in names if Path(n) != paths[0]))))
    )
    dialog.open()


class _Speaking(Protocol):
    def say(self, text: str) -> None: ...


def _show(asker: _Speaking, opener: Callable[[], QMainWindow]) -> None:
    """Open a window that another one asked for; why it cannot be opened is said there."""
    try:
        window = opener()
    except BenchkitError as error:
        asker.say(str(error))
        return
    _keep(asker, window)
    window.show()


def _keep(asker: object, window: QMainWindow) -> None:
    """Python must not drop a window that is on the screen; windows that were closed may go."""
    opened: list[QMainWindow] = getattr(asker, "opened", [])
    asker.opened = [w for w in opened if w.isVisible() and w is not window] + [window]  # type: ignore[attr-defined]


def _first_window(arguments: argparse.Namespace, settings: Settings) -> QMainWindow:
    from gui.state.runs import find_runs

    if arguments.run is not None:
        return open_recorded(arguments.run)
    if arguments.attach is not None:
        return open_live(arguments.attach, settings)
    if arguments.edit is not None:
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
