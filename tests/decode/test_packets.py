"""Binary packets: many at once like one by one, wraps, joining midway, formats that contradict themselves."""

from __future__ import annotations

import doctest
import math
import struct
from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.decode import checksums, cobs, datagrams
from benchkit.decode.build import decoder_for
from benchkit.decode.datagrams import DatagramTextDecoder, record
from benchkit.decode.packet_layout import Packets, layout_of, read_packet, read_packets
from benchkit.decode.packets import PacketDecoder
from benchkit.errors import UsageError
from benchkit.model.samples import BadFrame, BadFrameReason, Rows
from benchkit.model.sources import (
    ByteOrder,
    Framing,
    NumberType,
    PacketCheck,
    PacketField,
    PacketFormat,
    SerialPacketSource,
    TextFormat,
    UdpSource,
)
from tests.decode.contract import cut, decode, details, facts, gap, row
from tests.decode.packet_cases import COBS, DATAGRAM, LENGTH, LONG, LONG_COBS, content, packet, sealed

NONE = replace(COBS, check=PacketCheck.NONE)
BARE_LENGTH = replace(LENGTH, check=PacketCheck.NONE)
MIXED = replace(
    COBS,
    fields=(
        PacketField("a", NumberType.F32),
        PacketField("count", NumberType.I8),
        PacketField("b", NumberType.U64),
        PacketField("c", NumberType.U64),
        PacketField("t_us", NumberType.F32),
        PacketField("d", NumberType.I8),
    ),
    byte_order=ByteOrder.BIG,
    check=PacketCheck.CRC32,
    device_time_scale_s=1e-3,
)
FORMATS = [COBS, LENGTH, LONG, LONG_COBS, DATAGRAM, NONE, BARE_LENGTH, MIXED, replace(MIXED, counter_column=None)]
each_format = pytest.mark.parametrize("f", FORMATS, ids=lambda f: f"{f.framing}-{f.check}-{len(f.fields)}")


@settings(deadline=None, max_examples=200)
@given(data=st.binary(max_size=600), share=st.integers(0, 255))
def test_stuffing_there_and_back(data: bytes, share: int) -> None:
    data = bytes(byte if byte > share else 0 for byte in data)  # from nearly no zeros to zeros only
    stuffed = cobs.encode(data)
    assert 0 not in stuffed
    assert len(stuffed) <= cobs.most_encoded(len(data))
    assert cobs.decode(stuffed) == data


@settings(deadline=None, max_examples=100)
@given(
    bodies=st.lists(st.binary(min_size=9, max_size=9), min_size=1, max_size=20),
    noise=st.lists(st.binary(min_size=10, max_size=10).map(lambda x: x.replace(b"\0", b"\3")), max_size=20),
)
def test_many_are_unstuffed_like_one(bodies: list[bytes], noise: list[bytes]) -> None:
    frames = [*map(cobs.encode, bodies), *noise]
    table = np.frombuffer(b"".join(frames), dtype=np.uint8).reshape(len(frames), 10)
    found, fit = cobs.unstuff(table)
    plain = [cobs.decode(frame) for frame in frames]
    assert fit.tolist() == [one is not None for one in plain]
    assert [body.tobytes() for body in found[fit]] == [one for one in plain if one is not None]


@each_format
@settings(deadline=None, max_examples=15)
@given(chance=st.randoms(use_true_random=False))
def test_many_are_read_like_one(f: PacketFormat, chance: object) -> None:
    layout = layout_of(f)
    random = np.random.default_rng(chance.randrange(2**32))  # type: ignore[attr-defined]
    # Random bits reach every number, NaN and infinity too; half of them get a right check value.
    packets = []
    for number in range(24):
        body = layout.head + random.bytes(layout.size - len(layout.head) - layout.check_bytes)
        if number % 3 == 0:
            body = body[:-4] + struct.pack("<f", math.inf) if number % 2 else body[:-4] + b"\xff\xc0\0\0"
        if layout.check is not None:
            value = layout.check.function(body) ^ (number % 2)
            body += value.to_bytes(layout.check.width, f.byte_order.value)
        packets.append(body)
    many, good = read_packets(layout, np.frombuffer(b"".join(packets), np.uint8).reshape(24, -1))
    for index, one in enumerate(packets):
        single = read_packet(layout, one)
        assert good[index] == isinstance(single, Packets)
        if isinstance(single, Packets):
            part = many.cut(index, index + 1)
            assert part.values.tobytes() == single.values.tobytes() or np.isnan(single.values).any()
            np.testing.assert_array_equal(part.values, single.values)
            np.testing.assert_array_equal(part.device_time_s, single.device_time_s)
            assert part.counter.tolist() == single.counter.tolist()


def _stream(f: PacketFormat, random: np.random.Generator) -> bytes:
    """Packets with damage between and in them."""
    found = b""
    count = 0
    for _ in range(int(random.integers(1, 40))):
        count += 1 if random.random() < 0.9 else 3
        numbers: list[float] = []
        for field in f.fields:
            floating = field.type in (NumberType.F32, NumberType.F64)
            own = count % 128 if field.column == "count" else int(random.integers(0, 100))
            numbers.append(float(own) if floating else own)
        one = packet(f, *numbers)
        at, kind = int(random.integers(len(one))), random.random()
        if kind < 0.1:
            one = one[:at] + bytes([one[at] ^ (1 << int(random.integers(8)))]) + one[at + 1 :]
        elif kind < 0.15 and f.framing is not Framing.DATAGRAM:
            one = one[:at] + random.bytes(int(random.integers(40))) + one[at:]
        elif kind < 0.2 and f.framing is not Framing.DATAGRAM:
            one = one[at:]
        elif kind < 0.25:
            one += sealed(f, b">ok set speed 2500")
        elif kind < 0.3 and f.framing is not Framing.DATAGRAM:
            one += f.sync[:1] + f.sync + bytes(300)
        found += one
    return found


@each_format
@pytest.mark.parametrize("midway", [False, True])
@settings(deadline=None, max_examples=12)
@given(seed=st.integers(0, 2**32), places=st.lists(st.integers(0, 10_000), max_size=30))
def test_any_chunking_and_one_by_one(f: PacketFormat, midway: bool, seed: int, places: list[int]) -> None:
    data = _stream(f, np.random.default_rng(seed))
    whole = decode(PacketDecoder(f, joined_midway=midway), [data], close=True)
    for bulk in (True, False):
        pieces = decode(PacketDecoder(f, joined_midway=midway, bulk=bulk), cut(data, places), close=True)
        assert facts(pieces) == facts(whole)
        assert details(pieces) == details(whole)
    assert sum(len(e) if isinstance(e, Rows) else 0 for e in whole) <= 40 + len(data) // layout_of(f).size


@pytest.mark.parametrize(
    ("kind", "before", "after", "modulus"),
    [
        (NumberType.U8, 255, 0, 256),
        (NumberType.I8, 127, -128, 256),
        (NumberType.U16, 65535, 0, 65536),
        (NumberType.U32, 2**32 - 1, 0, 2**32),
        (NumberType.F32, 2.0**24 - 1, 0.0, 2**24),
    ],
)
def test_counter_wraps_at_the_width_of_its_field(kind: NumberType, before: float, after: float, modulus: int) -> None:
    f = replace(COBS, fields=(PacketField("count", kind), *COBS.fields[1:]))
    data = packet(f, before, 0, 1.0, 1) + packet(f, after, 1, 2.0, 2) + packet(f, 2 + after, 2, 3.0, 3)
    found = facts(decode(PacketDecoder(f), [data]))
    first = int(before) % modulus
    assert found == [
        row(1.0, 1.0, counter=first, device_time_s=0.0),
        row(2.0, 2.0, counter=(first + 1) % modulus, device_time_s=1e-6),
        gap(1, 3),
        row(3.0, 3.0, counter=(first + 3) % modulus, device_time_s=2e-6),
    ]


def test_counter_of_64_bits() -> None:
    f = replace(COBS, fields=(PacketField("count", NumberType.U64), *COBS.fields[1:]))
    last = 2**63 - 2
    data = b"".join(packet(f, count, 0, 1.0, 1) for count in (last - 1, last, 0, 2**63))
    events = decode(PacketDecoder(f), [data])
    assert [e[:2] for e in facts(events)] == [
        ("row", last - 1),
        ("row", last),
        ("row", 0),  # exact: 2**63 - 1 numbers fit into the counters of rows, which wrap there
        ("bad", BadFrameReason.NOT_A_NUMBER),
    ]


def test_nan_is_not_measured_and_a_whole_number_counts() -> None:
    f = replace(COBS, fields=(PacketField("count", NumberType.F32), *COBS.fields[1:3], COBS.fields[3]))
    good = packet(f, 1.0, 5, math.nan, 2)
    for bulk in (True, False):
        decoder = PacketDecoder(f, bulk=bulk)
        data = good + b"".join(packet(f, c, 5, 1.0, 2) for c in (1.5, -1.0, math.nan, 2.0**24, math.inf))
        found = decode(decoder, [data])
        assert facts(found)[0] == row(math.nan, 2.0, counter=1, device_time_s=5 * 1e-6)
        assert [e.reason for e in found if isinstance(e, BadFrame)] == [BadFrameReason.NOT_A_NUMBER] * 5


@pytest.mark.parametrize("f", [COBS, LENGTH], ids=["cobs", "length"])
def test_joined_midway(f: PacketFormat) -> None:
    one, two, three = (packet(f, i, i, 1.0, i) for i in range(3))
    found = decode(PacketDecoder(f, joined_midway=True), [one[4:] + two + three])
    assert [e[0] for e in facts(found)] == ["bad", "row", "row"]
    assert facts(found)[0][1] is BadFrameReason.PARTIAL
    # a packet whose check value is right was seen whole
    found = decode(PacketDecoder(f, joined_midway=True), [one + two])
    assert [e[0] for e in facts(found)] == ["row", "row"]


def test_joined_midway_without_check_value() -> None:
    one, two, three = (packet(NONE, i, i, 1.0, i) for i in range(3))
    found = facts(decode(PacketDecoder(NONE, joined_midway=True), [one + two + three]))
    assert [e[:2] for e in found] == [("bad", BadFrameReason.PARTIAL), ("row", 1), ("row", 2)]
    f = BARE_LENGTH
    one, two, three = (packet(f, i, i, 1.0, i) for i in range(3))
    decoder = PacketDecoder(f, joined_midway=True)
    # A packet is believed when another begins behind it.
    assert facts(decode(decoder, [one])) == []
    assert [e[:2] for e in facts(decode(decoder, [two[:2]]))] == [("row", 0)]
    assert [e[:2] for e in facts(decode(decoder, [two[2:] + three]))] == [("row", 1), ("row", 2)]


def test_false_start_without_check_value_is_not_believed() -> None:
    f = BARE_LENGTH
    inner = f.sync + bytes([11]) + b"7"  # looks like the beginning of a packet, within bytes that are none
    data = packet(f, 0, 0, 1.0, 0) + b"?" + inner + packet(f, 1, 1, 1.0, 1) + packet(f, 2, 2, 1.0, 2)
    found = facts(decode(PacketDecoder(f), [data + packet(f, 3, 3, 1.0, 3)]))
    assert [e[1] for e in found] == [0, BadFrameReason.NO_SYNC, 1, 2, 3]


def test_good_packets_behind_a_false_start_come_at_once() -> None:
    data = packet(LENGTH, 0, 0, 1.0, 0)[:-3] + packet(LENGTH, 1, 1, 1.0, 1)
    found = facts(decode(PacketDecoder(LENGTH), [data]))
    assert [e[1] for e in found] == [BadFrameReason.CHECKSUM, 1]


def test_datagram_has_its_own_arrival() -> None:
    datagrams_ = [packet(DATAGRAM, i, i, 1.0, i)[6:] for i in range(10)]
    data = b"".join(record(one, lag_ns=1000 - 100 * i) for i, one in enumerate(datagrams_))
    for bulk in (True, False):
        decoder = PacketDecoder(DATAGRAM, bulk=bulk)
        decoder.feed(data, 5000)
        rows = decoder.next_event()
        assert isinstance(rows, Rows)
        assert rows.arrival_ns.tolist() == [4000 + 100 * i for i in range(10)]
    text = DatagramTextDecoder(TextFormat(columns=("a",)))
    text.feed(record(b"1\n2", lag_ns=7), 10)
    event = text.next_event()
    assert isinstance(event, Rows)
    assert event.arrival_ns.tolist() == [3, 3]


def test_decoders_of_sources() -> None:
    serial = SerialPacketSource("rack", "loop://", 115200, COBS, 0.25)
    assert isinstance(decoder_for(serial, joined_midway=True), PacketDecoder)
    assert isinstance(decoder_for(UdpSource("rack", "127.0.0.1:0", DATAGRAM, 0.25)), PacketDecoder)
    text = UdpSource("rack", "127.0.0.1:0", TextFormat(columns=("a",)), 0.25)
    assert isinstance(decoder_for(text), DatagramTextDecoder)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"fields": ()}, r"packets\.fields: fields are missing"),
        ({"fields": COBS.fields + COBS.fields[:1]}, r"packets\.fields: fields are missing or named twice"),
        ({"counter_column": "cuont"}, r"packets\.counter_column: names no field.*Did you mean 'count'\?"),
        ({"counter_column": "t_us"}, r"packets\.device_time_column: is the counter too"),
        ({"fields": COBS.fields[:2]}, r"packets\.fields: no value is left"),
        ({"device_time_scale_s": 0.0}, r"packets\.device_time_scale_s: not a scale"),
        ({"framing": Framing.LENGTH}, r"packets\.sync: no start of a packet can be found"),
        (
            {"framing": Framing.LENGTH, "sync": b"x", "fields": LONG.fields},
            r"packets\.length_bytes: cannot name the 331 bytes of a packet",
        ),
    ],
)
def test_format_that_contradicts_itself(change: dict[str, object], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        PacketDecoder(replace(COBS, **change))  # type: ignore[arg-type]


def test_missing_library_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "fastcrc", None)
    with pytest.raises(UsageError, match=r"needs the package fastcrc.*pip install"):
        checksums.packet_crc(PacketCheck.CRC16_MODBUS)
    assert checksums.packet_crc(PacketCheck.NONE) is None


@pytest.mark.parametrize("module", [cobs, datagrams])
def test_examples(module: ModuleType) -> None:
    found = doctest.testmod(module)
    assert found.failed == 0
    assert found.attempted > 0


def test_bytes_as_the_device_sends_them() -> None:
    # Exact: counter 1, time 2 µs, 1.0 = 3F800000, 3, all little-endian.
    assert content(COBS, 1, 2, 1.0, 3).hex(" ") == "01 02 00 00 00 00 00 80 3f 03 00"
