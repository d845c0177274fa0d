"""A text file as a source: the same decoder as on a live link, at full speed or at a pace."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

from benchkit.decode.file_text import FileDecoder
from benchkit.decode.header import format_of_file, names_of_file, units_of_file
from benchkit.decode.text import TextDecoder
from benchkit.errors import LinkError, UsageError
from benchkit.model.file_format import FileFormat
from benchkit.model.samples import DecodeEvent, Rows
from benchkit.model.sources import TextFormat
from benchkit.sources.clock import Clock
from benchkit.sources.contract import Polled

_READ_BYTES = 1 << 20
"""Read at once at full speed: the fixed cost of a piece, on its way into a run, is a tenth less time than with a
quarter of it."""
_FIRST_READ_BYTES = 1 << 18
"""The same before the first row has been seen: a file without any is given up early."""


class CsvSource:
    """File source (see :class:`benchkit.sources.contract.Source`).

    ``pace`` is the number of lines per second, None for as fast as it is polled. With ``has_header`` the first line
    names the columns; they may stand in another order than declared, ``columns`` keeps the declared one. A
    ``FileFormat`` says itself what stands before the rows. That is in the bytes of the first poll, so that all bytes
    together are the file.
    """

    def __init__(
        self,
        path: Path,
        text_format: TextFormat | FileFormat,
        clock: Clock,
        pace: float | None = None,
        *,
        name: str = "file",
        has_header: bool = True,
    ) -> None:
        if pace is not None and not pace > 0.0:
            raise UsageError("not a pace", got=pace, expected="lines per second above 0, or None")
        self._path, self._clock, self._pace = path, clock, pace
        self._name, self._has_header = name, has_header
        self._format = text_format
        self._file: BinaryIO | None = None
        self._header = b""  # not yet handed out
        self._decoder: FileDecoder | TextDecoder = _decoder(text_format, None, 1)
        self._columns = self._decoder.columns
        self._units: Mapping[str, str] = {}
        self._opened_ns = 0
        self._lines = 0
        self._read_bytes = _FIRST_READ_BYTES
        self._finished = False

    @property
    def name(self) -> str:
        return self._name

    @property
    def columns(self) -> tuple[str, ...]:
        return self._columns

    @property
    def units(self) -> Mapping[str, str]:
        """Texts of the line of units by column, once the file is open; empty where it has none."""
        return self._units

    @property
    def first_stamp(self) -> datetime | None:
        """Date and time of the first row read, where the file has them."""
        return self._decoder.first_stamp if isinstance(self._decoder, FileDecoder) else None

    @property
    def is_open(self) -> bool:
        return self._file is not None

    @property
    def is_finished(self) -> bool:
        return self._finished

    def open(self) -> None:
        """Open the file at its beginning and read its line of names.

        Raises:
            LinkError: there is no such file, or it may not be read.
            DataError: the first line does not name the declared columns.
        """
        if self._file is not None:
            return
        try:
            file = self._path.open("rb")
        except OSError as error:
            raise LinkError(
                f"cannot open the file: {error.strerror}", where=str(self._path), remedy="Check path and rights."
            ) from error
        try:
            header = self._read_header(file)
        except BaseException:
            file.close()
            raise
        self._file, self._header, self._finished, self._lines = file, header, False, 0
        self._read_bytes = _FIRST_READ_BYTES
        self._opened_ns = self._clock.now_ns()

    def poll(self, timeout_s: float) -> Polled | None:
        """Return the next piece of the file, or None when at this pace nothing is due within ``timeout_s``.

        Raises:
            LinkError: the file is not open or cannot be read any more.
        """
        if self._file is None:
            raise LinkError("the file is not open", where=str(self._path), remedy="Open the source first.")
        if self._finished:
            self._clock.sleep(timeout_s)
            return None
        try:
            data = self._next_piece(self._file, timeout_s)
        except OSError as error:
            self.close()
            raise LinkError(
                f"cannot read on: {error.strerror}", where=str(self._path), remedy="Check the disk."
            ) from error
        if data is None:
            return None
        arrival_ns = self._clock.now_ns()
        if data:
            self._decoder.feed(data, arrival_ns)
        else:
            self._finished = True
            self._decoder.close(arrival_ns)
        events: list[DecodeEvent] = list(iter(self._decoder.next_event, None))
        if any(isinstance(event, Rows) for event in events):
            self._read_bytes = _READ_BYTES
        data, self._header = self._header + data, b""
        return Polled(data, arrival_ns, events) if data or events else None

    def send(self, command: str) -> None:
        """A file takes no commands.

        Raises:
            UsageError: always.
        """
        raise UsageError("a file takes no commands", where=str(self._path), got=command)

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def _read_header(self, file: BinaryIO) -> bytes:
        """Read what stands before the rows, and make the decoder that fits it."""
        where = str(self._path)
        if isinstance(self._format, TextFormat):
            header = file.readline(self._format.max_line_bytes + 2) if self._has_header else b""
            text = format_of_file(self._format, header, where) if self._has_header else self._format
            self._decoder = _decoder(text, self._columns, 2 if self._has_header else 1)
            return header
        found, limit = self._format, self._format.text.max_line_bytes + 2
        lines = [file.readline(limit) for _ in range(found.lines_before)]
        if found.has_names:
            lines.append(file.readline(limit))
            found = names_of_file(found, lines[-1], where)
        if found.has_units:
            lines.append(file.readline(limit))
            self._units = units_of_file(found, lines[-1], where)
        self._decoder = _decoder(found, self._columns, found.first_row_line)
        return b"".join(lines)

    def _next_piece(self, file: BinaryIO, timeout_s: float) -> bytes | None:
        if self._pace is None:
            return file.read(self._read_bytes)
        due = self._due()
        if due <= self._lines:
            next_s = (self._lines + 1) / self._pace - (self._clock.now_ns() - self._opened_ns) / 1e9
            self._clock.sleep(min(timeout_s, next_s))
            due = self._due()
        pieces = []
        while self._lines < due:
            piece = file.readline(_READ_BYTES)
            if not piece:
                break
            pieces.append(piece)
            self._lines += 1
        if pieces:
            return b"".join(pieces)
        return b"" if due > self._lines else None

    def _due(self) -> int:
        """How many lines the pace has reached by now."""
        assert self._pace is not None
        return int((self._clock.now_ns() - self._opened_ns) * 1e-9 * self._pace + 1e-6)


def _decoder(
    used: TextFormat | FileFormat, columns: tuple[str, ...] | None, first_frame: int
) -> FileDecoder | TextDecoder:
    if isinstance(used, FileFormat):
        if not used.is_plain:
            return FileDecoder(used, columns=columns)
        used = used.text
    return TextDecoder(used, columns=columns, first_frame=first_frame)
