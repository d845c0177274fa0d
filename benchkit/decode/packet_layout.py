"""One packet, or many at once, to numbers: strict, and the same answer both ways.

:func:`read_packet` judges one packet and says what is wrong with it. :func:`read_packets` reads many of one length at
once and says which of them are good; ``tests/decode/test_packets.py`` holds both together.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
import numpy.typing as npt

from benchkit.decode.checksums import PacketCrc, packet_crc
from benchkit.decode.lines import Refused, find_damage
from benchkit.errors import UsageError, did_you_mean
from benchkit.model.samples import BadFrameReason, FloatArray, IntArray
from benchkit.model.sources import ByteOrder, Framing, NumberType, PacketFormat

ByteArray = npt.NDArray[np.uint8]
BoolArray = npt.NDArray[np.bool_]

REPLY_PREFIX = b">"
REPLY_BYTES = 256
"""Longest answer of the device; a frame is no longer than this or a packet, whichever is more."""
_LARGEST_COUNTER = 2**63 - 1

_STRUCT = {
    NumberType.U8: "B", NumberType.I8: "b", NumberType.U16: "H", NumberType.I16: "h", NumberType.U32: "I",
    NumberType.I32: "i", NumberType.U64: "Q", NumberType.I64: "q", NumberType.F32: "f", NumberType.F64: "d",
}  # fmt: skip
_CHECK = {2: "H", 4: "I"}
_FLOATS = (NumberType.F32, NumberType.F64)
_FLOAT_MODULUS = {NumberType.F32: 2**24, NumberType.F64: 2**53}
"""Whole numbers up to here are exact."""


@dataclass(frozen=True, slots=True)
class Run:
    """Neighbouring values of one type: a field of the record type, and the columns it fills."""

    name: str
    start: int
    stop: int


@dataclass(frozen=True, slots=True)
class PacketLayout:
    """A packet format made ready for reading. A packet is head, fields, check value."""

    columns: tuple[str, ...]
    head: bytes
    """Sync bytes and length; empty where the framing has none."""
    size: int
    """Bytes of a packet, head and check value included."""
    check: PacketCrc | None
    order: ByteOrder
    plain: struct.Struct
    """All fields and the check value, behind the head."""
    value_places: tuple[int, ...]
    """Which of the fields are values, in order."""
    record: np.dtype[np.void]
    runs: tuple[Run, ...]
    any_float: bool
    counter_name: str | None
    counter_place: int | None
    counter_modulus: int
    device_time_name: str | None
    device_time_place: int | None
    device_time_scale_s: float

    @property
    def check_bytes(self) -> int:
        """Width of the check value."""
        return 0 if self.check is None else self.check.width

    @property
    def longest(self) -> int:
        """Bytes of the longest frame, an answer of the device included."""
        return max(self.size, len(self.head) + REPLY_BYTES + self.check_bytes)


@dataclass(frozen=True, slots=True)
class Packets:
    """Numbers of good packets: ``counter`` (n,) is -1 and ``device_time_s`` (n,) NaN where there is none."""

    values: FloatArray
    counter: IntArray
    device_time_s: FloatArray

    def __len__(self) -> int:
        return len(self.values)

    def cut(self, start: int, stop: int) -> Packets:
        """Packets ``start`` … ``stop``, without the last."""
        return Packets(self.values[start:stop], self.counter[start:stop], self.device_time_s[start:stop])


def layout_of(f: PacketFormat) -> PacketLayout:
    """Make ``f`` ready for reading.

    Raises:
        UsageError: the format contradicts itself; the message names the key.
    """
    _check_format(f)
    names = [field.column for field in f.fields]
    counter = None if f.counter_column is None else names.index(f.counter_column)
    time = None if f.device_time_column is None else names.index(f.device_time_column)
    order = "<" if f.byte_order is ByteOrder.LITTLE else ">"
    check = packet_crc(f.check)
    letters = [_STRUCT[field.type] for field in f.fields]
    if counter is not None:
        letters[counter] = _unsigned(letters[counter])
    body = struct.calcsize(order + "".join(letters))
    head = _head(f, body)
    plain = struct.Struct(order + "".join(letters) + (_CHECK[check.width] if check else ""))
    places = tuple(i for i in range(len(names)) if i not in (counter, time))
    record, runs = _record(order, letters, (counter, time), len(head), check)
    return PacketLayout(
        columns=tuple(names[i] for i in places),
        head=head,
        size=len(head) + plain.size,
        check=check,
        order=f.byte_order,
        plain=plain,
        value_places=places,
        record=record,
        runs=runs,
        any_float=any(f.fields[i].type in _FLOATS for i in (*places, *(() if time is None else (time,)))),
        counter_name=f.counter_column,
        counter_place=counter,
        counter_modulus=2 if counter is None else _modulus(f.fields[counter].type, letters[counter]),
        device_time_name=f.device_time_column,
        device_time_place=time,
        device_time_scale_s=f.device_time_scale_s,
    )


def _unsigned(letter: str) -> str:
    """A signed counter wraps from its largest to its smallest number: read without sign it goes on by one."""
    return letter.upper() if letter in "bhiq" else letter


def _modulus(kind: NumberType, letter: str) -> int:
    return _FLOAT_MODULUS.get(kind) or min(1 << (8 * struct.calcsize("=" + letter)), _LARGEST_COUNTER)


def _head(f: PacketFormat, body: int) -> bytes:
    if f.framing is not Framing.LENGTH:
        return b""
    if body >= 1 << (8 * f.length_bytes):
        raise _refusal("length_bytes", f"cannot name the {body} bytes of a packet", f.length_bytes, "2")
    return f.sync + body.to_bytes(f.length_bytes, f.byte_order.value)


def _record(
    order: str, letters: Sequence[str], apart: tuple[int | None, int | None], offset: int, check: PacketCrc | None
) -> tuple[np.dtype[np.void], tuple[Run, ...]]:
    """Record type of a packet: counter, time and check value by themselves, neighbouring values of one type as one."""
    names: list[str] = []
    formats: list[object] = []
    offsets: list[int] = []
    runs: list[Run] = []
    column = 0

    def add(name: str, letter: str, count: int) -> None:
        nonlocal offset
        names.append(name)
        formats.append((order + _NUMPY[letter], (count,)) if name.startswith("run") else order + _NUMPY[letter])
        offsets.append(offset)
        offset += count * struct.calcsize("=" + letter)

    for (own, letter), group in groupby(enumerate(letters), key=lambda x: (x[0] if x[0] in apart else -1, x[1])):
        if own >= 0:
            add("counter" if own == apart[0] else "time", letter, 1)
            continue
        count = len(list(group))
        runs.append(Run(f"run{len(runs)}", column, column + count))
        add(runs[-1].name, letter, count)
        column += count
    if check is not None:
        add("check", _CHECK[check.width], 1)
    return np.dtype({"names": names, "formats": formats, "offsets": offsets, "itemsize": offset}), tuple(runs)


_NUMPY = {"B": "u1", "b": "i1", "H": "u2", "h": "i2", "I": "u4", "i": "i4", "Q": "u8", "q": "i8", "f": "f4", "d": "f8"}


def _refusal(key: str, what: str, got: object, expected: str, remedy: str = "") -> UsageError:
    return UsageError(what, where=f"packets.{key}", got=got, expected=expected, remedy=remedy)


def _check_format(f: PacketFormat) -> None:
    names = [field.column for field in f.fields]
    if not names or len(set(names)) != len(names):
        raise _refusal("fields", "fields are missing or named twice", names, "one name for each field")
    for key, name in (("counter_column", f.counter_column), ("device_time_column", f.device_time_column)):
        if name is not None and name not in names:
            raise _refusal(key, "names no field", name, f"one of {', '.join(names)}", did_you_mean(name, names))
    if f.counter_column is not None and f.counter_column == f.device_time_column:
        raise _refusal("device_time_column", "is the counter too", f.device_time_column, "a field of its own")
    if not f.value_columns:
        raise _refusal("fields", "no value is left beside counter and device time", names, "one or more")
    if not (math.isfinite(f.device_time_scale_s) and f.device_time_scale_s > 0.0):
        raise _refusal("device_time_scale_s", "not a scale", f.device_time_scale_s, "seconds per unit, above 0")
    if f.framing is Framing.LENGTH and not (f.sync and f.length_bytes in (1, 2)):
        got = (f.sync, f.length_bytes)
        raise _refusal("sync", "no start of a packet can be found", got, "one sync byte or more, and 1 or 2 of length")


def read_packets(layout: PacketLayout, packets: ByteArray) -> tuple[Packets, BoolArray]:
    """Read many packets at once: ``packets`` (k, size), and which of them are good (k,). Heads are not looked at."""
    count = len(packets)
    packets = np.ascontiguousarray(packets)
    table = packets.view(layout.record).reshape(count)
    good = np.ones(count, dtype=np.bool_)
    if layout.check is not None:
        covered = f"V{layout.size - layout.check.width}"
        bodies = np.ndarray((count,), dtype=covered, buffer=packets.data, strides=(layout.size,)).tolist()
        right = np.fromiter(map(layout.check.function, bodies), dtype=np.uint32, count=count)
        good = right == table["check"]
    values = np.empty((count, len(layout.columns)))
    with np.errstate(invalid="ignore"):  # a signalling NaN means not measured like any other
        for run in layout.runs:
            values[:, run.start : run.stop] = table[run.name]
    if layout.any_float and np.isinf(values).any():
        good &= ~np.isinf(values).any(axis=1)
    counter = np.full(count, -1, dtype=np.int64)
    if layout.counter_place is not None:
        counter = _counters(table["counter"], layout.counter_modulus, good)
    time = np.full(count, np.nan)
    if layout.device_time_place is not None:
        with np.errstate(invalid="ignore"):
            time = table["time"].astype(np.float64) * layout.device_time_scale_s
        if layout.any_float:
            good &= np.isfinite(time)
    return Packets(values, counter, time), good


def _counters(raw: npt.NDArray[np.generic], modulus: int, good: BoolArray) -> IntArray:
    """Counters as whole numbers; ``good`` is cleared where there is none."""
    if raw.dtype.kind == "f":
        with np.errstate(invalid="ignore"):
            number = raw.astype(np.float64)
        whole = (number >= 0) & (number < modulus) & (number == np.floor(number))
        good &= whole
        return np.where(whole, number, 0.0).astype(np.int64)
    if raw.dtype.itemsize == 8:  # its numbers may exceed the modulus
        good &= raw < np.uint64(modulus)
    return raw.astype(np.int64)


def read_packet(layout: PacketLayout, packet: bytes) -> Packets | Refused:
    """Read one packet of ``layout.size`` bytes, or say why not. Its head is not looked at."""
    numbers = list(layout.plain.unpack_from(packet, len(layout.head)))
    if layout.check is not None:
        given, right = numbers.pop(), layout.check.function(packet[: -layout.check.width])
        if given != right:
            digits = 2 * layout.check.width
            detail = f"check value {given:0{digits}X} does not belong to the packet, computed {right:0{digits}X}"
            return Refused(BadFrameReason.CHECKSUM, detail)
    for place, name in zip(layout.value_places, layout.columns, strict=True):
        if math.isinf(numbers[place]):
            return Refused(BadFrameReason.NOT_A_NUMBER, f"field {place + 1} ({name}) is infinite")
    counter = -1
    if layout.counter_place is not None:
        number = numbers[layout.counter_place]
        if not (0 <= number < layout.counter_modulus and number == math.floor(number)):
            expected = f"a whole number from 0 to {layout.counter_modulus - 1}"
            detail = f"counter {layout.counter_name!r} is {number:g}, not {expected}"
            return Refused(BadFrameReason.NOT_A_NUMBER, detail)
        counter = int(number)
    time = math.nan
    if layout.device_time_place is not None:
        time = numbers[layout.device_time_place] * layout.device_time_scale_s
        if not math.isfinite(time):
            return Refused(BadFrameReason.NOT_A_NUMBER, f"device time {layout.device_time_name!r} is missing")
    values = np.array([[numbers[place] for place in layout.value_places]], dtype=np.float64)
    return Packets(values, np.array([counter]), np.array([time]))


def read_other(layout: PacketLayout, frame: bytes) -> str | Refused:
    """Read a frame that has not the length of a packet: the text of an answer of the device, or why it is none.

    An answer is a frame of its own with ``>`` and ASCII text where the fields stand, and a check value where packets
    have one.
    """
    width = layout.check_bytes
    text = frame[len(layout.head) : len(frame) - width]
    if text.startswith(REPLY_PREFIX) and find_damage(text) is None and check_is_right(layout, frame):
        return text[1:].decode("ascii").strip()
    return Refused(BadFrameReason.LENGTH, f"{len(frame)} bytes, expected {layout.size}")


def check_is_right(layout: PacketLayout, frame: bytes) -> bool:
    """True when the check value at the end of ``frame`` is right, or none is declared."""
    if layout.check is None:
        return True
    width = layout.check.width
    given = int.from_bytes(frame[-width:], layout.order.value)
    return len(frame) > width and layout.check.function(frame[:-width]) == given
