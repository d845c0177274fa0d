"""CAN frames in, rows out.

A frame reaches the decoder as a record of our own, so that the raw capture holds all of it and gives the same rows
again (little-endian):

======  =====  ==================================================================================================
offset  type   what
======  =====  ==================================================================================================
0       2 u8   mark, ``CA F2``
2       u8     flags: 1 extended identifier, 2 remote, 4 error frame, 8 FD, 16 bit rate switch, 32 error state
3       u8     number of data bytes: 0 to 8; with FD also 12, 16, 20, 24, 32, 48, 64
4       u32    identifier (of an error frame: its error class)
8       i64    host's monotonic time of reception, ns
16      i64    time stamp of the interface, ns since 1970; 0 where it has none
24      u8[]   data
======  =====  ==================================================================================================

Records carry no check value: on the bus each frame has a CRC of its own, in the raw capture each piece has one.

A row is made for every good frame of ``row_message``. It holds the latest value of each signal, NaN where that has not
come within ``stale_after_s`` before the row (by the time of reception). Signals of a multiplexed message are only
renewed by the frames that carry them. A frame that is not as the database says (its length, its multiplexer value) is a
``BadFrame`` and renews nothing. A value outside the range of its signal in the database is NaN from then on, and a
``BadFrame`` tells message, signal, bounds and value, once for each time that the signal leaves its range. Frames that
no named signal is in are passed over; those whose identifier the database does not know are counted.
"""

from __future__ import annotations

import math
import struct
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchkit.decode.can_database import database_error, sound_database
from benchkit.errors import UsageError
from benchkit.model.samples import BadFrame, BadFrameReason, DecodeEvent, Reply, Rows
from benchkit.model.sources import CanSource

if TYPE_CHECKING:
    from cantools.database.can import Message, Signal

MARK = b"\xca\xf2"
EXTENDED, REMOTE, ERROR, FD, RATE_SWITCH, ERROR_STATE = 1, 2, 4, 8, 16, 32
BUS_OFF = 0x40
"""Error class of a controller that has left the bus (``CAN_ERR_BUSOFF`` of Linux' can/error.h)."""
_HEAD = struct.Struct("<2sBBIqq")
HEAD_BYTES = _HEAD.size
MAX_RECORD_BYTES = HEAD_BYTES + 64
_FD_LENGTHS = frozenset((*range(9), 12, 16, 20, 24, 32, 48, 64))
EVIDENCE_BYTES = 64
STATES_TOLD_S = 5.0
"""For so long after a command the states of the device are told as replies."""
_ROUNDING = 1e-6
"""Share of a step (of the bound, for a floating-point signal) by which a value may miss its bound: rounding of the
decimal numbers in the database."""
_ERROR_CLASSES = {
    0x01: "transmission timed out", 0x02: "arbitration lost", 0x04: "controller", 0x08: "protocol violation",
    0x10: "transceiver", 0x20: "no acknowledgement", BUS_OFF: "bus off", 0x80: "bus error",
    0x100: "controller restarted",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class CanFrame:
    """One frame as it came. ``kernel_ns`` is the time stamp of the interface, 0 where it has none."""

    identifier: int
    data: bytes
    received_ns: int
    kernel_ns: int = 0
    flags: int = 0


def pack(frame: CanFrame) -> bytes:
    """The record of a frame.

    Raises:
        UsageError: there is no such frame.
    """
    if not _is_sound(frame.flags, len(frame.data), frame.identifier, frame.received_ns):
        raise UsageError("there is no such CAN frame", got=frame)
    count = len(frame.data)
    return _HEAD.pack(MARK, frame.flags, count, frame.identifier, frame.received_ns, frame.kernel_ns) + frame.data


def _is_sound(flags: int, length: int, identifier: int, received_ns: int) -> bool:
    highest = 0x1FFFFFFF if flags & (EXTENDED | ERROR) else 0x7FF
    fits = length in _FD_LENGTHS if flags & FD else length <= 8
    return flags < 64 and fits and 0 <= identifier <= highest and received_ns >= 0


@dataclass(slots=True)
class _Wanted:
    """One signal of a message, and the columns it fills."""

    name: str
    columns: list[int]
    low: float
    high: float
    bounds: str
    states: dict[int, str]
    is_outside: bool = False
    told: str = ""


@dataclass(slots=True)
class _Reader:
    message: Message
    wanted: list[_Wanted]


class CanDecoder:
    """Decoder of frame records (see :class:`benchkit.decode.contract.Decoder`).

    Raises:
        DataError: the database is not sound.
        UsageError: the database does not know a name of ``spec``; cantools is not installed.
    """

    def __init__(self, spec: CanSource) -> None:
        database = sound_database(spec)
        self._refusal = database_error()
        self._columns = spec.columns
        self._stale_ns = round(spec.stale_after_s * 1e9)
        self._known = {(m.frame_id, m.is_extended_frame) for m in database.messages}
        row = database.get_message_by_name(spec.row_message)
        self._row_key = (row.frame_id, row.is_extended_frame)
        self._readers: dict[tuple[int, bool], _Reader] = {self._row_key: _Reader(row, [])}
        for column, one in enumerate(spec.signals):
            message = database.get_message_by_name(one.message)
            key = (message.frame_id, message.is_extended_frame)
            reader = self._readers.setdefault(key, _Reader(message, []))
            wanted = next((w for w in reader.wanted if w.name == one.signal), None)
            if wanted is None:
                wanted = _wanted(message.get_signal_by_name(one.signal))
                reader.wanted.append(wanted)
            wanted.columns.append(column)
        self._needs_fd = any(r.message.is_fd or r.message.length > 8 for r in self._readers.values())
        self._latest = [math.nan] * len(self._columns)
        self._latest_ns = [-1] * len(self._columns)
        self._states_until_ns = -1
        self._events: deque[DecodeEvent] = deque()
        self._rows: list[list[float]] = []
        self._buffer = b""
        self._skipped = 0
        self._evidence = b""
        self._last_error: int | None = None
        self._closed = False
        self._frame = 0
        self.unknown_frames = 0
        """Frames whose identifier the database does not know."""

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the columns of ``Rows.values``."""
        return self._columns

    @property
    def needs_fd(self) -> bool:
        """True when a named message comes in FD frames only."""
        return self._needs_fd

    def next_event(self) -> DecodeEvent | None:
        """The next event, or None when more bytes are needed."""
        return self._events.popleft() if self._events else None

    def tell_states(self, now_ns: int) -> None:
        """A command was sent at ``now_ns``: for :data:`STATES_TOLD_S` tell what the device says of its state.

        Each named signal that has named values in the database is told as a ``Reply`` such as
        ``InverterStatus.State=Stopped``, with its next frame and whenever it changes.
        """
        self._states_until_ns = now_ns + round(STATES_TOLD_S * 1e9)
        for reader in self._readers.values():
            for wanted in reader.wanted:
                wanted.told = ""

    def feed(self, data: bytes, arrival_ns: int) -> None:
        """Take bytes that arrived at ``arrival_ns``.

        Raises:
            UsageError: the decoder was closed.
        """
        if self._closed:
            raise UsageError("the decoder is closed", remedy="Make a new decoder for every opening of a link.")
        buffer, at = self._buffer + data, 0
        while True:
            head = self._find(buffer, at)
            if head is None:
                break
            self._skip(buffer[at:head])
            at = head
            if len(buffer) - at < HEAD_BYTES:
                break
            _, flags, length, identifier, received_ns, _ = _HEAD.unpack_from(buffer, at)
            if not _is_sound(flags, length, identifier, received_ns):
                self._skip(buffer[at : at + 1])
                at += 1
                continue
            end = at + HEAD_BYTES + length
            if len(buffer) < end:
                break
            self._tell_skipped(arrival_ns)
            payload = buffer[at + HEAD_BYTES : end]
            at = end
            self._take(flags, identifier, payload, received_ns, arrival_ns)
        if head is None:
            # The last byte may be the first of a mark.
            keep = len(buffer) - 1 if buffer[at:].endswith(MARK[:1]) else len(buffer)
            self._skip(buffer[at:keep])
            at = keep
        self._buffer = buffer[at:]
        self._hand_out(arrival_ns)

    def close(self, arrival_ns: int) -> None:
        """The input has ended: an unfinished record becomes a ``BadFrame``. Closing twice does no harm."""
        if self._closed:
            return
        self._closed = True
        if self._buffer and not self._skipped:
            self._frame += 1
            detail = f"the record was cut off after {len(self._buffer)} bytes"
            self._refuse(BadFrameReason.PARTIAL, detail, self._buffer, arrival_ns)
        else:
            self._skip(self._buffer)
            self._tell_skipped(arrival_ns)
        self._buffer = b""

    # -- records

    @staticmethod
    def _find(buffer: bytes, at: int) -> int | None:
        if buffer.startswith(MARK, at):
            return at  # nearly always
        found = buffer.find(MARK, at)
        return None if found < 0 else found

    def _skip(self, data: bytes) -> None:
        if data:
            self._skipped += len(data)
            self._evidence = (self._evidence + data[:EVIDENCE_BYTES])[:EVIDENCE_BYTES]

    def _tell_skipped(self, arrival_ns: int) -> None:
        if not self._skipped:
            return
        self._frame += 1
        detail = f"{self._skipped} bytes are no record of a frame; skipped to the next one"
        self._refuse(BadFrameReason.NO_SYNC, detail, self._evidence, arrival_ns)
        self._skipped, self._evidence = 0, b""

    # -- frames

    def _take(self, flags: int, identifier: int, data: bytes, received_ns: int, arrival_ns: int) -> None:
        self._frame += 1
        if flags & ERROR:
            if identifier != self._last_error:
                self._last_error = identifier
                self._refuse(BadFrameReason.BUS_ERROR, error_text(identifier), data, arrival_ns)
            return
        self._last_error = None
        if flags & REMOTE:
            return
        key = (identifier, flags & EXTENDED != 0)
        reader = self._readers.get(key)
        if reader is None:
            self.unknown_frames += key not in self._known
            return
        message = reader.message
        if len(data) != message.length:
            detail = f"{message.name}: {len(data)} data bytes; the database says {message.length}"
            self._refuse(BadFrameReason.LENGTH, detail, data, arrival_ns)
            return
        try:
            values = message.decode_simple(data, decode_choices=False)
        except self._refusal as error:
            self._refuse(BadFrameReason.NOT_IN_DATABASE, f"{message.name}: {error}", data, arrival_ns)
            return
        for wanted in reader.wanted:
            value = values.get(wanted.name)
            if value is not None:
                self._renew(message.name, wanted, number_of(value), data, received_ns, arrival_ns)
        if key == self._row_key:
            oldest = received_ns - self._stale_ns
            self._rows.append(
                [
                    value if oldest <= at <= received_ns else math.nan
                    for value, at in zip(self._latest, self._latest_ns, strict=True)
                ]
            )

    def _renew(
        self, message: str, wanted: _Wanted, number: float, data: bytes, received_ns: int, arrival_ns: int
    ) -> None:
        # NaN on the wire says not measured, and is no value outside.
        outside = math.isinf(number) or number < wanted.low or number > wanted.high
        if outside and not wanted.is_outside:
            detail = f"{message}.{wanted.name}: {number:.10g} is outside its range {wanted.bounds}"
            self._refuse(BadFrameReason.OUT_OF_RANGE, detail, data, arrival_ns)
        wanted.is_outside = outside
        for column in wanted.columns:
            self._latest[column] = math.nan if outside else number
            self._latest_ns[column] = received_ns
        if wanted.states and received_ns <= self._states_until_ns:
            state = wanted.states.get(int(number), "") if math.isfinite(number) else ""
            if state and state != wanted.told:
                wanted.told = state
                self._push(Reply(arrival_ns, f"{message}.{wanted.name}={state}"), arrival_ns)

    # -- events

    def _refuse(self, reason: BadFrameReason, detail: str, data: bytes, arrival_ns: int) -> None:
        self._push(BadFrame(arrival_ns, reason, detail, data[:EVIDENCE_BYTES], self._frame), arrival_ns)

    def _push(self, event: DecodeEvent, arrival_ns: int) -> None:
        self._hand_out(arrival_ns)  # rows before it come first
        self._events.append(event)

    def _hand_out(self, arrival_ns: int) -> None:
        if not self._rows:
            return
        count = len(self._rows)
        self._events.append(
            Rows(
                arrival_ns=np.full(count, arrival_ns, dtype=np.int64),
                device_time_s=np.full(count, np.nan),
                counter=np.full(count, -1, dtype=np.int64),
                values=np.array(self._rows, dtype=np.float64),
            )
        )
        self._rows.clear()


def error_text(error_class: int) -> str:
    """What an error frame says, in words."""
    words = [text for bit, text in _ERROR_CLASSES.items() if error_class & bit]
    return f"error frame: {', '.join(words) or f'class 0x{error_class:X}'}"


def states_of(signal: Signal) -> dict[int, str]:
    """Named values of a signal, by their number on the scale of the signal."""
    conversion = signal.conversion
    named: Mapping[int, object] = conversion.choices or {}
    return {
        int(number_of(conversion.raw_to_scaled(raw, decode_choices=False))): str(name) for raw, name in named.items()
    }


def number_of(value: object) -> float:
    """A number of cantools as float; infinite where it is too large for one."""
    try:
        return float(value)  # type: ignore[arg-type]  # numbers: named values are not asked for
    except OverflowError:
        return math.inf


def _wanted(signal: Signal) -> _Wanted:
    low, high = signal.minimum, signal.maximum
    if low is None or high is None or low == high:  # [0|0] says that no range is declared
        return _Wanted(signal.name, [], -math.inf, math.inf, "", states_of(signal))
    is_float = signal.conversion.is_float
    slack_low, slack_high = (_ROUNDING * abs(bound if is_float else signal.scale) for bound in (low, high))
    unit = f" {signal.unit}" if signal.unit else ""
    text = f"{float(low):g} to {float(high):g}{unit}"
    return _Wanted(signal.name, [], low - slack_low, high + slack_high, text, states_of(signal))
