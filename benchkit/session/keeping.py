"""The keeping process: takes batches from the recorder over a pipe and puts them into journal and run file.

A process of its own, because a write that waits for a slow disk holds everything in its process: protection must not
wait with it. It ends when told to close the run, or when the pipe ends because the recorder died: then it hands
everything it has to the system and leaves the run as it is, for ``benchkit recover``.

What goes over the pipes is pickled; both ends are this program, and nothing else can reach them.
"""

from __future__ import annotations

import contextlib
import pickle
import signal
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from benchkit.errors import BenchkitError
from benchkit.model.events import Event
from benchkit.model.run import RunHeader
from benchkit.runfile.bursts import BurstSpec
from benchkit.runfile.layout import Block, FloatArray, StreamSpec
from benchkit.runfile.writer import RunWriter

FLUSH_EVERY_S = 0.2
"""Rows reach the run file at least this often; bytes reach the journal with every batch."""


@dataclass(frozen=True, slots=True)
class Begin:
    """Create this run. ``start_ns`` is the host's monotonic time at its start."""

    path: Path
    header: RunHeader
    streams: Sequence[StreamSpec]
    start_ns: int
    bursts: Sequence[BurstSpec] = ()


@dataclass(slots=True)
class Batch:
    """What the loop hands over at a time."""

    blocks: list[tuple[str, Block]] = field(default_factory=list)
    fits: list[tuple[str, FloatArray]] = field(default_factory=list)
    """Source, lines for its clock fits."""
    received: list[tuple[str, int, bytes]] = field(default_factory=list)
    """Source, host time [ns], bytes as they came."""
    sent: list[tuple[str, int, bytes]] = field(default_factory=list)
    """Source, host time [ns], bytes written to it."""
    events: list[Event] = field(default_factory=list)
    bursts: list[Path] = field(default_factory=list)
    """Files of bursts that are whole."""


@dataclass(frozen=True, slots=True)
class Close:
    """Write what waits, fold the journal, verify, end."""


@dataclass(frozen=True, slots=True)
class Fault:
    """Recording is in trouble; the text says how."""

    message: str


def keep(orders: BinaryIO, answers: BinaryIO) -> None:
    """Carry out orders until ``Close`` or the end of the pipe.

    Answers: ``None`` once the run file is there, ``Fault`` for each new kind of trouble, ``ClosedRun`` at the end; or
    the ``BenchkitError`` that made creating or closing impossible.
    """

    def answer(message: object) -> None:
        with contextlib.suppress(BrokenPipeError):  # a dead recorder needs no answer; its rows still need keeping
            pickle.dump(message, answers)
            answers.flush()

    begin = pickle.load(orders)  # noqa: S301  our own parent
    try:
        writer = RunWriter(begin.path, begin.header, begin.streams, start_ns=begin.start_ns, bursts=begin.bursts)
    except BenchkitError as error:
        answer(error)
        return
    answer(None)
    told = ""
    flushed = time.monotonic()
    with writer:
        while True:
            try:
                order = pickle.load(orders)  # noqa: S301
            except (EOFError, pickle.UnpicklingError):  # the recorder died, perhaps in the middle of a batch
                writer.flush()
                return
            if isinstance(order, Close):
                break
            try:
                _write(writer, order)
                if time.monotonic() - flushed >= FLUSH_EVERY_S:
                    flushed = time.monotonic()
                    writer.flush()
            except BenchkitError as error:
                if error.what != told:
                    told = error.what
                    answer(Fault(str(error)))
        try:
            answer(writer.close())
        except BenchkitError as error:
            answer(error)


def _write(writer: RunWriter, batch: Batch) -> None:
    for source, time_ns, data in batch.received:
        writer.received(source, time_ns, data)
    for source, time_ns, data in batch.sent:
        writer.sent(source, time_ns, data)
    for event in batch.events:
        writer.event(event)
    writer.flush_journal()
    for source, block in batch.blocks:
        writer.append(source, block)
    for source, fits in batch.fits:
        writer.clock_fits(source, fits)
    for file in batch.bursts:
        writer.burst(file)


def main() -> None:
    """The process: orders on standard input, answers on standard output."""
    for name in ("SIGINT", "SIGTERM"):  # these are for the recorder, which then tells us to close
        signal.signal(getattr(signal, name), signal.SIG_IGN)
    keep(sys.stdin.buffer, sys.stdout.buffer)
