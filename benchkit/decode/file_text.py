"""Rows of a declared text file: quotes and dates taken out of a line, the rest is that of :mod:`benchkit.decode.text`.

A date and time becomes whole nanoseconds since the first one of the file, exact for 104 days (2**53 ns), so that such a
file has a device time like any other. A field in quotes is what stands between them (RFC 4180); it ends in its line.
"""

from __future__ import annotations

import re
from collections import deque
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

from benchkit.decode.lines import Refused, find_damage
from benchkit.decode.quotes import split_quoted
from benchkit.decode.text import EVIDENCE_BYTES, TextDecoder
from benchkit.errors import UsageError
from benchkit.model.file_format import FileFormat
from benchkit.model.samples import BadFrame, BadFrameReason, DecodeEvent

_STAMP = re.compile(
    r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d:\d\d)(?:[.,](\d{1,9}))?(Z|[+-](?:[01]\d|2[0-3]):?[0-5]\d)?", re.ASCII
)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_BETWEEN = "\t"
"""Separator of a line whose quotes were taken out; no number holds it."""


def read_stamp(text: str, zone: str | None) -> int | str:
    """Nanoseconds since 1970-01-01 UTC of an ISO 8601 date and time, or what is wrong with it.

    >>> read_stamp("1970-01-01T01:00:00.000001+01:00", None)
    1000
    >>> read_stamp("2026-03-29 02:30:00", None)
    "'2026-03-29 02:30:00' names no zone and none is declared"
    """
    match = _STAMP.fullmatch(text)
    if match is None:
        return f"{text[:40]!r} is not an ISO 8601 date and time such as 2026-03-02T08:30:00.5Z"
    day, clock, fraction, own_zone = match.groups()
    used = own_zone or zone
    if used is None:
        return f"{text[:40]!r} names no zone and none is declared"
    try:
        moment = datetime.fromisoformat(f"{day}T{clock}").replace(tzinfo=zone_of(used))
    except ValueError as error:
        return f"{text[:40]!r} is not a date and time: {error}"
    whole = (moment - _EPOCH) // timedelta(seconds=1)
    return whole * 1_000_000_000 + int((fraction or "0").ljust(9, "0"))


def zone_of(text: str) -> timezone:
    """``UTC``, ``Z`` or an offset such as ``+02:00`` as a zone."""
    if text in ("UTC", "Z"):
        return UTC
    hours, minutes = int(text[1:3]), int(text[-2:])
    offset = timedelta(hours=hours, minutes=minutes)
    return timezone(-offset if text[0] == "-" else offset)


class FileDecoder:
    """Decoder of the rows of a file (see :class:`benchkit.decode.contract.Decoder`).

    ``file_format.text.columns`` are the fields in the order of the file; ``columns`` the value columns to hand out.
    """

    def __init__(self, file_format: FileFormat, *, columns: tuple[str, ...] | None = None) -> None:
        self._format = file_format
        text = file_format.text
        inner = replace(text, separator=_BETWEEN) if file_format.is_quoted else text
        self._lines = TextDecoder(inner, columns=columns, first_frame=file_format.first_row_line)
        self._frame = file_format.first_row_line - 1
        self._time_field = -1
        if file_format.iso_time and text.device_time_column is not None:
            self._time_field = text.columns.index(text.device_time_column)
        self._origin_ns: int | None = None
        self._rest = b""
        self._skipping = False
        self._closed = False
        self._events: deque[DecodeEvent] = deque()

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the columns of ``Rows.values``."""
        return self._lines.columns

    @property
    def first_stamp(self) -> datetime | None:
        """Date and time of the first row, where the file has them; to the microsecond."""
        if self._origin_ns is None:
            return None
        return _EPOCH + timedelta(microseconds=self._origin_ns // 1000)

    def next_event(self) -> DecodeEvent | None:
        """The next event, or None when more bytes are needed."""
        return self._events.popleft() if self._events else None

    def feed(self, data: bytes, arrival_ns: int) -> None:
        """Take bytes.

        Raises:
            UsageError: the decoder was closed.
        """
        if self._closed:
            raise UsageError("the decoder is closed", remedy="Make a new decoder for every file.")
        if self._skipping:
            _, end, data = data.partition(b"\n")
            if not end:
                return
            self._skipping = False
            self._pass_on([b""], [b""], arrival_ns)
        *lines, self._rest = (self._rest + data).split(b"\n")
        if lines:
            originals = [line.removesuffix(b"\r") for line in lines]
            self._pass_on([*originals, b""], originals, arrival_ns)
        limit = self._format.text.max_line_bytes
        if len(self._rest) > limit + 1:
            # Too long to become a line: the decoder of lines says so, and hears of its end when that has come.
            self._lines.feed(self._rest[: limit + 2], arrival_ns)
            self._frame += 1
            self._drain([self._rest], self._frame, {})
            self._frame -= 1
            self._skipping, self._rest = True, b""

    def close(self, arrival_ns: int) -> None:
        """The file has ended: a line without its end becomes a ``BadFrame``. Closing twice does no harm."""
        if self._closed:
            return
        rest, self._rest = self._rest, b""
        if rest:
            self._lines.feed(rest, arrival_ns)
        self._lines.close(arrival_ns)
        self._drain([rest.removesuffix(b"\r")], self._frame + 1, {})
        self._closed = True

    def _pass_on(self, lines: list[bytes], originals: list[bytes], arrival_ns: int) -> None:
        first = self._frame + 1
        refused: dict[int, Refused] = {}
        straight: list[bytes] = []
        for offset, line in enumerate(lines[: len(originals)]):
            found = self._straight(line)
            if isinstance(found, Refused):
                refused[first + offset] = found
                found = b"\x01"  # no text: refused below, with the reason found here
            straight.append(found)
        self._frame += len(originals)
        self._lines.feed(b"\n".join([*straight, b""]), arrival_ns)
        self._drain(originals, first, refused)

    def _drain(self, originals: list[bytes], first: int, refused: dict[int, Refused]) -> None:
        """Events of the lines just fed; a refused one shows the line as it stands in the file."""
        while (event := self._lines.next_event()) is not None:
            if isinstance(event, BadFrame) and 0 <= event.frame - first < len(originals):
                why = refused.get(event.frame, Refused(event.reason, event.detail))
                data = originals[event.frame - first][:EVIDENCE_BYTES]
                self._events.append(BadFrame(event.arrival_ns, why.reason, why.detail, data, event.frame))
            else:
                self._events.append(event)

    def _straight(self, line: bytes) -> bytes | Refused:
        if not line or len(line) > self._format.text.max_line_bytes:
            return line
        damaged = find_damage(line)
        if damaged is not None:
            return damaged
        text, separator = line.decode("ascii"), self._format.text.separator
        if self._format.is_quoted:
            fields = split_quoted(text, separator)
            if fields is None:
                return Refused(BadFrameReason.NOT_A_NUMBER, "double quotes do not match")
            separator = _BETWEEN
            if any(_BETWEEN in field for field in fields):
                return Refused(BadFrameReason.NOT_A_NUMBER, "a tab stands in a field")
        else:
            fields = text.split(separator)
        if 0 <= self._time_field < len(fields):
            stamp = read_stamp(fields[self._time_field], self._format.zone)
            if isinstance(stamp, str):
                name = self._format.text.device_time_column
                return Refused(BadFrameReason.NOT_A_NUMBER, f"field {self._time_field + 1} ({name}): {stamp}")
            if self._origin_ns is None and len(fields) == len(self._format.text.columns):
                self._origin_ns = stamp
            fields[self._time_field] = str(stamp - (stamp if self._origin_ns is None else self._origin_ns))
        return separator.join(fields).encode("ascii")
