"""A control line of a serial port as an output: turned over once for every token that is handed over.

Switching a line may wait: for the adapter, or for a port server that answers. A thread of its own does it, and only for
a token that is still fresh: the thread cannot beat by itself, and what was handed over before a stall is not made up
for after it.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Iterator
from typing import TypeVar

import serial

from benchkit.errors import LinkError
from benchkit.model.heartbeat import ControlLine
from benchkit.sources.clock import Clock

_T = TypeVar("_T")
RETRY_S = 0.5
"""Pause between two attempts to open the port again."""


class LineOutputPort:
    """Turns ``line`` of port ``device`` over. The thread begins with the first token; it opens the port, and opens it
    again after a loss.

    ``beat`` hands over a token and never waits; ``done`` gives the host times [ns] at which the line was switched, and
    ``faults`` what went wrong.
    """

    def __init__(self, device: str, line: ControlLine, clock: Clock, fresh_ns: int) -> None:
        self._device = device
        self._line = line
        self._clock = clock
        self._fresh_ns = fresh_ns
        self._token_ns: int | None = None
        self._lock = threading.Lock()
        self._wake = threading.Semaphore(0)
        self._stop = threading.Event()
        self._done: queue.SimpleQueue[int] = queue.SimpleQueue()
        self._faults: queue.SimpleQueue[LinkError] = queue.SimpleQueue()
        self._level = False
        self._thread = threading.Thread(target=self._run, name="heartbeat line", daemon=True)

    def beat(self, now_ns: int) -> bool:
        """Hand over a token made at ``now_ns``. False when the one before was not used: this one takes its place."""
        if self._thread.ident is None:
            self._thread.start()
        with self._lock:
            was_used = self._token_ns is None
            self._token_ns = now_ns
        if was_used:
            self._wake.release()
        return was_used

    def done(self) -> list[int]:
        """Host times at which the line was switched, since the last call."""
        return _taken(self._done)

    def faults(self) -> list[LinkError]:
        """What went wrong since the last call; the same trouble is told once."""
        return _taken(self._faults)

    def close(self) -> None:
        """End the thread; the line stays as it is until the port is closed by it."""
        self._stop.set()
        self._wake.release()
        if self._thread.ident is not None:
            self._thread.join(timeout=2.0)

    def _run(self) -> None:
        told = ""
        while not self._stop.is_set():
            try:
                with _opened(self._device) as port:
                    told = ""
                    self._serve(port)
            except Exception as error:  # noqa: BLE001 - told: a thread that ends in silence would look like a stall
                if str(error) != told:
                    told = str(error)
                    remedy = "Check the port of the heartbeat and its cable; it is opened again when it is back."
                    self._faults.put(
                        LinkError(f"port {self._device!r}: {error}", where="heartbeat.port", remedy=remedy)
                    )
                self._stop.wait(RETRY_S)

    def _serve(self, port: serial.SerialBase) -> None:
        while True:
            self._wake.acquire()
            if self._stop.is_set():
                return
            with self._lock:
                token_ns, self._token_ns = self._token_ns, None
            if token_ns is None or self._clock.now_ns() - token_ns > self._fresh_ns:
                continue
            self._level = not self._level
            setattr(port, self._line.value, self._level)
            self._done.put(self._clock.now_ns())


@contextlib.contextmanager
def _opened(device: str) -> Iterator[serial.SerialBase]:
    """The port with both lines off; no byte is ever sent on it."""
    port = serial.serial_for_url(device, do_not_open=True, timeout=0, exclusive=True)
    port.rts = port.dtr = False
    port.open()
    connection = getattr(port, "_socket", None)
    try:
        yield port
    finally:
        with contextlib.suppress(OSError):
            port.close()
        if connection is not None:
            connection.close()  # pyserial leaves it open when the other end has gone


def _taken(waiting: queue.SimpleQueue[_T]) -> list[_T]:
    found = []
    while not waiting.empty():
        found.append(waiting.get())
    return found
