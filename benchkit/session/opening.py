"""Opening a link without waiting for it: a network address that does not answer holds its caller for seconds."""

from __future__ import annotations

import contextlib
import threading

from benchkit.errors import BenchkitError
from benchkit.sources.contract import Source


class Opening:
    """One attempt to open a source, in a thread of its own. Until ``is_done`` nobody else may touch the source."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._error: BaseException | None = None
        self._is_unwanted = False
        self._lock = threading.Lock()
        self._done = threading.Event()
        # a daemon: the end of the program does not wait for an address that does not answer
        threading.Thread(target=self._open, name=f"benchkit-open-{source.name}", daemon=True).start()

    @property
    def is_done(self) -> bool:
        """True once it is known whether the link is open."""
        return self._done.is_set()

    def wait(self, timeout_s: float) -> None:
        """Wait until it is done, but not longer than this."""
        self._done.wait(timeout_s)

    def check(self) -> None:
        """Raise what opening the source has raised; call it when it is done."""
        if self._error is not None:
            raise self._error

    def give_up(self) -> None:
        """The link is no longer wanted: it is closed now, or as soon as the attempt ends."""
        with self._lock:
            self._is_unwanted = True
            if not self._done.is_set():
                return
        self._source.close()

    def _open(self) -> None:
        try:
            self._source.open()
        except BaseException as error:  # noqa: BLE001  whatever it is, the recorder raises it in its own thread
            self._error = error
        with self._lock:
            self._done.set()
            if not self._is_unwanted:
                return
        with contextlib.suppress(BenchkitError):
            self._source.close()
