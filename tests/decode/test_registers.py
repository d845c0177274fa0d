"""What words of Modbus registers say, and which registers are read together."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.decode.records import UnusableReplyError
from benchkit.decode.registers import MOST_WORDS, Read, RegisterWords, gather, plan_reads, words_for
from benchkit.errors import UsageError
from benchkit.model.sources import ByteOrder, ModbusRegister, ModbusSetPoint, ModbusTable, NumberType, words_of

HOLDING, INPUT = ModbusTable.HOLDING, ModbusTable.INPUT
TYPES = [t for t in NumberType if t not in (NumberType.U8, NumberType.I8)]


def register(address: int, kind: NumberType = NumberType.U16, table: ModbusTable = HOLDING) -> ModbusRegister:
    return ModbusRegister(f"{table.value}_{address}", table, address, kind)


# 0x41C80000 is 25.0 in IEEE 754 single precision: sign 0, exponent 131 - 127 = 4, fraction 0x480000 = 0.5625;
# (1 + 0.5625) · 2⁴ = 25. 0x4039000000000000 is the same in double precision.
@pytest.mark.parametrize(
    ("kind", "order", "words", "value"),
    [
        (NumberType.U16, ByteOrder.BIG, "FFFE", 65534),
        (NumberType.I16, ByteOrder.BIG, "FFFE", -2),
        (NumberType.U32, ByteOrder.BIG, "00010002", 65538),
        (NumberType.U32, ByteOrder.LITTLE, "00020001", 65538),
        (NumberType.I32, ByteOrder.BIG, "FFFFFFFE", -2),
        (NumberType.I32, ByteOrder.LITTLE, "FFFEFFFF", -2),
        (NumberType.F32, ByteOrder.BIG, "41C80000", 25),
        (NumberType.F32, ByteOrder.LITTLE, "000041C8", 25),
        (NumberType.F64, ByteOrder.BIG, "4039000000000000", 25),
        (NumberType.F64, ByteOrder.LITTLE, "0000000000004039", 25),
        (NumberType.U64, ByteOrder.LITTLE, "0002000000000001", 2**48 + 2),
        (NumberType.I64, ByteOrder.BIG, "FFFFFFFFFFFFFFFE", -2),
    ],
)
def test_types_and_word_order(kind: NumberType, order: ByteOrder, words: str, value: float) -> None:
    # between two others, so that a reordering that reaches too far is seen
    registers = (register(0), ModbusRegister("x", HOLDING, 10, kind, order), register(20))
    assert RegisterWords(registers).values(bytes.fromhex(f"0001{words}0002")) == [1, value, 2]


def test_gain_and_offset() -> None:
    words = RegisterWords([ModbusRegister("t", INPUT, 0, NumberType.I16, gain=0.1, offset=-273.15)])
    assert words.values(bytes.fromhex("0BB8")) == [pytest.approx(3000 * 0.1 - 273.15)]


def test_words_that_are_no_number_are_not_measured() -> None:
    words = RegisterWords([register(0, NumberType.F32), register(2, NumberType.F32), register(4)])
    first, second, third = words.values(struct.pack(">ffH", math.inf, math.nan, 7))
    assert math.isnan(first)
    assert math.isnan(second)
    assert third == 7


def test_another_length_is_refused() -> None:
    with pytest.raises(UnusableReplyError, match="3 bytes of registers, expected 2"):
        RegisterWords([register(0)]).values(b"abc")


def test_neighbours_are_read_together() -> None:
    registers = [register(4, NumberType.F32), register(0), register(1, NumberType.F32), register(1, table=INPUT)]
    assert plan_reads(registers) == (Read(HOLDING, 0, 3), Read(HOLDING, 4, 2), Read(INPUT, 1, 1))
    assert plan_reads(registers, largest_gap=1) == (Read(HOLDING, 0, 6), Read(INPUT, 1, 1))


def test_a_read_has_125_registers_at_most_and_splits_no_number() -> None:
    assert plan_reads([register(i) for i in range(300)]) == (
        Read(HOLDING, 0, 125),
        Read(HOLDING, 125, 125),
        Read(HOLDING, 250, 50),
    )
    # 62 whole numbers of two registers in 125
    assert plan_reads([register(2 * i, NumberType.F32) for i in range(70)])[0] == Read(HOLDING, 0, 124)


@given(
    st.lists(st.tuples(st.integers(0, 400), st.sampled_from(TYPES), st.sampled_from(ModbusTable)), min_size=1),
    st.integers(0, 120),
)
def test_every_plan_brings_every_register(places: list[tuple[int, NumberType, ModbusTable]], largest_gap: int) -> None:
    registers = [register(*place) for place in places]
    plan = plan_reads(registers, largest_gap)
    assert all(1 <= read.count <= MOST_WORDS for read in plan)
    assert list(plan) == sorted(plan, key=lambda read: (list(ModbusTable).index(read.table), read.address))
    # a device whose word at an address is the address itself
    answers = [(r, struct.pack(f">{r.count}H", *range(r.address, r.address + r.count))) for r in plan]
    expected = [a + i for a, kind, _ in places for i in range(words_of(kind))]
    assert gather(registers, answers) == struct.pack(f">{len(expected)}H", *expected)


def test_a_register_outside_the_plan() -> None:
    with pytest.raises(UsageError, match="no read of the plan brings this register"):
        gather([register(5)], [(Read(HOLDING, 0, 5), bytes(10))])


@pytest.mark.parametrize("kind", TYPES)
@pytest.mark.parametrize("order", ByteOrder)
def test_what_is_written_reads_back(kind: NumberType, order: ByteOrder) -> None:
    point = ModbusSetPoint("x", 0, kind, order, gain=0.5, offset=-10.0)
    words = words_for(point, 2490.0)
    assert len(words) == words_of(kind)
    read = RegisterWords([ModbusRegister("x", HOLDING, 0, kind, order, 0.5, -10.0)])
    assert read.values(struct.pack(f">{len(words)}H", *words)) == [2490.0]


@pytest.mark.parametrize("value", [65536.0, -1.0, math.nan, math.inf])
def test_what_does_not_fit_is_not_written(value: float) -> None:
    with pytest.raises(UsageError, match=r"set_points\.speed: the value does not fit the register .*u16 holds"):
        words_for(ModbusSetPoint("speed", 0, NumberType.U16), value)
