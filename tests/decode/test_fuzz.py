"""Random and damaged bytes: no crash, bounded memory, and with a check value no wrong number becomes a sample."""

from __future__ import annotations

import random
import tracemalloc

import numpy as np
import pytest

from benchkit.decode.text import TextDecoder
from benchkit.model.samples import Rows
from benchkit.model.sources import Checksum, TextFormat
from tests.decode.contract import drain
from tests.decode.oracle import rows_of
from tests.decode.text_cases import checked

# 32 bits: of ten million damaged bytes not one row gets through by chance (16 bits let 1 in 65 536 through).
FORMAT = TextFormat(
    columns=("count", "udc", "idc", "n"),
    checksum=Checksum.CRC32,
    counter_column="count",
    counter_modulus=2**32,
    max_line_bytes=128,
)
BARE = TextFormat(columns=("udc", "idc", "n"), max_line_bytes=128)


def _truth(number: int) -> tuple[float, float, float]:
    return number / 8, -number / 4, float(number % 4096)


def _line(number: int) -> bytes:
    return checked(",".join(repr(v) for v in (number, *_truth(number))), FORMAT)


def _damage(data: bytes, chance: random.Random) -> bytes:  # noqa: PLR0911 - one return for each way
    """One of the ways in which bytes go wrong on a link."""
    at, length = chance.randrange(len(data)), chance.randrange(1, 40)
    match chance.randrange(7):
        case 0:
            return data[:at] + bytes([data[at] ^ (1 << chance.randrange(8))]) + data[at + 1 :]
        case 1:
            return data[:at] + data[at + length :]
        case 2:
            return data[:at] + chance.randbytes(length) + data[at:]
        case 3:
            return data[:at] + data[at : at + length] + data[at:]
        case 4:
            return data[:at] + b"\0" * length + data[at + length :]
        case 5:
            return data[:at] + b"\xff" * length * 10 + data[at:]
        case _:
            return data[:at] + b"\n" + data[at:]


def _fuzz(total: int, seed: int) -> tuple[int, int]:
    chance = random.Random(seed)
    decoder = TextDecoder(FORMAT)
    fed = number = taken = other = 0
    arrival_ns = 0
    while fed < total:
        piece = b"".join(_line(number + i) for i in range(8))
        number += 8
        if chance.random() < 0.5:
            for _ in range(chance.randrange(1, 4)):
                piece = _damage(piece, chance)
        fed += len(piece)
        while piece:
            size = chance.randrange(1, 400)
            arrival_ns += 1
            decoder.feed(piece[:size], arrival_ns)
            piece = piece[size:]
            for event in drain(decoder):
                if isinstance(event, Rows):
                    for count, values in zip(event.counter.tolist(), event.values.tolist(), strict=True):
                        assert tuple(values) == _truth(count), "a wrong sample was accepted"
                    taken += len(event)
                else:
                    other += 1
    return taken, other


@pytest.mark.parametrize("seed", [1, 2])
def test_damaged_lines_never_give_a_wrong_sample(seed: int) -> None:
    taken, other = _fuzz(200_000, seed)
    # Half the pieces are whole: well over half of the 200 000 bytes / 44 bytes a line come through, and damage is told.
    assert taken > 2000
    assert other > 200


def test_random_bytes_agree_with_the_plain_reader() -> None:
    chance = random.Random(3)
    alphabet = b"0123456789.,,+-eE\n\n\r nan>\x00*\xff"
    data = bytes(chance.choices(alphabet, weights=[3] * 16 + [1] * (len(alphabet) - 16), k=200_000))
    decoder = TextDecoder(BARE)
    found: list[list[float]] = []
    for at in range(0, len(data), 777):
        decoder.feed(data[at : at + 777], at)
        found += [values for event in drain(decoder) if isinstance(event, Rows) for values in event.values.tolist()]
    expected = rows_of(data, BARE)
    assert len(expected) > 10
    np.testing.assert_equal(found, expected)


def test_pure_noise_keeps_memory_bounded() -> None:
    chance = random.Random(4)
    noise = [chance.randbytes(4096) for _ in range(50)]
    decoder = TextDecoder(FORMAT)
    tracemalloc.start()
    try:
        for arrival_ns, piece in enumerate(noise):
            decoder.feed(piece, arrival_ns)
            assert not any(isinstance(event, Rows) for event in drain(decoder))
        kept, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert kept < 16_384


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_ten_million_damaged_bytes() -> None:
    taken, other = _fuzz(10_000_000, 5)
    assert taken > 100_000
    assert other > 10_000
