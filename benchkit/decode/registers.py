"""Modbus registers: which to read together, what their words say, and the records of such sweeps.

The content of an answered record (:mod:`benchkit.decode.records`) are the words of all registers in the order of the
profile, each word big-endian as on the wire: 2 bytes for u16 and i16, 4 for u32, i32 and f32, 8 for the longer ones.
Which read brought which word does not matter any more.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from operator import itemgetter

import numpy as np

from benchkit.decode.records import RecordDecoder, UnusableReplyError
from benchkit.errors import UsageError
from benchkit.model.samples import BadFrameReason
from benchkit.model.sources import ByteOrder, ModbusRegister, ModbusSetPoint, ModbusTable, NumberType, words_of

MOST_WORDS = 125
"""Registers of one read at most (MODBUS Application Protocol Specification V1.1b3, 6.3)."""

_CODES = {
    NumberType.U16: "H", NumberType.I16: "h", NumberType.U32: "I", NumberType.I32: "i",
    NumberType.U64: "Q", NumberType.I64: "q", NumberType.F32: "f", NumberType.F64: "d",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Read:
    """One request: ``count`` registers of ``table`` from ``address``."""

    table: ModbusTable
    address: int
    count: int

    def __str__(self) -> str:
        last = self.address + self.count - 1
        return f"{self.table.value} {self.address}" + (f"…{last}" if last > self.address else "")


def plan_reads(registers: Sequence[ModbusRegister], largest_gap: int = 0) -> tuple[Read, ...]:
    """The fewest reads, in ascending order, that bring all ``registers``.

    Registers of a table are read together where at most ``largest_gap`` unused addresses lie between them and the
    read stays within 125 registers. No number is ever split over two reads.

    >>> plan_reads([ModbusRegister(c, ModbusTable.HOLDING, a, NumberType.F32) for c, a in [("udc", 0), ("idc", 4)]], 2)
    (Read(table=<ModbusTable.HOLDING: 'holding'>, address=0, count=6),)
    """
    reads: list[Read] = []
    for table in ModbusTable:
        spans = sorted((r.address, r.address + words_of(r.type)) for r in registers if r.table is table)
        start = stop = -1
        for first, end in spans:
            if start >= 0 and first - stop <= largest_gap and max(stop, end) - start <= MOST_WORDS:
                stop = max(stop, end)
                continue
            if start >= 0:
                reads.append(Read(table, start, stop - start))
            start, stop = first, end
        if start >= 0:
            reads.append(Read(table, start, stop - start))
    return tuple(reads)


def gather(registers: Sequence[ModbusRegister], answers: Sequence[tuple[Read, bytes]]) -> bytes:
    """The words of ``registers`` in their order, out of the answers to the planned reads (big-endian words)."""
    parts = []
    for register in registers:
        size = 2 * words_of(register.type)
        for read, words in answers:
            at = 2 * (register.address - read.address)
            if read.table is register.table and at >= 0 and at + size <= len(words):
                parts.append(words[at : at + size])
                break
        else:
            raise UsageError("no read of the plan brings this register", got=register.column)
    return b"".join(parts)


class RegisterDecoder(RecordDecoder):
    """Decoder of the records of a Modbus source: one row a sweep, numbers scaled as the profile says."""

    def __init__(self, registers: Sequence[ModbusRegister]) -> None:
        self._words = RegisterWords(registers)
        columns = tuple(register.column for register in registers)
        super().__init__(columns, self._words.values, self._words.size)


class RegisterWords:
    """From the words of a sweep to its numbers: ``gain · number + offset``.

    Numbers of 64 bits are exact up to 2⁵³. Floating-point words that are infinite or not a number are *not measured*.
    """

    def __init__(self, registers: Sequence[ModbusRegister]) -> None:
        self._numbers = struct.Struct(">" + "".join(_CODES[r.type] for r in registers))
        order: list[int] = []
        for register in registers:
            words = list(range(words_of(register.type)))
            at = len(order)
            if register.word_order is ByteOrder.LITTLE:
                words.reverse()
            order += [at + 2 * word + byte for word in words for byte in (0, 1)]
        self._reorder = None if order == sorted(order) else itemgetter(*order)
        self._gain = np.array([r.gain for r in registers])
        self._offset = np.array([r.offset for r in registers])

    @property
    def size(self) -> int:
        """Bytes of one sweep."""
        return self._numbers.size

    def values(self, content: bytes) -> list[float]:
        """The numbers of one sweep, in the order of the registers.

        Raises:
            UnusableReplyError: the content is of another length.
        """
        if len(content) != self._numbers.size:
            detail = f"{len(content)} bytes of registers, expected {self._numbers.size}"
            raise UnusableReplyError(BadFrameReason.FIELD_COUNT, detail)
        if self._reorder is not None:
            content = bytes(self._reorder(content))
        numbers = np.array(self._numbers.unpack(content), dtype=np.float64)
        numbers[~np.isfinite(numbers)] = np.nan
        values: list[float] = (self._gain * numbers + self._offset).tolist()
        return values


def words_for(set_point: ModbusSetPoint, value: float) -> list[int]:
    """The words (0 … 65535) that write ``value`` to the registers of ``set_point``.

    Raises:
        UsageError: the value does not fit its type.
    """
    raw = (value - set_point.offset) / set_point.gain
    number: float | int = raw
    if set_point.type not in (NumberType.F32, NumberType.F64) and math.isfinite(raw):
        number = round(raw)
    try:
        packed = struct.pack(">" + _CODES[set_point.type], number)
    except (struct.error, OverflowError) as error:
        raise UsageError(
            "the value does not fit the register",
            where=f"set_points.{set_point.name}",
            got=value,
            expected=f"a number that {set_point.type.value} holds",
            remedy="Check the value, and gain and type of the set-point in the profile.",
        ) from error
    words = list(struct.unpack(f">{len(packed) // 2}H", packed))
    return words[::-1] if set_point.word_order is ByteOrder.LITTLE else words
