"""Records of polled instruments: what was asked and what came back, as bytes that decode again.

A polled instrument sends nothing by itself, and what it sends means something only together with the question. Its
source therefore writes one record for each sweep over all questions, and these are the bytes that the journal keeps:

====== ======== =======================================================================
offset length   content
====== ======== =======================================================================
0      2        ``B5 62``
2      1        outcome, see :class:`Outcome`
3      4        number of the sweep by schedule, from 0 at the opening; big-endian
7      2        length of the content, big-endian
9      n        content: of ``ANSWERED`` as the protocol says (:mod:`.registers`, :mod:`.scpi`), else text
9 + n  4        CRC-32 of everything before it, big-endian
====== ======== =======================================================================

The text of a failure is UTF-8; evidence may follow it after a zero byte.
"""

from __future__ import annotations

import struct
from collections import deque
from collections.abc import Callable, Sequence
from enum import IntEnum

import numpy as np

from benchkit.decode.checksums import crc32
from benchkit.errors import UsageError
from benchkit.model.samples import BadFrame, BadFrameReason, DecodeEvent, Gap, Reply, Rows

SYNC = b"\xb5\x62"
MAX_CONTENT = 65535
MAX_TEXT = 512
"""Longest content of anything but ``ANSWERED``."""
MAX_EVIDENCE = 64
_HEADER = struct.Struct(">2sBIH")
_CHECK = struct.Struct(">I")
_OVERHEAD = _HEADER.size + _CHECK.size
_JUNK = 256
"""Bytes that belong to no record are told in pieces of this size."""


class Outcome(IntEnum):
    """How a sweep, or a single question, ended."""

    ANSWERED = 0
    NO_ANSWER = 1
    ERROR_REPLY = 2
    DAMAGED = 3
    REPLY = 4
    """Not a sweep: a text of the device, such as its identity or the answer to a command."""


class UnusableReplyError(ValueError):
    """An answer from which no row can be made."""

    def __init__(self, reason: BadFrameReason, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason


def record(outcome: Outcome, sweep: int, content: bytes) -> bytes:
    """The bytes of one record; a text that is too long is cut."""
    if outcome is not Outcome.ANSWERED:
        content = content[:MAX_TEXT]
    head = _HEADER.pack(SYNC, outcome, sweep & 0xFFFFFFFF, len(content)) + content
    return head + _CHECK.pack(crc32(head))


def failure(outcome: Outcome, sweep: int, text: str, evidence: bytes = b"") -> bytes:
    """The record of a sweep that gave no row, with the first bytes that came as evidence."""
    cut = text.encode("utf-8")[: MAX_TEXT - MAX_EVIDENCE - 1].decode("utf-8", "ignore").encode("utf-8")
    return record(outcome, sweep, cut + (b"\0" + evidence[:MAX_EVIDENCE] if evidence else b""))


class RecordDecoder:
    """Decoder of records (see :class:`benchkit.decode.contract.Decoder`).

    ``values_of`` makes the numbers of one row from the content of an answered sweep, or raises
    :class:`UnusableReplyError`; ``max_content`` is the longest such content. Sweeps that the schedule had to leave
    out are gaps with their number.
    """

    def __init__(
        self, columns: tuple[str, ...], values_of: Callable[[bytes], Sequence[float]], max_content: int
    ) -> None:
        self._columns = columns
        self._values_of = values_of
        self._max_content = min(max(max_content, MAX_TEXT), MAX_CONTENT)
        self._buffer = bytearray()
        self._junk = bytearray()
        self._events: deque[DecodeEvent] = deque()
        self._frame = 0
        self._next_sweep: int | None = None
        self._is_closed = False

    @property
    def columns(self) -> tuple[str, ...]:
        return self._columns

    def feed(self, data: bytes, arrival_ns: int) -> None:
        """Take bytes; see the contract."""
        if self._is_closed:
            raise UsageError("the decoder is closed", remedy="Make a new decoder for a new link.")
        self._buffer += data
        at = 0
        while (size := self._size_at(at)) is not None:
            whole = bytes(self._buffer[at : at + size])
            if whole and _CHECK.unpack_from(whole, size - 4)[0] == crc32(whole[:-4]):
                self._end_junk(arrival_ns)
                self._take(whole, arrival_ns)
                at += size
            else:
                at = self._pass_over(at, arrival_ns)
        del self._buffer[:at]

    def close(self, arrival_ns: int) -> None:
        """The link has ended: an unfinished rest becomes a bad frame."""
        if self._is_closed:
            return
        self._is_closed = True
        self._junk += self._buffer
        self._buffer.clear()
        if self._junk:
            self._bad(arrival_ns, BadFrameReason.PARTIAL, "the record was cut", bytes(self._junk[:_JUNK]))
            self._junk.clear()

    def next_event(self) -> DecodeEvent | None:
        """The next event, or None when more bytes are needed."""
        return self._events.popleft() if self._events else None

    def _size_at(self, at: int) -> int | None:
        """Size of the whole record that may begin at ``at``; 0 where none begins; None while that is not known."""
        waiting = len(self._buffer) - at
        if waiting == 0:
            return None
        if not SYNC.startswith(bytes(self._buffer[at : at + 2])):
            return 0
        if waiting < _HEADER.size:
            return None
        _, outcome, _, length = _HEADER.unpack_from(self._buffer, at)
        if outcome > Outcome.REPLY or length > (self._max_content if outcome == Outcome.ANSWERED else MAX_TEXT):
            return 0
        return int(length) + _OVERHEAD if waiting >= length + _OVERHEAD else None

    def _pass_over(self, at: int, arrival_ns: int) -> int:
        """Bytes from ``at`` to where the next record may begin belong to none; return that place."""
        place = self._buffer.find(SYNC[:1], at + 1)
        end = len(self._buffer) if place < 0 else place
        while at < end:
            piece = min(end - at, _JUNK - len(self._junk))
            self._junk += self._buffer[at : at + piece]
            at += piece
            if len(self._junk) == _JUNK:
                self._end_junk(arrival_ns)
        return end

    def _end_junk(self, arrival_ns: int) -> None:
        if self._junk:
            self._bad(arrival_ns, BadFrameReason.CHECKSUM, "bytes that are no record", bytes(self._junk))
            self._junk.clear()

    def _bad(self, arrival_ns: int, reason: BadFrameReason, detail: str, data: bytes) -> None:
        self._frame += 1
        self._events.append(BadFrame(arrival_ns, reason, detail, data, self._frame))

    def _take(self, data: bytes, arrival_ns: int) -> None:
        _, outcome, sweep, length = _HEADER.unpack_from(data)
        content = data[_HEADER.size : _HEADER.size + length]
        if outcome == Outcome.REPLY:
            self._events.append(Reply(arrival_ns, content.decode("utf-8", "backslashreplace")))
            return
        if self._next_sweep is not None and sweep > self._next_sweep:
            cause = "sweeps were left out: device, line or computer is slower than the schedule"
            self._events.append(Gap(arrival_ns, sweep - self._next_sweep, cause, self._frame + 1))
        self._next_sweep = sweep + 1
        text, _, evidence = content.partition(b"\0")
        told = text.decode("utf-8", "backslashreplace") or "no reason was noted"
        match outcome:
            case Outcome.ANSWERED:
                self._row(content, arrival_ns)
            case Outcome.NO_ANSWER:
                self._frame += 1
                self._events.append(Gap(arrival_ns, 1, told, self._frame))
            case Outcome.ERROR_REPLY:
                self._bad(arrival_ns, BadFrameReason.ERROR_REPLY, told, evidence)
            case _:
                self._bad(arrival_ns, BadFrameReason.CHECKSUM, told, evidence)

    def _row(self, content: bytes, arrival_ns: int) -> None:
        try:
            values = np.array([self._values_of(content)], dtype=np.float64)
        except UnusableReplyError as fault:
            self._bad(arrival_ns, fault.reason, str(fault), content[:MAX_EVIDENCE])
            return
        self._frame += 1
        self._events.append(
            Rows(
                arrival_ns=np.array([arrival_ns], dtype=np.int64),
                device_time_s=np.array([np.nan]),
                counter=np.array([-1], dtype=np.int64),
                values=values,
            )
        )
