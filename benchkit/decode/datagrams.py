"""Datagrams as bytes: what a datagram source hands out and what is kept in the journal of a run.

A datagram has borders and a time of its own, which bytes in a row have not. Each therefore becomes a record: how many
nanoseconds before the poll's end it arrived (u32), its length (u16), both big-endian, and its bytes as received.

>>> record(b"400.0,12.5", lag_ns=3).hex(" ")
'00 00 00 03 00 0a 34 30 30 2e 30 2c 31 32 2e 35'
"""

from __future__ import annotations

import struct
from collections.abc import Callable

import numpy as np

from benchkit.decode.lines import Refused
from benchkit.decode.packet_events import EVIDENCE_BYTES, PacketEvents
from benchkit.decode.packet_layout import PacketLayout, read_other, read_packet, read_packets
from benchkit.decode.text import TextDecoder
from benchkit.model.samples import BadFrame, BadFrameReason, DecodeEvent
from benchkit.model.sources import TextFormat

HEAD = struct.Struct(">IH")
LONGEST_LAG_NS = 2**32 - 1
_SMALL = 4
_BLOCK = 1024


def record(datagram: bytes, lag_ns: int = 0) -> bytes:
    """The record of a datagram that arrived ``lag_ns`` before the time of the bytes it is handed out with."""
    return HEAD.pack(min(lag_ns, LONGEST_LAG_NS), len(datagram)) + datagram


class DatagramFraming:
    """Records of datagrams, each one packet or an answer of the device."""

    def __init__(self, layout: PacketLayout, events: PacketEvents, bulk: bool) -> None:
        self._layout, self._events, self._bulk = layout, events, bulk
        self._size = layout.size.to_bytes(2, "big")
        self._records = Records(self._take_one)

    def feed(self, data: bytes, arrival_ns: int) -> None:
        if self._bulk and not self._records.rest:
            data = data[self._take_blocks(data, arrival_ns) :]
        self._records.feed(data, arrival_ns)

    def close(self, arrival_ns: int) -> None:
        rest = self._records.rest
        if rest:
            self._events.refuse(rest, cut_off(rest), arrival_ns)

    def _take_blocks(self, data: bytes, arrival_ns: int) -> int:
        """Read records of good packets from the beginning of ``data``; return where the first other one begins."""
        layout, step, at = self._layout, HEAD.size + self._layout.size, 0
        while (count := min((len(data) - at) // step, _BLOCK)) > _SMALL:
            table = np.frombuffer(data, dtype=np.uint8, count=count * step, offset=at).reshape(count, step)
            headed = (table[:, 4 : HEAD.size] == np.frombuffer(self._size, dtype=np.uint8)).all(axis=1)
            packets, good = read_packets(layout, table[:, HEAD.size :])
            good &= headed
            taken = count if good.all() else int(good.argmin())
            lag_ns = np.ascontiguousarray(table[:taken, :4]).view(">u4").reshape(taken).astype(np.int64)
            self._events.rows(packets.cut(0, taken), arrival_ns - lag_ns)
            at += taken * step
            if taken < count:
                break
        return at

    def _take_one(self, datagram: bytes, arrival_ns: int) -> None:
        layout = self._layout
        own = len(datagram) == layout.size
        found = read_packet(layout, datagram) if own else read_other(layout, datagram)
        if isinstance(found, Refused):
            self._events.refuse(datagram, found, arrival_ns)
        elif isinstance(found, str):
            self._events.reply(found, arrival_ns)
        else:
            self._events.rows(found, arrival_ns)


class DatagramTextDecoder:
    """Decoder of datagrams that hold text lines (see :class:`benchkit.decode.contract.Decoder`).

    The end of a datagram ends a line: no line goes on in the next one, which may be lost.
    """

    def __init__(self, text_format: TextFormat) -> None:
        self._text = TextDecoder(text_format)
        self._records = Records(self._take_one)
        self._cut: list[DecodeEvent] = []

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the columns of ``Rows.values``."""
        return self._text.columns

    def next_event(self) -> DecodeEvent | None:
        """The next event, or None when more bytes are needed."""
        return self._text.next_event() or (self._cut.pop() if self._cut else None)

    def feed(self, data: bytes, arrival_ns: int) -> None:
        """Take records, in pieces of any size.

        Raises:
            UsageError: the decoder was closed.
        """
        self._text.feed(b"", arrival_ns)  # refuses when it is closed
        self._records.feed(data, arrival_ns)

    def close(self, arrival_ns: int) -> None:
        """The input has ended: a record without its end becomes a ``BadFrame``."""
        rest, self._records.rest = self._records.rest, b""
        if rest:
            why = cut_off(rest)
            self._cut.append(BadFrame(arrival_ns, why.reason, why.detail, rest[:EVIDENCE_BYTES]))
        self._text.close(arrival_ns)

    def _take_one(self, datagram: bytes, arrival_ns: int) -> None:
        self._text.feed(datagram if datagram.endswith(b"\n") else datagram + b"\n", arrival_ns)


class Records:
    """Cuts bytes into records; ``take`` gets each datagram with its own arrival."""

    def __init__(self, take: Callable[[bytes, int], None]) -> None:
        self._take = take
        self.rest = b""
        """A record whose end has not come."""

    def feed(self, data: bytes, arrival_ns: int) -> None:
        """Take bytes that were handed out at ``arrival_ns``."""
        data = self.rest + data if self.rest else data
        at = 0
        while len(data) >= at + HEAD.size:
            lag_ns, length = HEAD.unpack_from(data, at)
            end = at + HEAD.size + length
            if end > len(data):
                break
            self._take(data[at + HEAD.size : end], arrival_ns - lag_ns)
            at = end
        self.rest = data[at:]


def cut_off(rest: bytes) -> Refused:
    """Why a record without its end is no row."""
    return Refused(BadFrameReason.PARTIAL, f"the datagram was cut off after {len(rest)} bytes of its record")
