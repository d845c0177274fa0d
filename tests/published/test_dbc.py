"""Signals of a CAN database: documentation of cantools, "Example usage" (https://cantools.readthedocs.io): message
``ExampleMessage`` 0x1F0 of 8 bytes with the signals Enable (bit 7, 1 bit, big-endian), AverageRadius (bit 6, 6 bits,
0.1 m, 0 to 5) and ``SG_ Temperature : 0|12@0- (0.01,250) [229.53|270.47] "degK"``; the frame printed there,
``80 4A 0F 00 00 00 00 00``, reads Enable 'Enabled', AverageRadius 0.0 m, Temperature 255.92 degK.
"""

from __future__ import annotations

from collections.abc import Callable

from benchkit.decode.can_commands import CommandEncoder
from benchkit.decode.can_frames import CanDecoder, CanFrame, pack
from benchkit.model.samples import BadFrame, Rows
from benchkit.model.sources import CanSignal, CanSource

DBC = """VERSION ""
BU_: PCM1 FOO
BO_ 496 ExampleMessage: 8 PCM1
 SG_ Temperature : 0|12@0- (0.01,250) [229.53|270.47] "degK" FOO
 SG_ AverageRadius : 6|6@0+ (0.1,0) [0|5] "m" FOO
 SG_ Enable : 7|1@0+ (1,0) [0|0] "-" FOO
VAL_ 496 Enable 1 "Enabled" 0 "Disabled" ;
"""
NAMES = ("Temperature", "AverageRadius", "Enable")
SPEC = CanSource(
    name="example",
    interface="virtual",
    port="example",
    bitrate=500_000,
    dbc=DBC,
    signals=tuple(CanSignal(name.lower(), "ExampleMessage", name) for name in NAMES),
    row_message="ExampleMessage",
    stale_after_s=1.0,
)


def test_the_printed_frame(published: Callable[..., None]) -> None:
    decoder = CanDecoder(SPEC)
    decoder.feed(pack(CanFrame(0x1F0, bytes.fromhex("804A0F0000000000"), 0)), 1)
    rows = decoder.next_event()
    assert isinstance(rows, Rows)
    for name, value, printed in zip(NAMES, rows.values[0].tolist(), ("255.92", "0.0", "1"), strict=True):
        published(name, value, printed)


def test_both_ends_of_the_printed_range_are_inside(published: Callable[..., None]) -> None:
    # 12 bits, big-endian from bit 0: the lowest bit of byte 0, byte 1, the three highest of byte 2
    decoder = CanDecoder(SPEC)
    for raw, printed in ((-2047, "229.53"), (2047, "270.47")):
        bits = raw & 0xFFF
        decoder.feed(pack(CanFrame(0x1F0, (bits << 5).to_bytes(3, "big") + bytes(5), 0)), 1)
        rows = decoder.next_event()
        assert isinstance(rows, Rows)
        published(f"raw {raw}", rows.values[0, 0], printed)
    bits = -2048 & 0xFFF  # 229.52: one step below
    decoder.feed(pack(CanFrame(0x1F0, (bits << 5).to_bytes(3, "big") + bytes(5), 0)), 1)
    bad = decoder.next_event()
    assert isinstance(bad, BadFrame)
    assert bad.detail == "ExampleMessage.Temperature: 229.52 is outside its range 229.53 to 270.47 degK"


def test_the_printed_values_encode_to_a_frame_that_reads_the_same(published: Callable[..., None]) -> None:
    # the printed frame again, from its printed values: raw (255.92 - 250) / 0.01 = 592
    frame = CommandEncoder(SPEC).encode("ExampleMessage.Temperature=255.92,AverageRadius=0.0,Enable=Enabled")
    assert frame.data == bytes.fromhex("804A000000000000")
    assert (frame.identifier, frame.is_extended, frame.is_fd) == (0x1F0, False, False)
