"""The recorder's side of keeping: hands batches to the keeping process and never waits for it."""

from __future__ import annotations

import contextlib
import pickle
import queue
import subprocess
import sys
import threading
from typing import Any

from benchkit.errors import BenchkitError, RunFileError
from benchkit.runfile.closing import ClosedRun
from benchkit.session.keeping import Batch, Begin, Close, Fault

MAX_WAITING = 3000
"""Batches that may wait for a slow disk: about 100 s. Then recording is given up, protection is not."""
GONE = "the keeping process has ended; what it had was handed to the disk."


class Keeper:
    """Owns the keeping process from ``start`` to ``close``. ``fault`` says what is wrong with recording, or None."""

    def __init__(self) -> None:
        self._orders: queue.SimpleQueue[Batch | Close] = queue.SimpleQueue()
        self._answers: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._process: subprocess.Popen[bytes] | None = None
        self._threads: list[threading.Thread] = []
        self._is_closing = False
        self.fault: str | None = None

    def start(self, begin: Begin) -> None:
        """Create the run file; raises what the writer raises."""
        # not with -m: what is pickled must be of the imported module, not of one named __main__
        command = [sys.executable, "-c", "from benchkit.session.keeping import main; main()"]
        # a group of its own: an interrupt at the keyboard is for the recorder alone
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=sys.platform != "win32"
        )
        for work, name in ((self._send, "benchkit-keeper-send"), (self._receive, "benchkit-keeper-receive")):
            self._threads.append(threading.Thread(target=work, args=(self._process, begin), name=name, daemon=True))
            self._threads[-1].start()
        answer = self._answers.get()
        if isinstance(answer, BenchkitError):
            self._let_go()
            raise answer

    def put(self, batch: Batch) -> None:
        """Hand over a batch; never waits."""
        if self.fault is None and self._orders.qsize() > MAX_WAITING:
            self.fault = f"The disk does not keep up: {MAX_WAITING} batches wait."
        self._orders.put(batch)

    def ask_to_close(self) -> None:
        """Have the run closed without waiting for it: ``is_closed`` tells when it is. Nothing may be put after it."""
        if not self._is_closing:
            self._is_closing = True
            self._orders.put(Close())

    @property
    def is_closed(self) -> bool:
        """True when the answer to ``ask_to_close`` is there; ``close`` then does not wait."""
        return self._is_closing and not self._answers.empty()

    def close(self) -> ClosedRun:
        """Write what waits, fold the journal, verify. Raises what the writer raises."""
        self.ask_to_close()
        answer = self._answers.get()
        self._let_go()
        if isinstance(answer, ClosedRun):
            return answer
        raise answer

    def _send(self, process: subprocess.Popen[bytes], begin: Begin) -> None:
        assert process.stdin is not None
        try:
            pickle.dump(begin, process.stdin)
            process.stdin.flush()
            while True:
                order = self._orders.get()
                pickle.dump(order, process.stdin)
                process.stdin.flush()
                if isinstance(order, Close):
                    return
        except OSError:
            self.fault = self.fault or GONE

    def _receive(self, process: subprocess.Popen[bytes], _begin: Begin) -> None:
        assert process.stdout is not None
        while True:
            try:
                answer = pickle.load(process.stdout)  # noqa: S301  our own child
            except (EOFError, OSError, pickle.UnpicklingError):
                self.fault = self.fault or GONE
                self._answers.put(RunFileError(GONE.rstrip("."), remedy="Run benchkit recover on the run file."))
                return
            if isinstance(answer, Fault):
                self.fault = self.fault or answer.message
                continue
            self._answers.put(answer)
            if answer is not None:
                return

    def _let_go(self) -> None:
        assert self._process is not None
        self._orders.put(Close())  # ends the sending thread where it still waits
        self._process.wait()
        for thread in self._threads:
            thread.join()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with contextlib.suppress(BrokenPipeError):
                    pipe.close()
