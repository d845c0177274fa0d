"""Polled instruments: a thread asks on schedule and hands over records, so that no other source ever waits.

An instrument that answers only when asked may take long, or not answer at all. Its questions are therefore asked by a
thread of their own, one a source; ``poll`` only takes what is ready. Sweeps over all questions begin at whole multiples
of the interval since the opening, so that the schedule does not drift; a sweep that begins late begins at once, and one
that has no time left is left out and counted.

A command waits until the question under way is answered or given up: at most the time-out of the source.
"""

from __future__ import annotations

import queue
import threading
from collections import deque
from collections.abc import Callable
from typing import Protocol

from benchkit.decode.contract import Decoder
from benchkit.decode.records import Outcome
from benchkit.errors import LinkError, UsageError
from benchkit.sources.clock import Clock
from benchkit.sources.contract import Polled, outage_gap

MAX_WAITING = 10_000
"""Records that wait for ``poll``; more are dropped, and seen as sweeps left out."""
MAX_COMMANDS = 16
"""Commands that wait for the instrument; one that lets more pile up counts as lost."""
LOST_AFTER = 5
"""A network link on which so many sweeps running got no answer is closed: the cable may be out unnoticed."""
_SLICE_NS = 50_000_000
"""How often a waiting thread looks whether it shall stop."""


class Link(Protocol):
    """An open port or connection."""

    def read(self, timeout_s: float) -> bytes: ...
    def write(self, data: bytes) -> None: ...
    def close(self) -> None: ...


class StoppedError(Exception):
    """The source is being closed."""


class ExchangeError(Exception):
    """A question that brought no usable answer, with what came instead."""

    def __init__(self, outcome: Outcome, text: str, evidence: bytes = b"") -> None:
        super().__init__(text)
        self.outcome = outcome
        self.text = text
        self.evidence = evidence


class Line:
    """A link with a clock and an end: waits are cut short when the source is closed."""

    def __init__(self, link: Link, clock: Clock, stop: threading.Event) -> None:
        self._link = link
        self._clock = clock
        self._stop = stop
        self.busy_ns = clock.now_ns()
        """When the last byte went or came."""

    def now_ns(self) -> int:
        """Host monotonic time."""
        return self._clock.now_ns()

    def write(self, data: bytes) -> None:
        """Write all of ``data``; OSError when the link is lost."""
        self._link.write(data)
        self.busy_ns = self._clock.now_ns()

    def read(self, until_ns: int) -> bytes:
        """Bytes as soon as there are any; empty when none came until ``until_ns``."""
        while True:
            if self._stop.is_set():
                raise StoppedError
            left = until_ns - self._clock.now_ns()
            data = self._link.read(min(max(left, 0), _SLICE_NS) * 1e-9)
            if data:
                self.busy_ns = self._clock.now_ns()
                return data
            if left <= 0:
                return b""

    def read_waiting(self) -> bytes:
        """Bytes that have come already."""
        found = b""
        while len(found) < 1_000_000 and (data := self._link.read(0.0)):
            found += data
        return found

    def be_silent(self, seconds: float) -> None:
        """Wait until nothing has gone or come for ``seconds``."""
        left = self.busy_ns + seconds * 1e9 - self._clock.now_ns()
        if left > 0 and self._stop.wait(left * 1e-9):
            raise StoppedError


class Instrument(Protocol):
    """What a protocol does on an open line. All calls come from one thread."""

    unanswered: int
    """Sweeps running that brought nothing at all."""

    def sweep(self, number: int, between: Callable[[], None]) -> bytes:
        """Ask everything once; ``between`` is called before each question. Return the records.

        Raises:
            OSError: the link is lost.
        """
        ...

    def command(self, text: str) -> bytes:
        """Carry out one command and return the record of its answer."""
        ...


class Worker:
    """The thread that asks ``instrument`` every ``interval_s``."""

    def __init__(
        self,
        name: str,
        link: Link,
        clock: Clock,
        interval_s: float,
        instrument_on: Callable[[Line], Instrument],
        lost_after: int | None,
    ) -> None:
        self._link = link
        self._clock = clock
        self._interval_ns = max(1, round(interval_s * 1e9))
        self._stop = threading.Event()
        self._instrument = instrument_on(Line(link, clock, self._stop))
        self._lost_after = lost_after
        self._commands: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._offered: tuple[str, int] | None = None
        self._offer_lock = threading.Lock()
        self._records: queue.SimpleQueue[tuple[bytes, int] | None] = queue.SimpleQueue()
        self.loss: Exception | None = None
        """Why the thread has ended by itself."""
        self._thread = threading.Thread(target=self._run, name=f"poll {name}", daemon=True)
        self._thread.start()

    def next_record(self, timeout_s: float) -> tuple[bytes, int] | None:
        """The oldest record and its time of arrival in ns; None when nothing came in time or the thread has ended."""
        if self.loss is not None and self._records.empty():
            return None
        try:
            return self._records.get(timeout=timeout_s) if timeout_s > 0.0 else self._records.get_nowait()
        except queue.Empty:
            return None

    @property
    def is_over(self) -> bool:
        """True when the link was lost and every record has been taken."""
        return self.loss is not None and self._records.empty()

    def command(self, text: str) -> bool:
        """Hand over a command; False when too many wait already."""
        if self._commands.qsize() >= MAX_COMMANDS:
            return False
        self._commands.put(text)
        return True

    def offer(self, text: str, fresh_until_ns: int) -> bool:
        """Hand over a command that is left out when its turn comes after ``fresh_until_ns``.

        There is one place for it: False when the one before still waits, and this one takes its place.
        """
        with self._offer_lock:
            was_free = self._offered is None
            self._offered = (text, fresh_until_ns)
        if was_free:
            self._commands.put("")  # wakes it
        return was_free

    def stop(self) -> None:
        """End the thread and close the link."""
        self._stop.set()
        self._commands.put("")  # wakes it
        self._thread.join()

    def _run(self) -> None:
        try:
            self._ask_for_ever()
        except StoppedError:
            pass
        except Exception as error:  # noqa: BLE001 - told by poll: a thread that ends in silence would look like silence
            self.loss = error
        finally:
            self._link.close()
            self._records.put(None)  # wakes poll

    def _ask_for_ever(self) -> None:
        start_ns = self._clock.now_ns()
        sweep = 0
        while True:
            self._serve_until(start_ns + sweep * self._interval_ns)
            self._hand_over(self._instrument.sweep(sweep, self._serve))
            if self._lost_after is not None and self._instrument.unanswered >= self._lost_after:
                raise OSError(f"no answer to {self._instrument.unanswered} sweeps running")
            sweep = max(sweep + 1, (self._clock.now_ns() - start_ns) // self._interval_ns)

    def _serve(self) -> None:
        self._serve_until(0)

    def _serve_until(self, due_ns: int) -> None:
        """Carry out the commands that wait, and those that come until ``due_ns``."""
        while True:
            left_s = (due_ns - self._clock.now_ns()) * 1e-9
            try:
                text = self._commands.get(timeout=left_s) if left_s > 0.0 else self._commands.get_nowait()
            except queue.Empty:
                text = ""
            if self._stop.is_set():
                raise StoppedError
            text = text or self._take_offer()
            if text:
                self._hand_over(self._instrument.command(text))
            elif self._clock.now_ns() >= due_ns:
                return

    def _take_offer(self) -> str:
        """The command that is offered while it is fresh, else nothing."""
        with self._offer_lock:
            offered, self._offered = self._offered, None
        return offered[0] if offered is not None and self._clock.now_ns() <= offered[1] else ""

    def _hand_over(self, records: bytes) -> None:
        if self._records.qsize() < MAX_WAITING:
            self._records.put((records, self._clock.now_ns()))


class PolledSource:
    """Source of a polled instrument (see :class:`benchkit.sources.contract.Source`).

    ``open_link`` opens the port, ``instrument_on`` makes the protocol for an open line, ``new_decoder`` the decoder of
    its records; ``check_command`` raises UsageError for a command that the protocol does not know.
    """

    is_finished = False

    def __init__(
        self,
        name: str,
        device: str,
        clock: Clock,
        interval_s: float,
        *,
        open_link: Callable[[], Link],
        instrument_on: Callable[[Line], Instrument],
        new_decoder: Callable[[], Decoder],
        check_command: Callable[[str], object],
        lost_after: int | None = None,
    ) -> None:
        self._name = name
        self._device = device
        self._where = f"sources.{name}"
        self._clock = clock
        self._interval_s = interval_s
        self._open_link = open_link
        self._instrument_on = instrument_on
        self._new_decoder = new_decoder
        self._check_command = check_command
        self._lost_after = lost_after
        self._decoder = new_decoder()
        self._worker: Worker | None = None
        self._left: deque[Polled] = deque()
        self._down_since_ns: int | None = None
        self._loss: LinkError | None = None

    @property
    def name(self) -> str:
        return self._name

    @property
    def columns(self) -> tuple[str, ...]:
        return self._decoder.columns

    @property
    def device(self) -> str:
        """Port in use: path, COM name or address."""
        return self._device

    @property
    def is_open(self) -> bool:
        return self._worker is not None

    def open(self) -> None:
        """Open the link, or open it again after a loss, and begin to ask.

        Raises:
            LinkError: it cannot be opened.
            UsageError: the port is none.
        """
        if self._worker is not None:
            return
        link = self._open_link()
        self._loss = None
        self._decoder = self._new_decoder()
        if self._down_since_ns is not None:
            now = self._clock.now_ns()
            self._left.append(Polled(b"", now, [outage_gap(self._down_since_ns, now)]))
            self._down_since_ns = None
        self._worker = Worker(self._name, link, self._clock, self._interval_s, self._instrument_on, self._lost_after)

    def poll(self, timeout_s: float) -> Polled | None:
        """Take what the instrument has said; wait up to ``timeout_s`` for it.

        Raises:
            LinkError: the link is lost or not open.
        """
        if self._left:
            return self._left.popleft()
        if self._worker is None:
            raise self._loss or self._not_open()
        item = self._worker.next_record(timeout_s)
        if item is not None:
            return self._polled(*item)
        if self._worker.is_over:
            raise self._lose(self._worker)
        return None

    def send(self, command: str) -> None:
        """Hand over one command; the answer comes as a reply: ``ok``, ``refused`` or ``unanswered``, and the command.

        Raises:
            LinkError: the link is lost, not open, or too many commands wait.
            UsageError: the text is not one line of ASCII, or no command of this instrument.
        """
        if not command.isascii() or not command.isprintable() or not command:
            raise UsageError(
                "a command is one line of ASCII text",
                where=self._where,
                got=command,
                remedy="Mend the command in the stand profile.",
            )
        self._check_command(command)
        if self._worker is None:
            raise self._loss or self._not_open()
        if self._worker.loss is not None:
            raise self._lose(self._worker)
        if not self._worker.command(command):
            raise self._lose(self._worker, f"{MAX_COMMANDS} commands wait for an answer")

    def offer(self, command: str, fresh_until_ns: int) -> bool:
        """Hand over a command of the heartbeat, which is left out when its turn comes after ``fresh_until_ns``.

        Never waits and never loses the link. False when the link is not open, or when the command before still waits:
        then this one takes its place.
        """
        return self._worker is not None and self._worker.offer(command, fresh_until_ns)

    def close(self) -> None:
        """Stop asking and close the link. A sweep under way is given up."""
        if self._worker is None:
            return
        self._worker.stop()
        self._worker = None
        self._down_since_ns = self._clock.now_ns()

    def _polled(self, data: bytes, arrival_ns: int) -> Polled:
        self._decoder.feed(data, arrival_ns)
        return Polled(data, arrival_ns, list(iter(self._decoder.next_event, None)))

    def _not_open(self) -> LinkError:
        return LinkError(f"port {self._device!r} is not open", where=self._where, remedy="Open the source first.")

    def _lose(self, worker: Worker, why: object = None) -> LinkError:
        """Close what is left of the link and remember why; a fault of our own is no loss, and is raised."""
        self.close()
        while (item := worker.next_record(0.0)) is not None:
            self._left.append(self._polled(*item))
        why = why or worker.loss
        if isinstance(why, Exception) and not isinstance(why, OSError):
            raise why
        self._loss = LinkError(
            f"link to {self._device!r} is lost: {why}",
            where=self._where,
            remedy="Check cable and power of the device; the link is opened again when it is back.",
        )
        return self._loss
