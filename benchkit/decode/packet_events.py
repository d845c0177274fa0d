"""Events of packet decoders in their order: rows are gathered into blocks and cut where the counter says so."""

from __future__ import annotations

from collections import deque

import numpy as np

from benchkit.decode.counters import breaks_of
from benchkit.decode.lines import Refused
from benchkit.decode.packet_layout import PacketLayout, Packets
from benchkit.model.samples import BadFrame, DecodeEvent, Gap, IntArray, Reply, Rows

EVIDENCE_BYTES = 64
"""So much of a bad frame is kept in its event; the whole is in the raw capture."""


class PacketEvents:
    """What a framing has found. Every row, bad frame and answer is one frame and counts from 1."""

    def __init__(self, layout: PacketLayout) -> None:
        self._has_counter = layout.counter_place is not None
        self._modulus = layout.counter_modulus
        self._last_counter: int | None = None
        self._events: deque[DecodeEvent] = deque()
        self._blocks: list[Packets] = []  # not yet in an event, one frame after the other
        self._arrivals: list[IntArray] = []
        self._frame = 0

    def next(self) -> DecodeEvent | None:
        """The next event, or None."""
        return self._events.popleft() if self._events else None

    def rows(self, packets: Packets, arrival_ns: int | IntArray) -> None:
        """Add good packets; their arrival is one for all or one for each."""
        if not len(packets):
            return
        self._frame += len(packets)
        self._blocks.append(packets)
        if isinstance(arrival_ns, int):
            arrival_ns = np.full(len(packets), arrival_ns, dtype=np.int64)
        self._arrivals.append(arrival_ns)

    def refuse(self, frame: bytes, why: Refused, arrival_ns: int) -> None:
        """Add a frame that is not believed."""
        self.hand_out()  # rows before it come first
        self._frame += 1
        self._events.append(BadFrame(arrival_ns, why.reason, why.detail, frame[:EVIDENCE_BYTES], self._frame))

    def reply(self, text: str, arrival_ns: int) -> None:
        """Add an answer of the device."""
        self.hand_out()
        self._frame += 1
        self._events.append(Reply(arrival_ns, text))

    def hand_out(self) -> None:
        """Make events of the rows gathered so far."""
        if not self._blocks:
            return
        blocks, arrivals = self._blocks, self._arrivals
        if len(blocks) == 1:
            rows = Rows(arrivals[0], blocks[0].device_time_s, blocks[0].counter, blocks[0].values)
        else:
            rows = Rows(
                np.concatenate(arrivals),
                np.concatenate([block.device_time_s for block in blocks]),
                np.concatenate([block.counter for block in blocks]),
                np.concatenate([block.values for block in blocks]),
            )
        self._blocks, self._arrivals = [], []
        first = self._frame - len(rows) + 1
        start = 0
        if self._has_counter:
            for one in breaks_of(rows.counter, self._last_counter, self._modulus):
                self._append(rows, start, one.row)
                gap = Gap(int(rows.arrival_ns[one.row]), one.missing, one.cause, first + one.row)
                self._events.append(gap)
                start = one.row
            self._last_counter = int(rows.counter[-1])
        self._append(rows, start, len(rows))

    def _append(self, rows: Rows, start: int, stop: int) -> None:
        if start == 0 and stop == len(rows):
            self._events.append(rows)
        elif stop > start:
            part = slice(start, stop)
            self._events.append(
                Rows(rows.arrival_ns[part], rows.device_time_s[part], rows.counter[part], rows.values[part])
            )
