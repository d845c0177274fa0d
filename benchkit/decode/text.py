"""Delimited text lines: bytes in, rows, bad frames, gaps and replies out.

A line ends with LF or CR LF. An empty line says nothing and is skipped (one declared column whose empty text means *not
measured* is the exception: there it is a row). A line that starts with the reply prefix is an answer of the device.

The counter, where one is declared, is expected to rise by one from row to row, modulo ``counter_modulus``; what other
steps mean is said in :mod:`benchkit.decode.counters`. The row itself is kept in each case. After an outage longer than
half a modulus the number of missing rows is not what the counter says; the source therefore marks an outage with a gap
of its own.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from benchkit.decode.counters import Break, breaks_of
from benchkit.decode.lines import Layout, Refused, find_damage, layout_of, read_block, read_line
from benchkit.errors import UsageError
from benchkit.model.samples import BadFrame, BadFrameReason, DecodeEvent, Gap, Reply, Rows
from benchkit.model.sources import TextFormat

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

EVIDENCE_BYTES = 64
"""So much of a bad frame is kept in its event; the whole is in the raw capture."""
_BLOCK_BYTES = 1 << 18
"""Bytes read at once: long enough that numpy's fixed cost per call vanishes, short enough to stay in cache."""
_SMALL, _SMALL_BYTES = 4, 1024
"""Up to so many lines and bytes are read line by line: quicker for one line, and unusual lines are found at last."""
_STRONG_DIGITS = 4
"""Hexadecimal digits from which a check value vouches for a line whose start was not seen (1 in 65 536 by chance)."""


class TextDecoder:
    """Decoder of delimited text lines (see :class:`benchkit.decode.contract.Decoder`).

    With ``joined_midway`` the first line is taken for the tail of one whose start was not seen, as on a serial link
    that is opened while the device talks: it becomes a ``BadFrame`` unless its check value, of four digits or more,
    is right.
    ``columns`` are the value columns to hand out, in this order; without it all are, in the order of the line.
    ``first_frame`` is the number of the first line, 2 below a line of names. ``bulk=False`` reads line by line; the
    events are the same.

    Raises:
        UsageError: the format contradicts itself.
    """

    def __init__(
        self,
        text_format: TextFormat,
        *,
        columns: Sequence[str] | None = None,
        joined_midway: bool = False,
        first_frame: int = 1,
        bulk: bool = True,
    ) -> None:
        self._layout: Layout = layout_of(text_format, columns)
        self._bulk = bulk
        self._events: deque[DecodeEvent] = deque()
        self._rest = b""
        self._skipping = False  # inside a line that was refused as too long
        self._unseen_start = joined_midway
        self._closed = False
        self._frame = first_frame - 1  # number of the last finished line
        self._last_counter: int | None = None
        self._tables: list[FloatArray] = []  # rows read but not yet in an event
        self._frames: list[int] = []  # number of the first line of each
        check = self._layout.check
        self._strong = check is not None and check.digits >= _STRONG_DIGITS

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the columns of ``Rows.values``."""
        return self._layout.columns

    def next_event(self) -> DecodeEvent | None:
        """The next event, or None when more bytes are needed."""
        return self._events.popleft() if self._events else None

    def feed(self, data: bytes, arrival_ns: int) -> None:
        """Take bytes that arrived at ``arrival_ns``.

        Raises:
            UsageError: the decoder was closed.
        """
        if self._closed:
            raise UsageError("the decoder is closed", remedy="Make a new decoder for every opening of a link.")
        if self._skipping:
            _, end, data = data.partition(b"\n")
            if not end:
                return
            self._skipping = False
        end_at = data.rfind(b"\n") + 1
        if not end_at:
            self._keep(self._rest + data, arrival_ns)
            return
        block = self._rest + data[:end_at] if self._rest else data[:end_at]
        if b"\r" in block:
            block = block.replace(b"\r\n", b"\n")
        self._take_all(block, arrival_ns)
        self._keep(data[end_at:], arrival_ns)

    def close(self, arrival_ns: int) -> None:
        """The input has ended: a line without its end becomes a ``BadFrame``. Closing twice does no harm."""
        if self._closed:
            return
        rest, self._rest = self._rest.removesuffix(b"\r"), b""
        if rest:
            self._frame += 1
            detail = f"the line was cut off after {len(rest)} bytes: its end did not come"
            self._refuse(rest, Refused(BadFrameReason.PARTIAL, detail), arrival_ns)
        self._closed = True

    def _keep(self, rest: bytes, arrival_ns: int) -> None:
        """Keep an unfinished line, as long as it may still be a line."""
        if len(rest) > self._layout.max_line_bytes and len(rest.removesuffix(b"\r")) > self._layout.max_line_bytes:
            self._frame += 1
            self._unseen_start = False
            self._refuse_too_long(rest, arrival_ns)
            self._skipping, rest = True, b""
        self._rest = rest

    def _take_all(self, block: bytes, arrival_ns: int) -> None:
        """Take whole lines."""
        at = 0
        if self._unseen_start and self._bulk:
            at = block.index(b"\n") + 1
            self._take_singly(block[:at], arrival_ns)
        while at < len(block):
            end = block.rfind(b"\n", at, at + _BLOCK_BYTES) + 1 or block.index(b"\n", at) + 1
            self._take(block[at:end], arrival_ns)
            at = end
        self._hand_out(arrival_ns)

    def _take(self, block: bytes, arrival_ns: int) -> None:
        """Read lines at once where they are ordinary; halve the block to find the ones that are not."""
        table = None
        if self._bulk and (len(block) > _SMALL_BYTES or block.count(b"\n") > _SMALL):
            table = read_block(self._layout, block)
        if table is not None:
            self._tables.append(table)
            self._frames.append(self._frame + 1)
            self._frame += len(table)
            return
        if not self._bulk or block.count(b"\n") <= _SMALL:
            self._take_singly(block, arrival_ns)
            return
        half = block.rfind(b"\n", 0, len(block) // 2) + 1 or block.index(b"\n") + 1
        self._take(block[:half], arrival_ns)
        if half < len(block):
            self._take(block[half:], arrival_ns)

    def _take_singly(self, block: bytes, arrival_ns: int) -> None:
        for line in block.split(b"\n")[:-1]:
            self._frame += 1
            self._take_one(line, self._frame, arrival_ns)

    def _take_one(self, line: bytes, frame: int, arrival_ns: int) -> None:
        layout = self._layout
        unseen_start, self._unseen_start = self._unseen_start, False
        if len(line) > layout.max_line_bytes:
            self._refuse_too_long(line, arrival_ns, frame)
            return
        if not line and (unseen_start or not layout.blank_is_row):
            return
        if layout.reply_prefix and line.startswith(layout.reply_prefix):
            damaged = find_damage(line)
            if damaged is not None:
                self._refuse(line, damaged, arrival_ns, frame)
                return
            text = line[len(layout.reply_prefix) :].decode("ascii").strip()
            self._push(Reply(arrival_ns, text))
            return
        if unseen_start and not self._strong:
            detail = "first line after opening: its start was not seen, so its first number may be cut"
            self._refuse(line, Refused(BadFrameReason.PARTIAL, detail), arrival_ns, frame)
            return
        numbers = read_line(layout, line)
        if isinstance(numbers, Refused):
            self._refuse(line, numbers, arrival_ns, frame)
            return
        self._tables.append(np.array([numbers]))
        self._frames.append(frame)

    def _refuse_too_long(self, line: bytes, arrival_ns: int, frame: int | None = None) -> None:
        # Neither text nor evidence may depend on how much of the line has come by now.
        detail = f"no line end within {self._layout.max_line_bytes} bytes; skipped to the next one"
        evidence = line[: self._layout.max_line_bytes]
        self._refuse(evidence, Refused(BadFrameReason.TOO_LONG, detail), arrival_ns, frame)

    def _refuse(self, line: bytes, why: Refused, arrival_ns: int, frame: int | None = None) -> None:
        number = self._frame if frame is None else frame
        self._push(BadFrame(arrival_ns, why.reason, why.detail, line[:EVIDENCE_BYTES], number))

    def _push(self, event: BadFrame | Reply) -> None:
        self._hand_out(event.arrival_ns)  # rows before it come first
        self._events.append(event)

    def _hand_out(self, arrival_ns: int) -> None:
        """Make events of the rows read so far: one block, cut where the counter says that rows are missing."""
        if not self._tables:
            return
        table = self._tables[0] if len(self._tables) == 1 else np.concatenate(self._tables)
        counter = self._counters(table)
        start = 0
        for one in self._breaks(counter):
            self._append_rows(table[start : one.row], counter[start : one.row], arrival_ns)
            self._events.append(Gap(arrival_ns, one.missing, one.cause, self._frame_of(one.row)))
            start = one.row
        self._append_rows(table[start:], counter[start:], arrival_ns)
        self._tables.clear()
        self._frames.clear()

    def _counters(self, table: FloatArray) -> IntArray:
        field = self._layout.counter_field
        if field is None:
            return np.full(len(table), -1, dtype=np.int64)
        return table[:, field].astype(np.int64)

    def _breaks(self, counter: IntArray) -> list[Break]:
        if self._layout.counter_field is None:
            return []
        last, self._last_counter = self._last_counter, int(counter[-1])
        return breaks_of(counter, last, self._layout.counter_modulus)

    def _frame_of(self, row: int) -> int:
        for table, first in zip(self._tables, self._frames, strict=True):
            if row < len(table):
                return first + row
            row -= len(table)
        return self._frame

    def _append_rows(self, table: FloatArray, counter: IntArray, arrival_ns: int) -> None:
        if not len(table):
            return
        layout, count = self._layout, len(table)
        if layout.device_time_field is None:
            device_time = np.full(count, np.nan)
        else:
            device_time = table[:, layout.device_time_field] * layout.device_time_scale_s
        self._events.append(
            Rows(
                arrival_ns=np.full(count, arrival_ns, dtype=np.int64),
                device_time_s=device_time,
                counter=counter,
                values=table[:, layout.value_fields],
            )
        )
