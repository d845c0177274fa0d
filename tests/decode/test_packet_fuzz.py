"""Random and damaged packets: no crash, bounded memory, and with a check value no wrong number becomes a sample.

Where no check value is declared, wrong rows that get through are counted; ``docs/reference/decoders.md`` has figures.
"""

from __future__ import annotations

import random
import tracemalloc
from dataclasses import replace

import pytest

from benchkit.decode.packets import PacketDecoder
from benchkit.model.samples import Rows
from benchkit.model.sources import Framing, PacketCheck, PacketFormat
from tests.decode.contract import drain
from tests.decode.fuzzing import COBS, DATAGRAM, LENGTH, fuzz

SIXTEEN = [replace(COBS, check=PacketCheck.CRC16_MODBUS), replace(LENGTH, check=PacketCheck.CRC16_CCITT_FALSE)]
BARE = [replace(COBS, check=PacketCheck.NONE), replace(LENGTH, check=PacketCheck.NONE)]

each_checked = pytest.mark.parametrize("f", [COBS, LENGTH, DATAGRAM], ids=lambda f: f.framing.value)


@each_checked
@pytest.mark.parametrize("seed", [1, 2])
def test_damaged_packets_never_give_a_wrong_sample(f: PacketFormat, seed: int) -> None:
    found = fuzz(f, 200_000, seed)
    assert found.wrong == 0
    # Half the pieces are whole, and of the others most packets: more than half come through, and damage is told.
    assert found.rows > found.sent / 2
    assert found.other > 200


@pytest.mark.parametrize("f", SIXTEEN, ids=lambda f: f.framing.value)
def test_sixteen_bits_of_check_value(f: PacketFormat) -> None:
    # About 4000 damaged packets with 1 chance in 65 536 each: none of these seeds lets one through.
    assert fuzz(f, 200_000, 3).wrong == 0


@pytest.mark.parametrize("f", BARE, ids=lambda f: f.framing.value)
def test_without_check_value_wrong_rows_get_through(f: PacketFormat) -> None:
    found = fuzz(f, 200_000, 4)
    # The test is sharp enough to see them, and most rows are right all the same.
    assert 0 < found.wrong < 0.2 * found.rows


@each_checked
def test_noise_gives_no_row_and_keeps_memory_bounded(f: PacketFormat) -> None:
    chance = random.Random(5)
    noise = [chance.randbytes(4096) for _ in range(50)]
    decoder = PacketDecoder(f)
    tracemalloc.start()
    try:
        for arrival_ns, piece in enumerate(noise):
            decoder.feed(piece, arrival_ns)
            assert not any(isinstance(event, Rows) for event in drain(decoder))
        kept, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    # A record of a datagram names up to 65 535 bytes.
    assert kept < (100_000 if f.framing is Framing.DATAGRAM else 16_384)


@each_checked
@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_ten_million_damaged_bytes(f: PacketFormat) -> None:
    found = fuzz(f, 10_000_000, 6)
    assert found.wrong == 0
    assert found.rows > found.sent / 2
    assert found.other > 10_000
