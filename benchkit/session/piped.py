"""A process of our own code with a pipe each way: orders go in, answers come out, and who orders waits for neither."""

from __future__ import annotations

import contextlib
import pickle
import queue
import subprocess
import sys
import threading
from collections.abc import Callable
from typing import Any


class PipedProcess:
    """A process that runs ``main`` of ``module``, from construction to ``let_go``.

    ``begin`` is its first order; one of the type ``last`` ends it. ``take`` is given every answer and ``gone`` is
    called once when no more can come, both in a thread of their own.
    """

    def __init__(
        self, module: str, name: str, begin: object, last: type, take: Callable[[Any], None], gone: Callable[[], None]
    ) -> None:
        self._orders: queue.SimpleQueue[object] = queue.SimpleQueue()
        self._orders.put(begin)
        self._last, self._take, self._gone = last, take, gone
        # not with -m: what is pickled must be of the imported module, not of one named __main__
        command = [sys.executable, "-c", f"from {module} import main; main()"]
        # a group of its own: an interrupt at the keyboard is for the recorder alone
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=sys.platform != "win32"
        )
        self._threads = [
            threading.Thread(target=work, name=f"{name}-{work.__name__.strip('_')}", daemon=True)
            for work in (self._send, self._receive)
        ]
        for thread in self._threads:
            thread.start()

    def put(self, order: object) -> None:
        """Give an order; never waits."""
        self._orders.put(order)

    @property
    def waiting(self) -> int:
        """How many orders have not been handed over."""
        return self._orders.qsize()

    @property
    def is_alive(self) -> bool:
        """True while the process runs."""
        return self._process.poll() is None

    def let_go(self, end: object, timeout_s: float | None = None) -> None:
        """Give the order that ends it and wait until it has ended; after ``timeout_s`` [s] it is killed."""
        self.put(end)
        try:
            self._process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        for thread in self._threads:
            thread.join()
        for pipe in (self._process.stdin, self._process.stdout):
            assert pipe is not None
            with contextlib.suppress(BrokenPipeError):
                pipe.close()

    def _send(self) -> None:
        pipe = self._process.stdin
        assert pipe is not None
        order: object = None
        while not isinstance(order, self._last):
            order = self._orders.get()
            try:
                pickle.dump(order, pipe)
                pipe.flush()
            except OSError:
                return  # it has ended: the other thread finds that out

    def _receive(self) -> None:
        assert self._process.stdout is not None
        while True:
            try:
                answer = pickle.load(self._process.stdout)  # noqa: S301  our own child
            except (EOFError, OSError, pickle.UnpicklingError):
                self._gone()
                return
            self._take(answer)
