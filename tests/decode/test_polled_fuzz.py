"""Random and damaged bytes through the decoders of polled instruments, and through the reader of SCPI answers."""

from __future__ import annotations

import random
import struct
import tracemalloc

import pytest

from benchkit.decode.contract import Decoder
from benchkit.decode.records import UnusableReplyError
from benchkit.decode.registers import RegisterDecoder
from benchkit.decode.scpi import MAX_REPLY, ReplyReader, ScpiDecoder, reply_values
from benchkit.model.samples import Rows
from benchkit.model.sources import ModbusRegister, ModbusTable, NumberType, ScpiQuery, ScpiReply
from tests.decode.contract import drain
from tests.decode.fuzzing import damage
from tests.decode.record_cases import sweep_of_answers

REGISTERS = tuple(ModbusRegister(name, ModbusTable.HOLDING, i, NumberType.I32) for i, name in enumerate("abcd"))
QUERIES = (ScpiQuery("A?", ("a", "b")), ScpiQuery("C?", ("c", "d"), ScpiReply.BLOCK, NumberType.I16))


def numbers_of(sweep: int) -> tuple[int, int, int, int]:
    """Four numbers that say of which sweep they are: a wrong one is seen."""
    low = sweep % 30_000
    return low, -low, low ^ 0x55, low // 2


def registers_record(sweep: int) -> bytes:
    from benchkit.decode.records import Outcome, record

    return record(Outcome.ANSWERED, sweep, struct.pack(">4i", *numbers_of(sweep)))


def answers_record(sweep: int) -> bytes:
    a, b, c, d = numbers_of(sweep)
    return sweep_of_answers(sweep, b"%d,%d" % (a, b), b"#14" + struct.pack(">2h", c, d))


DECODERS = {
    "registers": (lambda: RegisterDecoder(REGISTERS), registers_record),
    "answers": (lambda: ScpiDecoder(QUERIES), answers_record),
}


def fuzz(name: str, total: int, seed: int) -> tuple[int, int]:
    """Feed so many bytes, half of the pieces damaged; return rows taken and other events."""
    make, of_sweep = DECODERS[name]
    chance = random.Random(seed)
    decoder: Decoder = make()
    fed = sweep = rows = other = 0
    while fed < total:
        piece = b"".join(of_sweep(sweep + i) for i in range(8))
        sweep += 8
        if chance.random() < 0.5:
            for _ in range(chance.randrange(1, 4)):
                piece = damage(piece, chance)
        fed += len(piece)
        while piece:
            size = chance.randrange(1, 400)
            decoder.feed(piece[:size], fed)
            piece = piece[size:]
            for event in drain(decoder):
                if isinstance(event, Rows):
                    rows += len(event)
                    for a, b, c, d in event.values.tolist():
                        assert (a, b, c, d) == numbers_of(int(a)), "a wrong sample was accepted"
                else:
                    other += 1
    return rows, other


@pytest.mark.parametrize("name", DECODERS)
def test_damaged_records_never_give_a_wrong_sample(name: str) -> None:
    rows, other = fuzz(name, 200_000, 1)
    # Half the pieces are whole; a record has 29 bytes of registers or about 35 of answers.
    assert rows > 2000
    assert other > 200


@pytest.mark.parametrize("name", DECODERS)
def test_pure_noise_keeps_memory_bounded(name: str) -> None:
    chance = random.Random(4)
    noise = [chance.randbytes(4096) for _ in range(50)]
    decoder: Decoder = DECODERS[name][0]()
    tracemalloc.start()
    try:
        for piece in noise:
            decoder.feed(piece, 1)
            assert not any(isinstance(event, Rows) for event in drain(decoder))
        kept, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert kept < 200_000  # the longest record has 65 kB


@pytest.mark.soak
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("name", DECODERS)
def test_ten_million_damaged_bytes(name: str) -> None:
    rows, other = fuzz(name, 10_000_000, 5)
    assert rows > 100_000
    assert other > 10_000


def read_all(total: int, seed: int) -> int:
    """Noise that looks like answers, in pieces and whole: the same answers, none that crashes the parser."""
    chance = random.Random(seed)
    signs = [bytes([sign]) for sign in b"0123456789+-.,eE#\n\r \xff"] + [b"#14abcd\n", b"#0ab\n", b"1.5,-2E-3\n", b"#3"]
    data = b"".join(chance.choices(signs, k=total))
    whole, pieces = ReplyReader(), ReplyReader()
    found: list[bytes] = []
    at = 0
    while at < len(data):
        size = chance.randrange(1, 300)
        pieces.feed(data[at : at + size])
        whole.feed(data[at : at + size])
        at += size
        while (reply := pieces.next_reply()) is not None:
            found.append(reply)
    assert found == list(iter(whole.next_reply, None))
    for reply in found:
        for query in QUERIES:
            try:
                values = reply_values(query, reply)
            except UnusableReplyError:
                continue
            assert len(values) == 2
    return len(found)


def test_answers_are_the_same_in_any_pieces() -> None:
    assert read_all(200_000, 6) > 1000


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_answers_are_the_same_in_any_pieces_of_ten_million_bytes() -> None:
    assert read_all(10_000_000, 7) > 50_000


def test_an_answer_without_end_is_dropped() -> None:
    reader = ReplyReader()
    for _ in range(40):
        reader.feed(b"1" * 4096)
        assert reader.next_reply() is None
        assert len(reader.waiting) <= MAX_REPLY
    reader.feed(b"1\n2.5\n")
    assert reader.next_reply() == b"2.5"
    assert reader.next_reply() is None
