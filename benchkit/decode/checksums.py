"""Check values of frames. Published check values of each: ``tests/published/test_crc.py``."""

from __future__ import annotations

import binascii
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from benchkit.errors import UsageError
from benchkit.model.sources import Checksum, PacketCheck


def xor8(data: bytes) -> int:
    """Exclusive or of all bytes, 0 … 255 (the check value of NMEA 0183)."""
    return int(np.bitwise_xor.reduce(np.frombuffer(data, dtype=np.uint8)))


def crc16_ccitt_false(data: bytes) -> int:
    """CRC-16 with polynomial 0x1021, start 0xFFFF, not reflected, no final exclusive or."""
    return binascii.crc_hqx(data, 0xFFFF)


def crc32(data: bytes) -> int:
    """CRC-32 as in IEEE 802.3."""
    return zlib.crc32(data)


@dataclass(frozen=True, slots=True)
class Check:
    """A check value at the end of a text line: a star and ``digits`` hexadecimal digits."""

    function: Callable[[bytes], int]
    digits: int

    def tail(self, body: bytes) -> bytes:
        """The ending that belongs to ``body``, such as ``b"*29B1"``."""
        return b"*%0*X" % (self.digits, self.function(body))


TEXT_CHECKS: Mapping[Checksum, Check] = {
    Checksum.XOR8: Check(xor8, 2),
    Checksum.CRC16_CCITT_FALSE: Check(crc16_ccitt_false, 4),
    Checksum.CRC32: Check(crc32, 8),
}
"""``Checksum.NONE`` is not in it."""


@dataclass(frozen=True, slots=True)
class PacketCrc:
    """A check value of ``width`` bytes at the end of a packet."""

    function: Callable[[bytes], int]
    width: int


def packet_crc(check: PacketCheck) -> PacketCrc | None:
    """The check value of packets; None for ``PacketCheck.NONE``.

    Raises:
        UsageError: the library that computes it is not installed.
    """
    match check:
        case PacketCheck.NONE:
            return None
        case PacketCheck.CRC32:
            return PacketCrc(crc32, 4)
    try:
        from fastcrc import crc16  # three times as fast as binascii, and that knows one polynomial only
    except ImportError as error:
        raise UsageError(
            f"check value {check.value!r} needs the package fastcrc, which is not installed",
            remedy="Install it: pip install fastcrc.",
        ) from error
    if check is PacketCheck.CRC16_MODBUS:
        return PacketCrc(crc16.modbus, 2)
    return PacketCrc(crc16.ibm_3740, 2)  # the catalogue's first name of CCITT-FALSE
