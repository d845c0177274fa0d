"""Binary packets: bytes in, rows, bad frames, gaps and replies out.

With COBS a zero byte ends every packet, so that after any damage the next packet is found at the next zero. With
length framing a packet begins with the declared sync bytes and length; after damage the next place is looked for where
these stand and, with a check value, where it is right. Without a check value such a place is believed only when another
packet begins right behind it. How often a wrong row gets through all the same: ``docs/reference/decoders.md``.

Datagrams keep their own borders: see :mod:`benchkit.decode.datagrams`.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np

from benchkit.decode import cobs
from benchkit.decode.datagrams import DatagramFraming
from benchkit.decode.lines import Refused
from benchkit.decode.packet_events import EVIDENCE_BYTES, PacketEvents
from benchkit.decode.packet_layout import (
    REPLY_BYTES,
    REPLY_PREFIX,
    PacketLayout,
    check_is_right,
    layout_of,
    read_other,
    read_packet,
    read_packets,
)
from benchkit.errors import UsageError
from benchkit.model.samples import BadFrameReason, DecodeEvent
from benchkit.model.sources import Framing, PacketFormat

_SMALL = 4
"""Up to here packets are read one by one: quicker for a few than many at once."""
_BLOCK = 1024
"""Packets read at once: long enough that numpy's fixed cost per call vanishes, short enough to stay in cache."""
_FIRST_BLOCK = 8
"""After damage: what stands behind it is read in blocks that grow from here."""
_LARGEST_SIMPLE = 253
"""Up to so many bytes stuffing adds exactly one."""
_WAIT, _NONE = -1, -2
"""Instead of the end of a packet: more bytes are needed to say; no packet begins there."""


class _Framing(Protocol):
    def feed(self, data: bytes, arrival_ns: int) -> None: ...
    def close(self, arrival_ns: int) -> None: ...


class PacketDecoder:
    """Decoder of binary packets of one format (see :class:`benchkit.decode.contract.Decoder`).

    With ``joined_midway`` the first packet may have begun before we listened: it is a row only when its check value is
    right. ``bulk=False`` reads packet by packet; the events are the same.

    Raises:
        UsageError: the format contradicts itself, or needs a package that is not installed.
    """

    def __init__(self, packet_format: PacketFormat, *, joined_midway: bool = False, bulk: bool = True) -> None:
        layout = layout_of(packet_format)
        self._columns = layout.columns
        self._events = PacketEvents(layout)
        self._framing: _Framing
        match packet_format.framing:
            case Framing.COBS:
                self._framing = CobsFraming(layout, self._events, joined_midway, bulk)
            case Framing.LENGTH:
                self._framing = LengthFraming(layout, packet_format, self._events, joined_midway, bulk)
            case Framing.DATAGRAM:
                self._framing = DatagramFraming(layout, self._events, bulk)
        self._closed = False

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the columns of ``Rows.values``."""
        return self._columns

    def next_event(self) -> DecodeEvent | None:
        """The next event, or None when more bytes are needed."""
        return self._events.next()

    def feed(self, data: bytes, arrival_ns: int) -> None:
        """Take bytes that arrived at ``arrival_ns``.

        Raises:
            UsageError: the decoder was closed.
        """
        if self._closed:
            raise UsageError("the decoder is closed", remedy="Make a new decoder for every opening of a link.")
        self._framing.feed(data, arrival_ns)
        self._events.hand_out()

    def close(self, arrival_ns: int) -> None:
        """The input has ended: what is not finished becomes a ``BadFrame``. Closing twice does no harm."""
        if not self._closed:
            self._framing.close(arrival_ns)
            self._events.hand_out()
        self._closed = True


class CobsFraming:
    """Packets stuffed without zeros, each ended by a zero."""

    def __init__(self, layout: PacketLayout, events: PacketEvents, joined_midway: bool, bulk: bool) -> None:
        self._layout, self._events = layout, events
        self._bulk = bulk and layout.size <= _LARGEST_SIMPLE
        self._wire = layout.size + 1
        self._longest = cobs.most_encoded(layout.longest)
        self._rest = b""
        self._skipping = False  # inside a frame that was refused as too long
        self._unseen_start = joined_midway

    def feed(self, data: bytes, arrival_ns: int) -> None:
        if self._skipping:
            _, end, data = data.partition(b"\0")
            if not end:
                return
            self._skipping = False
        end_at = data.rfind(b"\0") + 1
        if end_at:
            self._take_all(self._rest + data[:end_at], arrival_ns)
            self._rest = b""
        rest = self._rest + data[end_at:]
        if len(rest) > self._longest:
            self._unseen_start = False
            self._refuse_too_long(rest, arrival_ns)
            self._skipping, rest = True, b""
        self._rest = rest

    def close(self, arrival_ns: int) -> None:
        if self._rest:
            detail = f"the packet was cut off after {len(self._rest)} bytes: its end did not come"
            self._events.refuse(self._rest, Refused(BadFrameReason.PARTIAL, detail), arrival_ns)

    def _take_all(self, block: bytes, arrival_ns: int) -> None:
        if self._unseen_start:
            first, _, block = block.partition(b"\0")
            self._take_one(first, arrival_ns)
        step = self._wire + 1
        if not self._bulk or len(block) <= _SMALL * step:
            for frame in block.split(b"\0")[:-1]:
                self._take_one(frame, arrival_ns)
            return
        for at in range(0, len(block), _BLOCK * step):
            piece = block[at : at + _BLOCK * step]
            if not self._take_regular(piece, arrival_ns):
                frames = block[at:].split(b"\0")[:-1]
                for number in range(0, len(frames), _BLOCK):
                    self._take_mixed(frames[number : number + _BLOCK], arrival_ns)
                return

    def _take_regular(self, block: bytes, arrival_ns: int) -> bool:
        """Read packets of the right length without one of another between them; False when they are not like that."""
        count, over = divmod(len(block), self._wire + 1)
        if over or block.count(b"\0") != count:
            return False
        frames = np.frombuffer(block, dtype=np.uint8).reshape(count, self._wire + 1)
        if frames[:, -1].any():
            return False
        bodies, fit = cobs.unstuff(frames[:, :-1])
        packets, good = read_packets(self._layout, bodies)
        if not (fit.all() and good.all()):
            return False
        self._events.rows(packets, arrival_ns)
        return True

    def _take_mixed(self, frames: list[bytes], arrival_ns: int) -> None:
        """Read those of the right length at once, the others one by one, and hand them out in order."""
        fitting = [frame for frame in frames if len(frame) == self._wire]
        joined = np.frombuffer(b"".join(fitting), dtype=np.uint8).reshape(len(fitting), self._wire)
        bodies, fit = cobs.unstuff(joined)
        packets, good = read_packets(self._layout, bodies)
        believed = (good & fit).tolist()
        at = start = 0
        for frame in frames:
            if len(frame) == self._wire:
                at += 1
                if believed[at - 1]:
                    continue
                self._events.rows(packets.cut(start, at - 1), arrival_ns)
            else:
                self._events.rows(packets.cut(start, at), arrival_ns)
            start = at
            self._take_one(frame, arrival_ns)
        self._events.rows(packets.cut(start, at), arrival_ns)

    def _take_one(self, frame: bytes, arrival_ns: int) -> None:
        unseen_start, self._unseen_start = self._unseen_start, False
        layout = self._layout
        if not frame:
            return  # zeros between packets say nothing
        if len(frame) > self._longest:
            self._refuse_too_long(frame, arrival_ns)
            return
        body = cobs.decode(frame)
        if unseen_start and (layout.check is None or body is None or not check_is_right(layout, body)):
            why = Refused(BadFrameReason.PARTIAL, "first packet after opening: its start was not seen")
            self._events.refuse(frame, why, arrival_ns)
            return
        if body is None:
            detail = f"{len(frame)} bytes that are not stuffed as they must be"
            self._events.refuse(frame, Refused(BadFrameReason.STUFFING, detail), arrival_ns)
            return
        found = read_packet(layout, body) if len(body) == layout.size else read_other(layout, body)
        if isinstance(found, Refused):
            self._events.refuse(frame, found, arrival_ns)
        elif isinstance(found, str):
            self._events.reply(found, arrival_ns)
        else:
            self._events.rows(found, arrival_ns)

    def _refuse_too_long(self, frame: bytes, arrival_ns: int) -> None:
        detail = f"no end of a packet within {self._longest} bytes; skipped to the next one"
        self._events.refuse(frame, Refused(BadFrameReason.TOO_LONG, detail), arrival_ns)


class LengthFraming:
    """Packets that begin with sync bytes and a length.

    Bytes in which no packet begins become one ``BadFrame`` a run: when the run ends, or as soon as it is longer than
    any packet. What belongs to a packet that was refused is not told again.
    """

    def __init__(
        self, layout: PacketLayout, f: PacketFormat, events: PacketEvents, joined_midway: bool, bulk: bool
    ) -> None:
        self._layout, self._events, self._bulk = layout, events, bulk
        self._sync, self._length_bytes = f.sync, f.length_bytes
        self._length = layout.size - len(layout.head) - layout.check_bytes
        self._rest = b""
        self._in_step = not joined_midway  # a packet has ended here, so that the next must begin
        self._unseen_start = joined_midway
        self._block = _FIRST_BLOCK
        self._quiet = 0  # bytes still to come that belong to a refused packet
        self._run = b""  # first bytes of a run in which no packet begins
        self._run_length = 0

    def feed(self, data: bytes, arrival_ns: int) -> None:
        data = self._rest + data
        at, before = 0, -1
        while at != before:
            before = at
            if self._in_step and self._bulk:
                at = self._take_block(data, at, arrival_ns)
            at = self._take_one(data, at, arrival_ns)
        self._rest = data[at:]

    def close(self, arrival_ns: int) -> None:
        data, self._rest = self._rest, b""
        at = 0
        while at < len(data):
            after = self._take_one(data, at, arrival_ns)
            if after == at:  # it waits for what will not come: look for packets inside
                self._pass_over(data[at : at + 1], arrival_ns)
                after += 1
            at = after
        detail = f"the packet was cut off after {self._run_length} bytes: its end did not come"
        self._end_run(Refused(BadFrameReason.PARTIAL, detail), arrival_ns)

    def _take_block(self, data: bytes, at: int, arrival_ns: int) -> int:
        """Read packets that follow one another; stop before the first that is not good."""
        layout = self._layout
        while (count := min((len(data) - at) // layout.size, self._block)) > _SMALL:
            table = np.frombuffer(data, dtype=np.uint8, count=count * layout.size, offset=at)
            table = table.reshape(count, layout.size)
            headed = (table[:, : len(layout.head)] == np.frombuffer(layout.head, dtype=np.uint8)).all(axis=1)
            packets, good = read_packets(layout, table)
            good &= headed
            taken = count if good.all() else int(good.argmin())
            self._events.rows(packets.cut(0, taken), arrival_ns)
            at += taken * layout.size
            if taken < count:
                self._block = _FIRST_BLOCK
                break
            self._block = min(2 * self._block, _BLOCK)
        return at

    def _take_one(self, data: bytes, at: int, arrival_ns: int) -> int:
        """Read what begins at ``at``; return where to go on, ``at`` itself when more bytes are needed."""
        begin = data.find(self._sync, at)
        if begin != at:
            stop = begin if begin >= 0 else len(data) - self._begun(data, at)
            if stop > at:
                self._pass_over(data[at:stop], arrival_ns)
            return stop
        end = self._end_of(data, at)
        if end == _WAIT:
            return at
        if end == _NONE:
            self._pass_over(data[at : at + 1], arrival_ns)
            return at + 1
        return self._judge(data[at:end], at, arrival_ns)

    def _end_of(self, data: bytes, at: int) -> int:
        """Where the packet ends that begins with the sync bytes at ``at``; or that none begins, or is not yet known."""
        layout = self._layout
        body = at + len(layout.head)
        if len(data) < body:
            return _WAIT
        length = int.from_bytes(data[at + len(self._sync) : body], layout.order.value)
        end = body + length + layout.check_bytes
        # Of another length only an answer is waited for: good packets behind a false start come without delay.
        may_be_reply = 0 < length <= REPLY_BYTES and data[body : body + 1] in (b"", REPLY_PREFIX)
        if length != self._length and not may_be_reply:
            return _NONE
        if len(data) < end:
            return _WAIT
        if layout.check is None and not self._in_step:
            behind = data[end : end + len(self._sync)]
            if behind != self._sync:
                return _WAIT if self._sync.startswith(behind) else _NONE
        return end

    def _begun(self, data: bytes, at: int) -> int:
        """How many bytes at the end of ``data`` may be the beginning of sync bytes."""
        most = min(len(self._sync) - 1, len(data) - at)
        return next((n for n in range(most, 0, -1) if data.endswith(self._sync[:n])), 0)

    def _judge(self, packet: bytes, at: int, arrival_ns: int) -> int:
        layout = self._layout
        own = len(packet) == layout.size
        found = read_packet(layout, packet) if own else read_other(layout, packet)
        whole = not isinstance(found, Refused) or (layout.check is not None and check_is_right(layout, packet))
        self._end_run(Refused(BadFrameReason.NO_SYNC, f"{self._run_length} bytes between packets"), arrival_ns)
        if isinstance(found, Refused):
            if self._unseen_start:
                found = Refused(BadFrameReason.PARTIAL, "first packet after opening: its start was not seen")
            self._events.refuse(packet, found, arrival_ns)
        elif isinstance(found, str):
            self._events.reply(found, arrival_ns)
        else:
            self._events.rows(found, arrival_ns)
        self._unseen_start = False
        self._in_step = whole
        self._quiet = 0 if whole else len(packet)
        if whole:
            return at + len(packet)
        self._pass_over(packet[:1], arrival_ns)
        return at + 1

    def _pass_over(self, data: bytes, arrival_ns: int) -> None:
        """Count bytes in which no packet begins."""
        self._in_step = False
        told = min(self._quiet, len(data))
        self._quiet -= told
        data = data[told:]
        before, most = self._run_length, self._layout.longest
        self._run_length += len(data)
        self._run = (self._run + data[:EVIDENCE_BYTES])[:EVIDENCE_BYTES]
        if before <= most < self._run_length:
            self._refuse_run(Refused(BadFrameReason.NO_SYNC, f"no packet begins within {most} bytes"), arrival_ns)

    def _end_run(self, why: Refused, arrival_ns: int) -> None:
        if 0 < self._run_length <= self._layout.longest:
            self._refuse_run(why, arrival_ns)
        self._run, self._run_length = b"", 0

    def _refuse_run(self, why: Refused, arrival_ns: int) -> None:
        if self._unseen_start:
            why = Refused(BadFrameReason.PARTIAL, "first bytes after opening: the start of a packet was not seen")
        self._unseen_start = False
        self._events.refuse(self._run, why, arrival_ns)
