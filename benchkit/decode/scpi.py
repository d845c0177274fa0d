"""Answers of instruments that speak SCPI: decimal numbers, blocks of IEEE 488.2, errors; and the records of sweeps.

>>> reader = ReplyReader()
>>> reader.feed(b"#15HELLO\\n1.5,-2E-3\\n")
>>> reader.next_reply(), reader.next_reply(), reader.next_reply()
(b'#15HELLO', b'1.5,-2E-3', None)
>>> block_content(b"#15HELLO")
b'HELLO'

The content of an answered record (:mod:`benchkit.decode.records`) is, for each query in the order of the profile, the
length of its answer (4 bytes, big-endian) and the answer as it came, without its line end.

Forms of numbers: IEEE 488.2 NR1, NR2, NR3 (8.7.2 to 8.7.4), blocks 8.7.9 and 8.7.10. SCPI-99 volume 1, 7.2.1.4 and
7.2.1.5: 9.91E37 says *not a number*, 9.9E37 and -9.9E37 say infinity. Each of the three is *not measured* here.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Sequence

import numpy as np

from benchkit.decode.records import MAX_CONTENT, RecordDecoder, UnusableReplyError
from benchkit.model.samples import BadFrameReason
from benchkit.model.sources import ByteOrder, NumberType, ScpiQuery, ScpiReply

_NUMBER = re.compile(rb"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")
_NOT_MEASURED = re.compile(rb"[+-]?(?:NAN|NINF|INF(?:INITY)?)", re.IGNORECASE)
_INFINITE = 9.9e37
_LENGTH = struct.Struct(">I")
_TYPES = {
    NumberType.U8: "u1", NumberType.I8: "i1", NumberType.U16: "u2", NumberType.I16: "i2", NumberType.U32: "u4",
    NumberType.I32: "i4", NumberType.U64: "u8", NumberType.I64: "i8", NumberType.F32: "f4", NumberType.F64: "f8",
}  # fmt: skip
MAX_REPLY = MAX_CONTENT - 4


class ReplyReader:
    """Bytes of a link in, whole answers out: each without the line feed (and carriage return) that ends it.

    Inside a block of known length a line feed is content. A block of unknown length (``#0``) ends at a line feed; where
    the length of what was asked for is known, ``content_bytes`` tells it, and only a line feed after so many bytes ends
    the block. What grows beyond ``MAX_REPLY`` without an end is dropped to its next line feed.
    """

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._looked = 0
        self._is_dropping = False

    def feed(self, data: bytes) -> None:
        """Take bytes."""
        self._buffer += data

    def clear(self) -> bytes:
        """Forget what has come; return it."""
        data = bytes(self._buffer)
        self._buffer.clear()
        self._looked = 0
        self._is_dropping = False
        return data

    @property
    def waiting(self) -> bytes:
        """The beginning of an answer whose end has not come."""
        return bytes(self._buffer[:MAX_REPLY])

    def next_reply(self, content_bytes: int = 0) -> bytes | None:
        """The next whole answer, or None when more bytes are needed."""
        while True:
            least = self._least(content_bytes)
            end = -1 if least is None else self._buffer.find(b"\n", max(least, self._looked))
            if least is None or end < 0:
                self._looked = len(self._buffer) if least is not None and least <= len(self._buffer) else 0
                if len(self._buffer) > MAX_REPLY:
                    self._is_dropping = True
                    self._buffer.clear()
                    self._looked = 0
                return None
            reply = bytes(self._buffer[:end])
            del self._buffer[: end + 1]
            self._looked = 0
            if self._is_dropping:
                self._is_dropping = False
                continue
            # A carriage return within a block is content.
            return reply[:-1] if reply.endswith(b"\r") and end > least else reply

    def _least(self, content_bytes: int) -> int | None:
        """Bytes of the answer at least, before a line feed can end it; None while that is not known."""
        if self._is_dropping or not self._buffer.startswith(b"#"):
            return 0
        if self._buffer.startswith(b"#0"):
            return 2 + content_bytes
        return block_size(bytes(self._buffer[:12]))


def block_size(head: bytes) -> int | None:
    """Bytes of a whole definite block by its first bytes, header included; 0: not such a block; None: not known yet.

    >>> block_size(b"#15HELLO"), block_size(b"#212"), block_size(b"#3"), block_size(b"#0abc"), block_size(b"12")
    (8, 16, None, 0, 0)
    """
    if not head.startswith(b"#"):
        return 0
    if len(head) < 2:
        return None
    digits = head[1] - 0x30
    if not 1 <= digits <= 9:
        return 0
    length = head[2 : 2 + digits]
    if length and not length.isdigit():
        return 0
    if len(length) < digits:
        return None
    size = 2 + digits + int(length)
    return size if size <= MAX_REPLY else 0


def block_content(reply: bytes) -> bytes:
    """What a block holds: of definite (``#15HELLO``) or indefinite length (``#0HELLO``), without line end.

    Raises:
        UnusableReplyError: it is no block, or not of the length it says.
    """
    if reply.startswith(b"#0"):
        return reply[2:]
    size = block_size(reply)
    if not size:
        raise UnusableReplyError(BadFrameReason.FIELD_COUNT, "the answer is no block of IEEE 488.2")
    if size != len(reply):
        detail = f"the block says it has {size} bytes, {len(reply)} came"
        raise UnusableReplyError(BadFrameReason.FIELD_COUNT, detail)
    return reply[2 + reply[1] - 0x30 :]


def decimal_numbers(reply: bytes) -> list[float]:
    """Decimal numbers separated by commas; NaN where the instrument says that it has none.

    Raises:
        UnusableReplyError: a field is no number.
    """
    values = []
    for number, field in enumerate(reply.split(b","), start=1):
        text = field.strip(b" \t")
        if _NUMBER.fullmatch(text):
            value = float(text)
            values.append(value if abs(value) < _INFINITE else float("nan"))
        elif _NOT_MEASURED.fullmatch(text):
            values.append(float("nan"))
        else:
            detail = f"field {number} is no number: {text[:40].decode('ascii', 'backslashreplace')!r}"
            raise UnusableReplyError(BadFrameReason.NOT_A_NUMBER, detail)
    return values


def reply_values(query: ScpiQuery, reply: bytes) -> list[float]:
    """The numbers of one answer, one a column of ``query``.

    Raises:
        UnusableReplyError: the answer is of another form or has another count.
    """
    if query.reply is ScpiReply.NUMBERS:
        values = decimal_numbers(reply)
    else:
        content = block_content(reply)
        kind = np.dtype((">" if query.block_order is ByteOrder.BIG else "<") + _TYPES[query.block_type])
        if len(content) % kind.itemsize:
            detail = f"{len(content)} bytes are no whole number of {query.block_type.value}"
            raise UnusableReplyError(BadFrameReason.FIELD_COUNT, detail)
        numbers = np.frombuffer(content, dtype=kind).astype(np.float64)
        numbers[~np.isfinite(numbers) | (np.abs(numbers) >= _INFINITE)] = np.nan
        values = numbers.tolist()
    if len(values) != len(query.columns):
        detail = f"{len(values)} numbers in answer to {query.command}, expected {len(query.columns)}"
        raise UnusableReplyError(BadFrameReason.FIELD_COUNT, detail)
    return values


def content_bytes(query: ScpiQuery) -> int:
    """Bytes that the block in answer to ``query`` holds; 0 where it answers with decimal numbers."""
    if query.reply is ScpiReply.NUMBERS:
        return 0
    return len(query.columns) * np.dtype(_TYPES[query.block_type]).itemsize


def pack_replies(replies: Sequence[bytes]) -> bytes:
    """The content of a record out of the answers of one sweep."""
    return b"".join(_LENGTH.pack(len(reply)) + reply for reply in replies)


def unpack_replies(content: bytes) -> list[bytes]:
    """The answers of one sweep out of the content of its record.

    Raises:
        UnusableReplyError: the lengths do not add up.
    """
    replies = []
    at = 0
    while at < len(content):
        if at + 4 > len(content) or at + 4 + _LENGTH.unpack_from(content, at)[0] > len(content):
            raise UnusableReplyError(BadFrameReason.PARTIAL, "the answers do not fill their record")
        (size,) = _LENGTH.unpack_from(content, at)
        replies.append(content[at + 4 : at + 4 + size])
        at += 4 + size
    return replies


def error_text(reply: bytes) -> str:
    """What ``SYST:ERR?`` says, such as ``-113,"Undefined header"``; empty when it says there is none.

    >>> error_text(b'0,"No error"'), error_text(b'-113,"Undefined header"')
    ('', '-113,"Undefined header"')
    """
    text = reply.decode("ascii", "backslashreplace").strip()
    number = text.partition(",")[0].strip()
    return "" if re.fullmatch(r"[+-]?0+", number) else text


def is_identity(reply: bytes) -> bool:
    """True where an answer may be that to ``*IDN?``: four fields of text (IEEE 488.2, 10.14), the first no number."""
    fields = reply.split(b",")
    if len(fields) < 4 or reply.startswith((b"#", b'"')):
        return False
    return all(0x20 <= byte < 0x7F for byte in reply) and not _NUMBER.fullmatch(fields[0].strip())


class ScpiDecoder(RecordDecoder):
    """Decoder of the records of a SCPI source: one row a sweep, made of the answers to all queries."""

    def __init__(self, queries: Sequence[ScpiQuery]) -> None:
        self._queries = tuple(queries)
        columns = tuple(column for query in queries for column in query.columns)
        super().__init__(columns, self._values, MAX_CONTENT)

    def _values(self, content: bytes) -> list[float]:
        replies = unpack_replies(content)
        if len(replies) != len(self._queries):
            detail = f"{len(replies)} answers, expected {len(self._queries)}"
            raise UnusableReplyError(BadFrameReason.FIELD_COUNT, detail)
        values: list[float] = []
        for query, reply in zip(self._queries, replies, strict=True):
            values += reply_values(query, reply)
        return values
