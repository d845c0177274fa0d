"""Check values of frames against printed ones.

CRC: Greg Cook, *Catalogue of parametrised CRC algorithms*, https://reveng.sourceforge.io/crc-catalogue/ : ``check`` is
the value of the nine ASCII digits "123456789". CRC-16/IBM-3740 (alias CRC-16/CCITT-FALSE): 0x29B1. CRC-32/ISO-HDLC:
0xCBF43926. CRC-16/MODBUS: 0x4B37.

Exclusive or: the GGA sentence that guides to NMEA 0183 print as their example, check value 47 over the characters
between ``$`` and ``*`` (for instance https://mpt-internal.uni-hohenheim.de, page "NMEA strings").
"""

from __future__ import annotations

import pytest

from benchkit.decode.checksums import TEXT_CHECKS, crc16_ccitt_false, crc32, packet_crc, xor8
from benchkit.model.sources import Checksum, PacketCheck

DIGITS = b"123456789"
SENTENCE = b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"


def test_crc16_ccitt_false() -> None:
    assert crc16_ccitt_false(DIGITS) == 0x29B1


def test_crc32() -> None:
    assert crc32(DIGITS) == 0xCBF43926


def test_exclusive_or() -> None:
    assert xor8(SENTENCE) == 0x47


@pytest.mark.parametrize(
    ("checksum", "body", "tail"),
    [
        (Checksum.CRC16_CCITT_FALSE, DIGITS, b"*29B1"),
        (Checksum.CRC32, DIGITS, b"*CBF43926"),
        (Checksum.XOR8, SENTENCE, b"*47"),
    ],
)
def test_ending_of_a_line(checksum: Checksum, body: bytes, tail: bytes) -> None:
    assert TEXT_CHECKS[checksum].tail(body) == tail


@pytest.mark.parametrize(
    ("check", "value", "width"),
    [
        (PacketCheck.CRC16_CCITT_FALSE, 0x29B1, 2),
        (PacketCheck.CRC16_MODBUS, 0x4B37, 2),
        (PacketCheck.CRC32, 0xCBF43926, 4),
    ],
)
def test_check_value_of_packets(check: PacketCheck, value: int, width: int) -> None:
    found = packet_crc(check)
    assert found is not None
    assert (found.function(DIGITS), found.width) == (value, width)
