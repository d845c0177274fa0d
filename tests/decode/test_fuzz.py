"""Random and damaged bytes: no crash, bounded memory, and with a check value no wrong number becomes a sample."""

from __future__ import annotations

import random
import tracemalloc

import numpy as np
import pytest

from benchkit.decode.text import TextDecoder
from benchkit.model.samples import Rows
from benchkit.model.sources import TextFormat
from tests.decode.contract import drain
from tests.decode.fuzzing import TEXT, fuzz
from tests.decode.oracle import rows_of

BARE = TextFormat(columns=("udc", "idc", "n"), max_line_bytes=128)


@pytest.mark.parametrize("seed", [1, 2])
def test_damaged_lines_never_give_a_wrong_sample(seed: int) -> None:
    found = fuzz(TEXT, 200_000, seed)
    assert found.wrong == 0
    # Half the pieces are whole: well over half of the 200 000 bytes / 44 bytes a line come through, and damage is told.
    assert found.rows > 2000
    assert found.other > 200


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
    decoder = TextDecoder(TEXT)
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
    found = fuzz(TEXT, 10_000_000, 5)
    assert found.wrong == 0
    assert found.rows > 100_000
    assert found.other > 10_000
