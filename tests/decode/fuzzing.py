"""Frames of known numbers, some of them damaged on the way, and every row compared with what was sent."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, replace

from benchkit.decode.contract import Decoder
from benchkit.decode.packets import PacketDecoder
from benchkit.decode.text import TextDecoder
from benchkit.model.samples import Rows
from benchkit.model.sources import (
    Checksum,
    Framing,
    NumberType,
    PacketCheck,
    PacketField,
    PacketFormat,
    TextFormat,
)
from tests.decode.contract import drain
from tests.decode.packet_cases import packet
from tests.decode.text_cases import checked

# 32 bits of check value: of ten million damaged bytes not one row gets through by chance (16 bits let 1 in 65 536).
TEXT = TextFormat(
    columns=("count", "udc", "idc", "n"),
    checksum=Checksum.CRC32,
    counter_column="count",
    counter_modulus=2**32,
    max_line_bytes=128,
)
COBS = PacketFormat(
    fields=(
        PacketField("count", NumberType.U32),
        PacketField("udc", NumberType.F32),
        PacketField("idc", NumberType.F64),
        PacketField("n", NumberType.I16),
    ),
    framing=Framing.COBS,
    check=PacketCheck.CRC32,
    counter_column="count",
)
LENGTH = replace(COBS, framing=Framing.LENGTH, sync=b"\xa5\x5a")
DATAGRAM = replace(COBS, framing=Framing.DATAGRAM)
_RECORD_HEAD = 6
_TOGETHER = 8
"""Frames that are damaged together, one time in two."""


@dataclass
class Found:
    """What came of fuzzed bytes."""

    sent: int = 0
    damages: int = 0
    rows: int = 0
    wrong: int = 0
    """Rows whose numbers are not those that were sent under their counter."""
    other: int = 0


def truth(number: int) -> tuple[float, float, float]:
    """Numbers of frame ``number``, exact in every type of the formats above."""
    return number % 4096 / 8, -number / 4, float(number % 30_000)


def fuzz(f: TextFormat | PacketFormat, total: int, seed: int) -> Found:
    """Send ``total`` bytes of frames, in pieces of any size."""
    chance = random.Random(seed)
    decoder: Decoder = TextDecoder(f) if isinstance(f, TextFormat) else PacketDecoder(f)
    frame, spoil = _ways(f)
    found = Found()
    fed = arrival_ns = 0
    while fed < total:
        piece = b"".join(frame(found.sent + i) for i in range(_TOGETHER))
        found.sent += _TOGETHER
        if chance.random() < 0.5:
            for _ in range(chance.randrange(1, 4)):
                piece = spoil(piece, chance)
                found.damages += 1
        fed += len(piece)
        while piece:
            size = chance.randrange(1, 400)
            arrival_ns += 1
            decoder.feed(piece[:size], arrival_ns)
            piece = piece[size:]
            _judge(decoder, found)
    return found


def _ways(
    f: TextFormat | PacketFormat,
) -> tuple[Callable[[int], bytes], Callable[[bytes, random.Random], bytes]]:
    """How a frame is made and how frames are damaged."""
    if isinstance(f, TextFormat):
        if f.checksum is Checksum.NONE:
            return (lambda number: _text(number).encode() + b"\n"), damage
        return (lambda number: checked(_text(number), f)), damage

    def frame(number: int) -> bytes:
        udc, idc, n = truth(number)
        return packet(f, number, udc, idc, int(n))

    return frame, (_spoil_datagram if f.framing is Framing.DATAGRAM else damage)


def _text(number: int) -> str:
    return ",".join(map(repr, (number, *truth(number))))


def damage(data: bytes, chance: random.Random) -> bytes:  # noqa: PLR0911 - one return for each way
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


def _spoil_datagram(records: bytes, chance: random.Random) -> bytes:
    """Damage what one datagram holds. Its record is our own and comes as it was made."""
    found = []
    at = 0
    while at < len(records):
        end = at + _RECORD_HEAD + int.from_bytes(records[at + 4 : at + _RECORD_HEAD], "big")
        found.append(records[at:end])
        at = end
    which = chance.randrange(len(found))
    body = damage(found[which][_RECORD_HEAD:] or b"\0", chance)
    found[which] = found[which][:4] + len(body).to_bytes(2, "big") + body
    return b"".join(found)


def _judge(decoder: Decoder, found: Found) -> None:
    for event in drain(decoder):
        if not isinstance(event, Rows):
            found.other += 1
            continue
        found.rows += len(event)
        for count, values in zip(event.counter.tolist(), event.values.tolist(), strict=True):
            found.wrong += not (count <= found.sent and tuple(values) == truth(count))
