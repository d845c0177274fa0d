"""Packet and UDP sources in a stand profile."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.errors import ProfileError
from benchkit.model.sources import (
    ByteOrder,
    Framing,
    NumberType,
    PacketCheck,
    PacketField,
    SerialPacketSource,
    TextFormat,
    UdpSource,
    counter_modulus_of,
)
from benchkit.profiles import load_stand, shared_path, stand_from_json

AIRBOAT = shared_path("stands", "airboat.toml")
PACKETS = """
framing = "length"
check = "crc16-modbus"
byte_order = "big"
sync = "a55a"
length_bytes = 2
counter_column = "count"
device_time_column = "ticks"
device_time_unit = "ms"
fields = [
  { column = "count", type = "u16" },
  { column = "ticks", type = "u32" },
  { column = "phase_a", type = "f32" },
]
"""
ADDED = f"""
[sources.drive]
kind = "serial_packets"
port = "SET-ON-COMMAND-LINE"
baud = 2000000
stale_after = {{ value = 50.0, unit = "ms" }}

[sources.drive.packets]
{PACKETS}
[sources.mast]
kind = "udp"
port = "0.0.0.0:5005"
stale_after = {{ value = 2.0, unit = "s" }}

[sources.mast.text]
separator = ","
decimal_mark = "."
checksum = "none"
columns = ["wind", "gust"]

[sources.deck]
kind = "udp"
port = "0.0.0.0:5006"
stale_after = {{ value = 2.0, unit = "s" }}

[sources.deck.packets]
{PACKETS.replace('"length"', '"datagram"')}
"""


def write(tmp_path: Path, *changes: tuple[str, str]) -> Path:
    text = ADDED
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = tmp_path / "stand.toml"
    path.write_text(AIRBOAT.read_text(encoding="utf-8") + text, encoding="utf-8")
    return path


def test_packets_and_datagrams_load(tmp_path: Path) -> None:
    loaded = load_stand(write(tmp_path))
    drive = loaded.stand.sources["drive"]
    assert isinstance(drive, SerialPacketSource)
    f = drive.format
    assert (f.framing, f.check, f.byte_order) == (Framing.LENGTH, PacketCheck.CRC16_MODBUS, ByteOrder.BIG)
    assert (f.sync, f.length_bytes, f.device_time_scale_s) == (b"\xa5\x5a", 2, 1e-3)
    assert f.fields[2] == PacketField("phase_a", NumberType.F32)
    assert f.value_columns == ("phase_a",)
    assert drive.stale_after_s == pytest.approx(0.05)
    assert counter_modulus_of(drive) == 65536
    mast, deck = loaded.stand.sources["mast"], loaded.stand.sources["deck"]
    assert isinstance(mast, UdpSource)
    assert isinstance(mast.format, TextFormat)
    assert mast.port == "0.0.0.0:5005"
    assert isinstance(deck, UdpSource)
    assert stand_from_json(loaded.json) == loaded.stand


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('framing = "length"', 'framing = "datagram"', r"drive\.packets\.framing: datagrams come over udp only"),
        ('sync = "a55a"', 'sync = ""', r"sources\.drive\.packets\.sync: length framing needs sync bytes"),
        ('sync = "a55a"', 'sync = "a5z"', r"sources\.drive.*packets\.sync"),
        ('framing = "datagram"', 'framing = "cobs"', r"sources\.deck\.packets\.framing: a datagram is its own frame"),
        ("[sources.mast.text]", "[sources.mast.words]", r"sources\.mast.*words"),
        ('check = "crc16-modbus"', 'check = "crc8"', r"sources\.drive.*packets\.check"),
        ('counter_column = "count"', 'counter_column = "cuont"', r"sources\.drive\.packets\.counter_column"),
        ('type = "f32"', 'type = "f16"', r"sources\.drive.*type"),
    ],
)
def test_faults_are_named(tmp_path: Path, old: str, new: str, message: str) -> None:
    with pytest.raises(ProfileError, match=message):
        load_stand(write(tmp_path, (old, new)))
