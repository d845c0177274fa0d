"""One thread looks through a folder of runs again and again, and says when something changed."""

from __future__ import annotations

import threading
from pathlib import Path

from PySide6.QtCore import QObject, QThread, Signal, Slot

from benchkit.campaign.catalogue import Catalogue
from benchkit.campaign.scan import SUFFIX, files_of
from benchkit.campaign.tags import FILE_NAME as TAGS
from benchkit.errors import BenchkitError
from gui.state.runs import find_runs

_LOOK_AGAIN_S = 2.0


class CatalogueWatch(QThread):
    """Tells of the entries of a folder: at once, and after each change. The catalogue lives in this thread."""

    found = Signal(object, object)
    """Entries, and announcements of recorders by the name of their run file."""
    told = Signal(str)

    def __init__(self, folder: Path, parent: QObject) -> None:
        super().__init__(parent)
        self.setObjectName("catalogue")
        self._folder = folder
        self._stopping = threading.Event()
        self._look = threading.Event()

    def look(self) -> None:
        """Look now."""
        self._look.set()

    @Slot()
    def end(self) -> None:
        """Stop, and wait until the thread has ended."""
        self._stopping.set()
        self._look.set()
        self.wait()

    def run(self) -> None:
        """Body of the thread."""
        try:
            with Catalogue(self._folder) as catalogue:
                last: object = None
                while not self._stopping.is_set():
                    live = self._announced()
                    seen = self._seen(live)
                    if seen != last:
                        catalogue.refresh(self._progress)
                        last = seen
                        if not self._stopping.is_set():
                            self.found.emit(catalogue.entries(), live)
                    self._look.wait(_LOOK_AGAIN_S)
                    self._look.clear()
        except _StoppedError:
            return
        except BenchkitError as error:
            self.told.emit(str(error))

    def _seen(self, live: dict[str, Path]) -> object:
        """What must change before the folder is read again.

        A run that is being recorded is read once, for its header: that it grows is no news, and its data come from the
        recorder.
        """
        files = [x for x in files_of(self._folder, []) if x[0].removesuffix(SUFFIX) not in live]
        tags = self._folder / TAGS
        return sorted(files), sorted(live), tags.stat().st_mtime_ns if tags.exists() else 0

    def _progress(self, done: int, total: int) -> None:
        if total > 1 and (done % 50 == 0 or done == total):
            self.told.emit("" if done == total else f"Reading {done} of {total} runs …")
        if self._stopping.is_set():
            raise _StoppedError

    def _announced(self) -> dict[str, Path]:
        return {found.name: found.path for found in find_runs(self._folder) if found.is_live}


class _StoppedError(BenchkitError):
    """The window was closed in the middle of a look."""

    def __init__(self) -> None:
        super().__init__("stopped")
