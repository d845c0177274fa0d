"""Recorded rows as a source. The rows are handed in: where they come from is not this room's business."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime
from threading import Lock

import numpy as np

from benchkit.errors import LinkError, UsageError
from benchkit.model.samples import IntArray, Rows
from benchkit.sources.clock import Clock
from benchkit.sources.contract import Polled

SLACK_NS = 20_000_000
"""How far the time of a replay may be ahead of a row that is due: as long as an adapter holds bytes."""


class ReplayClock:
    """The clock of a replay: it waits where a row is due that nobody has taken yet.

    A computer that cannot keep up makes a replay take longer. On the host's own clock it would make silence that the
    run never had: the rows bear the times at which they were due, and whoever looks at the time finds them old.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._behind_ns = 0
        self._due: dict[str, int] = {}
        self._lock = Lock()

    def now_ns(self) -> int:
        with self._lock:
            now = self._clock.now_ns() - self._behind_ns
            if self._due and (ahead := now - SLACK_NS - min(self._due.values())) > 0:
                self._behind_ns += ahead
                now -= ahead
            return now

    def utc_now(self) -> datetime:
        return self._clock.utc_now()

    def sleep(self, seconds: float) -> None:
        self._clock.sleep(seconds)

    def wait_for(self, name: str, due_ns: int | None) -> None:
        """The next row of the source ``name`` is due at ``due_ns``; None: no more comes."""
        with self._lock:
            if due_ns is None:
                self._due.pop(name, None)
            else:
                self._due[name] = due_ns


class ReplaySource:
    """Rows again, in the rhythm in which they once arrived (see :class:`benchkit.sources.contract.Source`).

    ``speed`` is recorded seconds per second of the clock, None for as fast as it is polled. The rows keep device time,
    counter and values; ``arrival_ns`` is when they are due on this clock, in the recorded spacing. A
    :class:`ReplayClock` waits for them.
    """

    def __init__(
        self,
        name: str,
        columns: tuple[str, ...],
        blocks: Iterable[Rows],
        clock: Clock | ReplayClock,
        speed: float | None = 1.0,
    ) -> None:
        if speed is not None and not speed > 0.0:
            raise UsageError("not a speed", got=speed, expected="a factor above 0, or None")
        self._name, self._columns, self._blocks, self._clock, self._speed = name, columns, blocks, clock, speed
        self._iterator: Iterator[Rows] | None = None
        self._rest: Rows | None = None
        self._first_ns = self._opened_ns = 0
        self._finished = False

    @property
    def name(self) -> str:
        return self._name

    @property
    def columns(self) -> tuple[str, ...]:
        return self._columns

    @property
    def is_open(self) -> bool:
        return self._iterator is not None

    @property
    def is_finished(self) -> bool:
        return self._finished

    def open(self) -> None:
        """Start the replay; ``blocks`` that can be iterated again start at their beginning."""
        if self._iterator is not None:
            return
        self._iterator = iter(self._blocks)
        self._finished = False
        self._rest = self._next_block()
        self._opened_ns = self._clock.now_ns()
        if self._rest is not None:
            self._first_ns = int(self._rest.arrival_ns[0])
        self._tell_next()

    def poll(self, timeout_s: float) -> Polled | None:
        """Return the rows that are due, or None when none is within ``timeout_s``.

        Raises:
            LinkError: the replay is not open.
        """
        if self._iterator is None:
            raise LinkError("the replay is not open", where=self._name, remedy="Open the source first.")
        if self._rest is None:
            self._clock.sleep(timeout_s)
            return None
        rows = self._rest
        if self._speed is None:
            self._rest = self._next_block()
            now = self._clock.now_ns()
            return Polled(b"", now, [replace(rows, arrival_ns=np.full(len(rows), now, dtype=np.int64))])
        due_ns = self._due_ns(rows, self._speed)
        wait_s = (int(due_ns[0]) - self._clock.now_ns()) / 1e9
        self._clock.sleep(min(timeout_s, wait_s))
        now = self._clock.now_ns()
        count = int(np.searchsorted(due_ns, now, side="right"))
        if count == 0:
            return None
        ready = replace(_cut(rows, 0, count), arrival_ns=due_ns[:count])
        self._rest = _cut(rows, count, len(rows)) if count < len(rows) else self._next_block()
        self._tell_next()
        return Polled(b"", now, [ready])

    def send(self, command: str) -> None:
        """A replay takes no commands.

        Raises:
            UsageError: always.
        """
        raise UsageError("a replay takes no commands", where=self._name, got=command)

    def close(self) -> None:
        """Stop the replay."""
        self._iterator = None
        self._rest = None
        self._tell_next()

    def _due_ns(self, rows: Rows, speed: float) -> IntArray:
        return self._opened_ns + ((rows.arrival_ns - self._first_ns) / speed).astype(np.int64)

    def _tell_next(self) -> None:
        """Have the clock wait for the next row, where it can."""
        if isinstance(self._clock, ReplayClock) and self._speed is not None:
            rows = self._rest
            self._clock.wait_for(self._name, None if rows is None else int(self._due_ns(rows, self._speed)[0]))

    def _next_block(self) -> Rows | None:
        assert self._iterator is not None
        block = next((rows for rows in self._iterator if len(rows)), None)
        self._finished = block is None
        return block


def _cut(rows: Rows, start: int, stop: int) -> Rows:
    return Rows(
        arrival_ns=rows.arrival_ns[start:stop],
        device_time_s=rows.device_time_s[start:stop],
        counter=rows.counter[start:stop],
        values=rows.values[start:stop],
    )
