"""The keeping thread: takes batches from the loop and puts them into journal and run file.

The loop never waits for a disk. A fault of recording is told through ``fault``; protection goes on without it.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass, field

from benchkit.errors import BenchkitError
from benchkit.model.events import Event
from benchkit.runfile.closing import ClosedRun
from benchkit.runfile.layout import Block
from benchkit.runfile.writer import RunWriter

FLUSH_EVERY_S = 0.2
"""Rows reach the file at least this often; bytes reach the journal with every batch."""
MAX_WAITING = 3000
"""Batches that may wait for a slow disk: about 100 s. Then recording is given up, protection is not."""


@dataclass(slots=True)
class Batch:
    """What the loop hands over at a time."""

    blocks: list[tuple[str, Block]] = field(default_factory=list)
    received: list[tuple[str, int, bytes]] = field(default_factory=list)
    """Source, host time [ns], bytes as they came."""
    sent: list[tuple[str, int, bytes]] = field(default_factory=list)
    """Source, host time [ns], bytes written to it."""
    events: list[Event] = field(default_factory=list)


class Keeper:
    """Owns the run file from ``start`` to ``close``; every other thread only calls ``put``."""

    def __init__(self, make_writer: Callable[[], RunWriter], now_s: Callable[[], float]) -> None:
        self._make_writer = make_writer
        self._now_s = now_s
        self._queue: queue.SimpleQueue[Batch | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._keep, name="benchkit-keeper")
        self._ready = threading.Event()
        self._error: BaseException | None = None
        self._closed: ClosedRun | None = None
        self.fault: str | None = None

    def start(self) -> None:
        """Create the run file; raises what the writer raises."""
        self._thread.start()
        self._ready.wait()
        if self._error is not None:
            self._thread.join()
            raise self._error

    def put(self, batch: Batch) -> None:
        """Hand over a batch; never waits."""
        if self.fault is None and self._queue.qsize() > MAX_WAITING:
            self.fault = f"the disk does not keep up: {MAX_WAITING} batches wait"
        self._queue.put(batch)

    def close(self) -> ClosedRun:
        """Write what waits, fold the journal, verify. Raises what the writer raises."""
        self._queue.put(None)
        self._thread.join()
        if self._error is not None:
            raise self._error
        assert self._closed is not None
        return self._closed

    def _keep(self) -> None:
        try:
            writer = self._make_writer()
        except BaseException as error:  # noqa: BLE001  handed to the thread that called start()
            self._error = error
            self._ready.set()
            return
        self._ready.set()
        last_flush = self._now_s()
        while True:
            batch = self._queue.get()
            if batch is None:
                break
            now = self._now_s()
            try:
                _write(writer, batch)
                if now - last_flush >= FLUSH_EVERY_S:
                    writer.flush()
                    last_flush = now
            except (BenchkitError, OSError) as error:
                if self.fault is None:
                    self.fault = str(error)
        try:
            self._closed = writer.close()
        except BaseException as error:  # noqa: BLE001  handed to the thread that called close()
            self._error = error


def _write(writer: RunWriter, batch: Batch) -> None:
    for source, time_ns, data in batch.received:
        writer.received(source, time_ns, data)
    for source, time_ns, data in batch.sent:
        writer.sent(source, time_ns, data)
    for source, block in batch.blocks:
        writer.append(source, block)
    for event in batch.events:
        writer.event(event)
    writer.flush_journal()
