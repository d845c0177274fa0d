"""Cases of the packet decoders for the contract suite."""

from __future__ import annotations

import struct
from dataclasses import replace

from benchkit.decode import cobs
from benchkit.decode.checksums import packet_crc
from benchkit.decode.datagrams import DatagramTextDecoder, record
from benchkit.decode.packets import PacketDecoder
from benchkit.model.samples import BadFrameReason
from benchkit.model.sources import (
    ByteOrder,
    Framing,
    NumberType,
    PacketCheck,
    PacketField,
    PacketFormat,
    TextFormat,
)
from tests.decode.contract import Case, bad, gap, reply, row

NAN = float("nan")

COBS = PacketFormat(
    fields=(
        PacketField("count", NumberType.U8),
        PacketField("t_us", NumberType.U32),
        PacketField("udc", NumberType.F32),
        PacketField("n", NumberType.I16),
    ),
    framing=Framing.COBS,
    check=PacketCheck.CRC16_CCITT_FALSE,
    counter_column="count",
    device_time_column="t_us",
)
LENGTH = replace(COBS, framing=Framing.LENGTH, check=PacketCheck.CRC16_MODBUS, sync=b"\xa5\x5a")
LONG = replace(
    COBS,
    fields=(*COBS.fields, *(PacketField(f"c{i}", NumberType.F64) for i in range(40))),
    framing=Framing.LENGTH,
    check=PacketCheck.CRC32,
    byte_order=ByteOrder.BIG,
    sync=b"\x7e",
    length_bytes=2,
)
LONG_COBS = replace(LONG, framing=Framing.COBS, sync=b"")
DATAGRAM = replace(COBS, framing=Framing.DATAGRAM, check=PacketCheck.CRC32)
TEXT = TextFormat(columns=("udc", "idc"), max_line_bytes=64)


def content(f: PacketFormat, *numbers: float) -> bytes:
    """Numbers of the fields as bytes, by ``struct`` alone."""
    letter = dict(zip(NumberType, "BbHhIiQqfd", strict=True))
    order = "<" if f.byte_order is ByteOrder.LITTLE else ">"
    return struct.pack(order + "".join(letter[field.type] for field in f.fields), *numbers)


def sealed(f: PacketFormat, body: bytes) -> bytes:
    """A frame around ``body`` as the device sends it: head, check value, stuffing, delimiter or record."""
    if f.framing is Framing.LENGTH:
        body = f.sync + len(body).to_bytes(f.length_bytes, f.byte_order.value) + body
    check = packet_crc(f.check)
    if check is not None:
        body += check.function(body).to_bytes(check.width, f.byte_order.value)
    match f.framing:
        case Framing.COBS:
            return cobs.encode(body) + b"\0"
        case Framing.DATAGRAM:
            return record(body)
        case Framing.LENGTH:
            return body


def packet(f: PacketFormat, *numbers: float) -> bytes:
    return sealed(f, content(f, *numbers))


def _long(f: PacketFormat, count: int) -> bytes:
    return packet(f, count, 1000 * count, 400.0, -3, *(float(i % 3) for i in range(40)))


def _long_row(count: int) -> tuple[object, ...]:
    return row(400.0, -3.0, *(float(i % 3) for i in range(40)), counter=count, device_time_s=1000 * count * 1e-6)


def _flipped(data: bytes, at: int) -> bytes:
    """One bit wrong."""
    return data[:at] + bytes([data[at] ^ 0x40]) + data[at + 1 :]


_C254 = packet(COBS, 254, 1_000_000, 400.0, 1500)
_C255 = packet(COBS, 255, 1_001_000, NAN, -1500)
_C0 = packet(COBS, 0, 1_002_000, 0.0, 0)
_C3 = packet(COBS, 3, 1_005_000, 401.0, 1500)
_BAD_COBS = _flipped(_C0, 3)
_INF = packet(COBS, 1, 0, float("inf"), 0)
_SHORT = sealed(COBS, b"123")

_L0 = packet(LENGTH, 0, 0, 400.0, 1500)
_L1 = packet(LENGTH, 1, 1000, 400.5, -1)
_L2 = packet(LENGTH, 2, 2000, 401.0, -2)
_BAD_LENGTH = _flipped(_L1, 7)

_D0 = packet(DATAGRAM, 7, 5, 400.0, 1500)

PACKET_CASES = [
    Case(
        name="cobs",
        make=lambda: PacketDecoder(COBS),
        data=_C254
        + _C255
        + b"\0\0"
        + _C0
        + sealed(COBS, b">ok stop ramp")
        + _C3
        + _BAD_COBS
        + _INF
        + _SHORT
        + b"\x05123\0"
        + b"\x01" * 300
        + b"\0",
        facts=(
            row(400.0, 1500.0, counter=254, device_time_s=1_000_000 * 1e-6),
            row(NAN, -1500.0, counter=255, device_time_s=1_001_000 * 1e-6),
            row(0.0, 0.0, counter=0, device_time_s=1_002_000 * 1e-6),
            reply("ok stop ramp"),
            gap(2, 5),
            row(401.0, 1500.0, counter=3, device_time_s=1_005_000 * 1e-6),
            bad(BadFrameReason.CHECKSUM, _BAD_COBS[:-1], 6),
            bad(BadFrameReason.NOT_A_NUMBER, _INF[:-1], 7),
            bad(BadFrameReason.LENGTH, _SHORT[:-1], 8),
            bad(BadFrameReason.STUFFING, b"\x05123", 9),
            bad(BadFrameReason.TOO_LONG, b"\x01" * 64, 10),
        ),
        garbage=bytes(range(255, -1, -1)) + b"\x02\xff\0" + _C254[3:],
        good=packet(COBS, 4, 0, 1.0, 1),
        unfinished=_C254[:-1],
        # an answer of 256 bytes, its check value and what stuffing adds
        max_frame_bytes=256 + 2 + 2,
    ),
    Case(
        name="length",
        make=lambda: PacketDecoder(LENGTH),
        data=_L0
        + _BAD_LENGTH
        + _L2
        + b"\xa5noise\xa5\x5a\xff"
        + packet(LENGTH, 3, 3000, 402.0, 0)
        + sealed(LENGTH, b">ok")
        + sealed(LENGTH, b"other kind")
        + packet(LENGTH, 4, 4000, 402.0, 0),
        facts=(
            row(400.0, 1500.0, counter=0, device_time_s=0.0),
            bad(BadFrameReason.CHECKSUM, _BAD_LENGTH, 2),
            gap(1, 3),
            row(401.0, -2.0, counter=2, device_time_s=2000 * 1e-6),
            bad(BadFrameReason.NO_SYNC, b"\xa5noise\xa5\x5a\xff", 4),
            row(402.0, 0.0, counter=3, device_time_s=3000 * 1e-6),
            reply("ok"),
            bad(BadFrameReason.NO_SYNC, sealed(LENGTH, b"other kind"), 7),
            row(402.0, 0.0, counter=4, device_time_s=4000 * 1e-6),
        ),
        garbage=_L0[5:] + _L0[2:] + bytes(600) + _BAD_LENGTH,
        good=packet(LENGTH, 5, 0, 1.0, 1),
        unfinished=_L0[:-1],
        max_frame_bytes=2 + 1 + 256 + 2,
    ),
    Case(
        name="length, longer than a byte can count",
        make=lambda: PacketDecoder(LONG),
        data=b"".join(_long(LONG, i) for i in range(9)) + b"\x7e" + _long(LONG, 9),
        facts=(*map(_long_row, range(9)), bad(BadFrameReason.NO_SYNC, b"\x7e", 10), _long_row(9)),
        garbage=_long(LONG, 3)[:-1] + b"\x7f" * 400,
        good=_long(LONG, 10),
        unfinished=_long(LONG, 10)[:-1],
        max_frame_bytes=338,
    ),
    Case(
        name="cobs, longer than one run",
        make=lambda: PacketDecoder(LONG_COBS),
        data=b"".join(_long(LONG_COBS, i) for i in range(9)),
        facts=tuple(map(_long_row, range(9))),
        garbage=_long(LONG_COBS, 3)[7:],
        good=_long(LONG_COBS, 9),
        unfinished=_long(LONG_COBS, 9)[:-1],
        max_frame_bytes=338,
    ),
    Case(
        name="datagrams",
        make=lambda: PacketDecoder(DATAGRAM),
        data=_D0 + record(b"") + sealed(DATAGRAM, b">ok") + record(_D0[6:-1]) + packet(DATAGRAM, 9, 6, 1.0, 1),
        facts=(
            row(400.0, 1500.0, counter=7, device_time_s=5 * 1e-6),
            bad(BadFrameReason.LENGTH, b"", 2),
            reply("ok"),
            bad(BadFrameReason.LENGTH, _D0[6:-1], 4),
            gap(1, 5),
            row(1.0, 1.0, counter=9, device_time_s=6 * 1e-6),
        ),
        garbage=record(bytes(range(256))) + _flipped(_D0, 12),
        good=packet(DATAGRAM, 10, 6, 1.0, 1),
        unfinished=_D0[:-1],
        # our own record names up to 65535 bytes
        max_frame_bytes=65_541,
    ),
    Case(
        name="text datagrams",
        make=lambda: DatagramTextDecoder(TEXT),
        data=record(b"1,2\n3,4") + record(b">ok\r\n") + record(b"5") + record(b"") + record(b"7,8\n"),
        facts=(
            row(1.0, 2.0),
            row(3.0, 4.0),
            reply("ok"),
            bad(BadFrameReason.FIELD_COUNT, b"5", 4),
            row(7.0, 8.0),
        ),
        garbage=record(bytes(range(256))) + record(b"1,2,3"),
        good=record(b"1,2"),
        unfinished=record(b"1,2")[:-1],
        max_frame_bytes=65_541,
    ),
]
