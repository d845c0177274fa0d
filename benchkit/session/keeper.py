"""The recorder's side of keeping: hands batches to the keeping process and never waits for it."""

from __future__ import annotations

import queue
from typing import Any

from benchkit.errors import BenchkitError, RunFileError
from benchkit.runfile.closing import ClosedRun
from benchkit.session.keeping import Batch, Begin, Close, Fault
from benchkit.session.piped import PipedProcess

MAX_WAITING = 3000
"""Batches that may wait for a slow disk: about 100 s. Then recording is given up, protection is not."""
GONE = "the keeping process has ended; what it had was handed to the disk."


class Keeper:
    """Owns the keeping process from ``start`` to ``close``. ``fault`` says what is wrong with recording, or None."""

    def __init__(self) -> None:
        self._answers: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._piped: PipedProcess | None = None
        self._is_closing = False
        self._is_answered = False
        self.fault: str | None = None

    def start(self, begin: Begin) -> None:
        """Create the run file; raises what the writer raises."""
        self._piped = PipedProcess("benchkit.session.keeping", "benchkit-keeper", begin, Close, self._take, self._gone)
        answer = self._answers.get()
        if isinstance(answer, BenchkitError):
            self._piped.let_go(Close())
            raise answer

    def put(self, batch: Batch) -> None:
        """Hand over a batch; never waits."""
        assert self._piped is not None
        if self.fault is None and self._piped.waiting > MAX_WAITING:
            self.fault = f"The disk does not keep up: {MAX_WAITING} batches wait."
        self._piped.put(batch)

    def ask_to_close(self) -> None:
        """Have the run closed without waiting for it: ``is_closed`` tells when it is. Nothing may be put after it."""
        assert self._piped is not None
        if not self._is_closing:
            self._is_closing = True
            self._piped.put(Close())

    @property
    def is_closed(self) -> bool:
        """True when the answer to ``ask_to_close`` is there; ``close`` then does not wait."""
        return self._is_closing and not self._answers.empty()

    def close(self) -> ClosedRun:
        """Write what waits, fold the journal, verify. Raises what the writer raises."""
        self.ask_to_close()
        answer = self._answers.get()
        assert self._piped is not None
        self._piped.let_go(Close())
        if isinstance(answer, ClosedRun):
            return answer
        raise answer

    def _take(self, answer: object) -> None:
        if isinstance(answer, Fault):
            self.fault = self.fault or answer.message
            return
        self._is_answered = answer is not None  # the first one says that the run file is there
        self._answers.put(answer)

    def _gone(self) -> None:
        if not self._is_answered:
            self.fault = self.fault or GONE
            self._answers.put(RunFileError(GONE.rstrip("."), remedy="Run benchkit recover on the run file."))
