"""The capturing process of one burst source: packets into a ring, and on a trigger a window of it onto the disk.

A process of its own: a million samples a second must not take a microsecond from the loop that protects. It hears of
triggers over a pipe and answers over another; a burst itself goes onto the disk beside the run
(:mod:`benchkit.runfile.spool`), from where the keeping process takes it. When the pipe ends it ends too.
"""

from __future__ import annotations

import contextlib
import pickle
import queue
import signal
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from benchkit.decode.burst_files import samples_of
from benchkit.decode.burst_packets import BurstRing, parse
from benchkit.errors import BenchkitError
from benchkit.model.bursts import MOST_BYTES, BurstRecord
from benchkit.runfile import spool
from benchkit.session.capture_orders import BeginCapture, Captured, EndCapture, Fire, Listening, Totals
from benchkit.sources.burst_udp import BurstListener
from benchkit.sources.clock import Clock, HostClock

LATE_S = 1.0
"""A trigger may come so much later than what it stands for: the ring holds that much beside the burst."""
PATIENCE_S = 2.0
"""Longest wait for the samples after a trigger, beyond the time that they take."""
LOOK_EVERY_S = 0.2
"""How often the folder of a file source is looked at."""


class PacketCapture:
    """Ring and triggers of one packet source; ``turn`` takes what has come."""

    def __init__(
        self, begin: BeginCapture, listener: BurstListener, clock: Clock, tell: Callable[[object], None]
    ) -> None:
        source = begin.source
        self._begin, self._source, self._clock, self._tell = begin, source, clock, tell
        self._listener = listener
        extra = min(round(LATE_S * source.sample_rate_hz), MOST_BYTES // source.frame_bytes)
        self._ring = BurstRing(source, source.rows + extra)
        self._pending: list[Fire] = []
        self._writers: list[threading.Thread] = []
        self._refused = 0

    def fire(self, order: Fire) -> None:
        """Keep what lies around a time, once it is there."""
        self._pending.append(order)

    def turn(self) -> None:
        """Take the datagrams that are there, and cut the bursts that are complete."""
        for datagram, arrival_ns in self._listener.receive(0.005):
            packet = parse(self._source, datagram)
            if isinstance(packet, str):
                self._refused += 1
            else:
                self._ring.feed(packet, arrival_ns)
        still = []
        for order in self._pending:
            trigger, u_samples = self._ring.place(order.time_ns)
            is_complete = self._ring.has(trigger - self._source.pre_rows + self._source.rows)
            waited_s = (self._clock.now_ns() - order.time_ns) * 1e-9
            if is_complete or waited_s > self._source.post_s + PATIENCE_S:
                self._cut(order, trigger, u_samples)
            else:
                still.append(order)
        self._pending = still

    @property
    def is_idle(self) -> bool:
        """True when no burst is under way."""
        return not self._pending

    def close(self) -> Totals:
        """Let go of the socket; bursts that are being written are written first."""
        for thread in self._writers:
            thread.join()
        self._listener.close()
        ring = self._ring
        return Totals(ring.received, ring.lost, ring.late, self._refused, ring.restarts)

    def _cut(self, order: Fire, trigger: int, u_samples: float) -> None:
        since_start_ns = order.time_ns - self._begin.start_ns
        record = None
        if trigger >= 0:
            record = self._ring.cut(trigger, order.number, order.reason, since_start_ns, u_samples)
        if record is None:
            why = "its samples were no longer there"
            if trigger > self._ring.next or not self._ring.received:
                why = "its samples did not come in time: the source is off, or slower than the profile says"
            self._tell(Captured(order.number, order.reason, since_start_ns, None, why=why))
            return
        # the disk may take its time: packets go on coming meanwhile
        thread = threading.Thread(target=self._write, args=(record,), name="benchkit-burst-write")
        self._writers = [writer for writer in self._writers if writer.is_alive()]
        self._writers.append(thread)
        thread.start()

    def _write(self, record: BurstRecord) -> None:
        self._tell(written(self._begin.folder, record))


class FolderWatch:
    """Files that appear in a folder while a run is recorded, each taken once it does not grow any more."""

    def __init__(self, begin: BeginCapture, clock: Clock, tell: Callable[[object], None]) -> None:
        spec = begin.source.file
        assert spec is not None
        self._begin, self._clock, self._tell = begin, clock, tell
        self._folder, self._pattern = Path(spec.folder), spec.pattern
        self._row = spec.trigger_row
        self._done = set(self._folder.glob(self._pattern))
        self._sizes: dict[Path, int] = {}
        self._number = 0
        self._refused = self._received = 0

    def fire(self, order: Fire) -> None:
        """A file comes when the instrument writes it: there is nothing to cut."""
        time_ns = order.time_ns - self._begin.start_ns
        why = f"this source takes the files that appear in {self._folder}"
        self._tell(Captured(order.number, order.reason, time_ns, None, why=why))

    def turn(self) -> None:
        """Look into the folder; take what has stopped growing since the last look."""
        self._clock.sleep(LOOK_EVERY_S)
        self.look()

    def look(self) -> None:
        """Take what has stopped growing since the last look."""
        for path in sorted(self._folder.glob(self._pattern)):
            if path in self._done:
                continue
            with contextlib.suppress(OSError):
                size = path.stat().st_size
                if size and self._sizes.get(path) == size:
                    self._take(path)
                self._sizes[path] = size

    @property
    def is_idle(self) -> bool:
        """True when no file is still growing."""
        return all(path in self._done for path in self._sizes)

    def close(self) -> Totals:
        """Nothing is held open."""
        return Totals(self._received, 0, 0, self._refused, 0)

    def _take(self, path: Path) -> None:
        self._done.add(path)
        source, reason = self._begin.source, f"file {path.name}"
        time_ns = self._clock.now_ns() - self._begin.start_ns
        if self._number >= source.most_bursts:
            self._refused += 1
            why = f"the run has its {source.most_bursts} bursts of this source"
            self._tell(Captured(0, reason, time_ns, None, why=why))
            return
        try:
            data = path.read_bytes()
            if len(data) > MOST_BYTES:
                raise OSError(f"{len(data)} bytes are more than a burst may have")
            samples = samples_of(source, data, where=str(path))
        except (BenchkitError, OSError) as error:
            self._refused += 1
            self._tell(Captured(0, reason, time_ns, None, why=str(error)))
            return
        self._number += 1
        self._received += len(samples)
        record = BurstRecord(
            source=source.name,
            number=self._number,
            reason=reason,
            sample_rate_hz=source.sample_rate_hz,
            first_counter=0,
            trigger_sample=self._row,
            trigger_ns=time_ns,
            u_trigger_ns=round(LOOK_EVERY_S * 1e9),
            missing=0,
            gaps=np.empty((0, 2), dtype=np.int64),
            samples=samples,
        )
        self._tell(written(self._begin.folder, record))


def written(folder: Path, record: BurstRecord) -> Captured:
    """Put a burst onto the disk; the answer says where, or why not."""
    try:
        path = spool.write(folder, record)
    except OSError as error:
        return Captured(
            record.number, record.reason, record.trigger_ns, None, why=f"cannot be written: {error.strerror}"
        )
    rows = len(record.samples)
    return Captured(record.number, record.reason, record.trigger_ns, path, rows=rows, missing=record.missing)


def capture(orders: BinaryIO, answers: BinaryIO) -> None:
    """Carry out orders until ``EndCapture`` or the end of the pipe."""
    lock = threading.Lock()

    def tell(message: object) -> None:
        with lock, contextlib.suppress(OSError, ValueError):  # a dead recorder needs no answer
            pickle.dump(message, answers)
            answers.flush()

    begin = pickle.load(orders)  # noqa: S301  our own parent
    clock = HostClock()
    work: PacketCapture | FolderWatch
    try:
        if begin.source.file is None:
            listener = BurstListener(begin.source.name, begin.source.port, clock)
            work = PacketCapture(begin, listener, clock, tell)
            tell(Listening(listener.address))
        else:
            work = FolderWatch(begin, clock, tell)
            tell(Listening(begin.source.file.folder))
    except BenchkitError as error:
        tell(error)
        return
    inbox: queue.SimpleQueue[Any] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(orders, inbox), name="benchkit-burst-orders", daemon=True).start()
    end_by_ns: int | None = None
    while end_by_ns is None or (not work.is_idle and clock.now_ns() < end_by_ns):
        while not inbox.empty():
            order = inbox.get()
            if isinstance(order, Fire):
                work.fire(order)
            else:
                longest_s = begin.source.post_s + 2.0 * PATIENCE_S
                end_by_ns = clock.now_ns() + round(longest_s * 1e9)
        work.turn()
    tell(work.close())


def _listen(orders: BinaryIO, inbox: queue.SimpleQueue[Any]) -> None:
    while True:
        try:
            order = pickle.load(orders)  # noqa: S301  our own parent
        except (EOFError, OSError, pickle.UnpicklingError):
            order = EndCapture()
        inbox.put(order)
        if isinstance(order, EndCapture):
            return


def main() -> None:
    """The process: orders on standard input, answers on standard output."""
    for name in ("SIGINT", "SIGTERM"):  # these are for the recorder, which then tells us to end
        signal.signal(getattr(signal, name), signal.SIG_IGN)
    capture(sys.stdin.buffer, sys.stdout.buffer)
