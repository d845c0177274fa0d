"""A text file that another program writes, read as it grows.

What each look at the file finds:

===============================================  ===================================================================
the file                                         what is done
===============================================  ===================================================================
has grown                                        its new bytes are read; a last line without end waits
is another one under the same name               the rest of the old one is read, then the new one from its start
is shorter, or other bytes stand where we read   it is read from its start
is gone                                          after ``stale_after_s`` the link is lost; until then it may come back
===============================================  ===================================================================

A file that is read from its start after the first opening is announced by a gap. Writing again the very bytes that were
read, up to the same length, cannot be told from standing still.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO, TypeVar

from benchkit.decode.header import format_of_file
from benchkit.decode.tail import BOUNDARY, TailDecoder
from benchkit.errors import DataError, LinkError, UsageError
from benchkit.model.samples import DecodeEvent, Gap
from benchkit.model.sources import CsvTailSource
from benchkit.sources.clock import Clock
from benchkit.sources.contract import Polled

_READ_BYTES = 1 << 18
_LOOK_EACH_S = 0.02
"""Pause between two looks at a file that stands still."""
_MEMORY_BYTES = 64
"""So many bytes before the reading place are compared, to see that the file was not written again."""


Result = TypeVar("Result")


class CsvTail:
    """Source of the lines of a growing file (see :class:`benchkit.sources.contract.Source`)."""

    def __init__(self, spec: CsvTailSource, clock: Clock, path_override: str | None = None) -> None:
        self._spec, self._clock = spec, clock
        self._path = Path(path_override or spec.port)
        self._decoder = self._new_decoder()
        self._columns = self._decoder.columns
        self._file: BinaryIO | None = None
        self._identity = (0, 0)
        self._place = 0
        self._memory = b""
        self._missing_since_ns: int | None = None
        self._opened_before = False
        self._first = b""  # bytes and events for the next poll
        self._late: list[DecodeEvent] = []
        self._lost = "is not open"

    @property
    def name(self) -> str:
        return self._spec.name

    @property
    def columns(self) -> tuple[str, ...]:
        return self._columns

    @property
    def is_open(self) -> bool:
        return self._file is not None

    @property
    def is_finished(self) -> bool:
        """False: a growing file may always grow."""
        return False

    def open(self) -> None:
        """Open the file and check its line of names, if that stands there already.

        Opened again, the same file goes on where reading ended.

        Raises:
            LinkError: there is no such file, it may not be read, or its names do not fit.
        """
        if self._file is not None:
            return
        file = self._trying(lambda: self._path.open("rb"), "cannot open the file")
        try:
            self._begin(file)
        except BaseException:
            file.close()
            raise
        self._file, self._missing_since_ns, self._opened_before = file, None, True

    def poll(self, timeout_s: float) -> Polled | None:
        """Return what was added to the file, or None when nothing was within ``timeout_s``.

        Raises:
            LinkError: the file is not open, cannot be read any more, or is gone for longer than ``stale_after_s``.
        """
        until_ns = self._clock.now_ns() + int(timeout_s * 1e9)
        while True:
            if self._file is None:
                return self._last_words()
            data, self._first = self._first, b""
            data += self._read(self._file)
            if not data and not self._late:
                data = self._look_again()
            if data or self._late:
                return self._polled(data)
            left_s = (until_ns - self._clock.now_ns()) * 1e-9
            if left_s <= 0.0:
                return None
            self._clock.sleep(min(left_s, _LOOK_EACH_S))

    def send(self, command: str) -> None:
        """A file takes no commands.

        Raises:
            LinkError: the file is not open.
            UsageError: always, when it is.
        """
        if self._file is None:
            raise LinkError(f"the file {self._lost}", where=self._where, remedy="Open the source first.")
        raise UsageError("a file takes no commands", where=self._where, got=command)

    def close(self) -> None:
        """Close the file; a line that has no end yet is told by the next poll."""
        if self._file is not None:
            self._lose("is not open")

    @property
    def _where(self) -> str:
        return f"sources.{self._spec.name}: {self._path}"

    def _new_decoder(self) -> TailDecoder:
        return TailDecoder(self._spec.format, has_names=self._spec.has_names)

    def _begin(self, file: BinaryIO) -> None:
        """Find the place to read from, and hand out the line of names if it lies before that place."""
        stat = os.fstat(file.fileno())
        identity = (stat.st_dev, stat.st_ino)
        goes_on = self._opened_before and identity == self._identity and self._same_before(file, stat.st_size)
        self._decoder = self._new_decoder()
        place, names = 0, self._names(file)
        if goes_on:
            # Between the lines: the unfinished one was told as cut when the file was closed.
            place = self._place
        elif not self._opened_before and self._spec.skip_existing:
            place = self._end_of_last_line(file, stat.st_size)
        if self._opened_before:
            self._late.append(Gap(self._clock.now_ns(), None, "the file was opened again", 0))
        # The decoder is told the names first, wherever in the file reading begins.
        self._first = names if place >= len(names) else b""
        if self._spec.has_names and not self._first:
            place = 0
        self._identity, self._place = identity, place
        self._memory = self._before(file, place)

    def _names(self, file: BinaryIO) -> bytes:
        """The line of names; empty where there is none, or not yet the whole of it."""
        if not self._spec.has_names:
            return b""
        file.seek(0)
        line = file.readline(self._spec.format.max_line_bytes + 2)
        if not line.endswith(b"\n") and len(line) <= self._spec.format.max_line_bytes:
            return b""
        try:
            format_of_file(self._spec.format, line, str(self._path))
        except DataError as error:
            raise LinkError(
                f"the file does not fit the profile: {error.what}",
                where=f"sources.{self._spec.name}: {error.where}",
                expected=error.expected,
                remedy=error.remedy,
            ) from error
        return line

    def _end_of_last_line(self, file: BinaryIO, size: int) -> int:
        start = max(0, size - self._spec.format.max_line_bytes - 2)
        file.seek(start)
        tail = file.read(size - start)
        return start + tail.rfind(b"\n") + 1

    def _before(self, file: BinaryIO, place: int) -> bytes:
        count = min(place, _MEMORY_BYTES)
        file.seek(place - count)
        return file.read(count)

    def _same_before(self, file: BinaryIO, size: int) -> bool:
        return size >= self._place and self._before(file, self._place) == self._memory

    def _read(self, file: BinaryIO) -> bytes:
        def new_bytes() -> bytes:
            size = os.fstat(file.fileno()).st_size
            if size == self._place:
                return b""
            if not self._same_before(file, size):
                self._place, self._memory = 0, b""
                file.seek(0)
                return BOUNDARY + self._take(file)
            file.seek(self._place)
            return self._take(file)

        return self._trying(new_bytes, "cannot read on")

    def _take(self, file: BinaryIO) -> bytes:
        data = file.read(_READ_BYTES)
        self._place += len(data)
        self._memory = (self._memory + data)[-_MEMORY_BYTES:]
        return data

    def _look_again(self) -> bytes:
        """Nothing new in the open file: is it still the one of that name?"""
        try:
            stat = self._path.stat()
        except OSError:
            now = self._clock.now_ns()
            self._missing_since_ns = self._missing_since_ns or now
            if now - self._missing_since_ns > self._spec.stale_after_s * 1e9:
                self._lose("is gone")
            return b""
        self._missing_since_ns = None
        if (stat.st_dev, stat.st_ino) == self._identity:
            return b""
        file = self._trying(lambda: self._path.open("rb"), "cannot open the new file")
        assert self._file is not None
        self._file.close()
        self._file = file
        opened = os.fstat(file.fileno())
        self._identity, self._place, self._memory = (opened.st_dev, opened.st_ino), 0, b""
        return BOUNDARY + self._trying(lambda: self._take(file), "cannot read the new file")

    def _polled(self, data: bytes) -> Polled:
        arrival_ns = self._clock.now_ns()
        events, self._late = self._late, []
        if data:
            self._decoder.feed(data, arrival_ns)
        events.extend(iter(self._decoder.next_event, None))
        return Polled(data, arrival_ns, events)

    def _lose(self, how: str) -> None:
        if self._file is not None:
            self._file.close()
        self._file, self._lost = None, how
        now = self._clock.now_ns()
        if self._first:  # the names that no poll has handed out are no cut line
            self._first = b""
        self._decoder.close(now)
        self._late.extend(iter(self._decoder.next_event, None))

    def _last_words(self) -> Polled:
        """What the loss has cut, once; then the loss itself."""
        if self._late:
            return self._polled(b"")
        raise LinkError(f"the file {self._lost}", where=self._where, remedy="Open the source first: is the path right?")

    def _trying(self, action: Callable[[], Result], what: str) -> Result:
        try:
            return action()
        except OSError as error:
            if self._file is not None:
                self._lose(f"cannot be read: {error.strerror}")
            raise LinkError(
                f"{what}: {error.strerror}",
                where=self._where,
                remedy="Check path, rights and disk; --port SOURCE=PATH names another file.",
            ) from error
