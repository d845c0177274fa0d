"""Windows that open one another: the list of runs, recorded runs, overlays, results, the stand editor."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFileDialog, QMainWindow

from benchkit.errors import BenchkitError
from gui.state.flag_lines import Jump
from gui.state.overlay import load_overlay
from gui.state.recorded import load_recorded
from gui.windows.overlay import OverlayWindow
from gui.windows.recorded import RecordedWindow
from gui.windows.run_list import RunListWindow
from gui.windows.stand_editor import StandEditor

if TYPE_CHECKING:  # what a report stands on is loaded when somebody asks for results
    from gui.windows.results import ResultsWindow


def open_recorded(path: Path) -> RecordedWindow:
    """A window on a recorded run.

    Raises:
        BenchkitError: the file cannot be opened; the message says why.
    """
    window = RecordedWindow(load_recorded(path))
    window.results_asked.connect(lambda paths: _show(window, lambda: open_results(paths)))
    window.overlay_asked.connect(lambda paths: _ask_overlay(window, paths))
    return window


def open_runs(folder: Path, open_live: Callable[[Path], QMainWindow]) -> RunListWindow:
    """A window with the runs of a folder; what is chosen opens in a window of its own."""
    runs = RunListWindow(folder)
    runs.live_asked.connect(lambda path: _show(runs, lambda: open_live(path)))
    runs.run_asked.connect(lambda path: _show(runs, lambda: open_recorded(path)))
    runs.overlay_asked.connect(lambda paths: _show(runs, lambda: open_overlay(paths)))
    runs.results_asked.connect(lambda paths: _show(runs, lambda: open_results(paths)))
    runs.comparison_asked.connect(lambda a, b: _show(runs, lambda: open_comparison(a, b)))
    runs.stand_asked.connect(lambda path: _show(runs, lambda: open_stand(path)))
    return runs


def open_overlay(paths: tuple[Path, ...]) -> OverlayWindow:
    """A window with several runs over one another.

    Raises:
        BenchkitError: one of them cannot be opened.
    """
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
        keep(window, recorded)
        recorded.show()
        recorded.show_rows(jump)
        recorded.activateWindow()

    window.rows_asked.connect(show_rows)
    return window


def _ask_overlay(window: RecordedWindow, paths: tuple[Path, ...]) -> None:
    """Ask which other runs to lay over this one."""
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
    keep(asker, window)
    window.show()


def keep(asker: object, window: QMainWindow) -> None:
    """Python must not drop a window that is on the screen; windows that were closed may go."""
    opened: list[QMainWindow] = getattr(asker, "opened", [])
    asker.opened = [w for w in opened if w.isVisible() and w is not window] + [window]  # type: ignore[attr-defined]
