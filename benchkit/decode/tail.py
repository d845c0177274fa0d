"""Text lines of files that grow, one after another: what :class:`benchkit.sources.csv_tail.CsvTailSource` hands out.

The bytes are those of the files as they grew. Where one file ends and the next begins, and where reading starts anew
because the file was cut or written again, stands :data:`BOUNDARY`, a file separator of ASCII (0x1C) and a line end. So
the same rows can be made from the bytes alone:

=======================  ============================================================================
bytes                    what they are
=======================  ============================================================================
first line of a file     names of its columns, where names are declared; any order
every other line         as in :mod:`benchkit.decode.text`
BOUNDARY                 the line before it was cut if it has no end; a gap; then a new file
=======================  ============================================================================

A file whose names do not fit is one bad frame, and none of its rows is taken: which number belongs to which column is
not known.
"""

from __future__ import annotations

from collections import deque

from benchkit.decode.header import format_of_file
from benchkit.decode.lines import layout_of
from benchkit.decode.text import EVIDENCE_BYTES, TextDecoder
from benchkit.errors import DataError, UsageError
from benchkit.model.samples import BadFrame, BadFrameReason, DecodeEvent, Gap
from benchkit.model.sources import TextFormat

SEPARATOR = b"\x1c"
BOUNDARY = SEPARATOR + b"\n"
CAUSE = "the file was replaced, cut or written again: rows may be missing"


class TailDecoder:
    """Decoder of files that grow (see :class:`benchkit.decode.contract.Decoder`). Frames are lines of the present file;
    where reading began at its end, lines since then."""

    def __init__(self, text_format: TextFormat, *, has_names: bool) -> None:
        self._format, self._has_names = text_format, has_names
        self._columns = layout_of(text_format).columns
        self._events: deque[DecodeEvent] = deque()
        self._held = b""  # a separator that may be the first half of a boundary
        self._closed = False
        self._begin()

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the columns of ``Rows.values``, in the declared order whatever that of the file."""
        return self._columns

    def next_event(self) -> DecodeEvent | None:
        """The next event, or None when more bytes are needed."""
        return self._events.popleft() if self._events else None

    def feed(self, data: bytes, arrival_ns: int) -> None:
        """Take bytes that arrived at ``arrival_ns``.

        Raises:
            UsageError: the decoder was closed.
        """
        if self._closed:
            raise UsageError("the decoder is closed", remedy="Make a new decoder for every opening of a file.")
        data, self._held = self._held + data, b""
        if data.endswith(SEPARATOR):
            data, self._held = data[:-1], SEPARATOR
        *ended, rest = data.split(BOUNDARY)
        for part in ended:
            self._take(part, arrival_ns)
            self._end(arrival_ns)
            self._events.append(Gap(arrival_ns, None, CAUSE, 1))
            self._begin()
        self._take(rest, arrival_ns)

    def close(self, arrival_ns: int) -> None:
        """The input has ended: a line without its end becomes a ``BadFrame``. Closing twice does no harm."""
        if self._closed:
            return
        held, self._held = self._held, b""
        self._take(held, arrival_ns)
        self._end(arrival_ns)
        self._closed = True

    def _begin(self) -> None:
        self._names = b""
        self._is_refused = False
        self._lines: TextDecoder | None = None if self._has_names else TextDecoder(self._format)

    def _take(self, data: bytes, arrival_ns: int) -> None:
        if self._is_refused:
            return
        if self._lines is None and data:
            data = self._take_names(data, arrival_ns)
        if self._lines is None or not data:
            return
        self._lines.feed(data, arrival_ns)
        self._drain(self._lines)

    def _end(self, arrival_ns: int) -> None:
        if self._lines is not None:
            self._lines.close(arrival_ns)
            self._drain(self._lines)
        elif self._names and not self._is_refused:
            detail = "the file ends within its line of names"
            self._events.append(BadFrame(arrival_ns, BadFrameReason.PARTIAL, detail, self._names[:EVIDENCE_BYTES], 1))

    def _take_names(self, data: bytes, arrival_ns: int) -> bytes:
        """Collect the line of names; returns what stands behind it."""
        limit = self._format.max_line_bytes
        names, end, rest = data.partition(b"\n")
        # One byte more than a line may have is kept, so that its refusal does not depend on the pieces.
        self._names = (self._names + names)[: limit + 2]
        if not end:
            return b""
        try:
            found = format_of_file(self._format, self._names.removesuffix(b"\r"), "file")
            self._lines = TextDecoder(found, columns=self._columns, first_frame=2)
        except DataError as error:
            self._is_refused = True
            detail = f"the line of names does not fit, so no row of this file is taken: {error.what}"
            self._events.append(BadFrame(arrival_ns, BadFrameReason.NOT_TEXT, detail, self._names[:EVIDENCE_BYTES], 1))
        return rest

    def _drain(self, lines: TextDecoder) -> None:
        self._events.extend(iter(lines.next_event, None))
