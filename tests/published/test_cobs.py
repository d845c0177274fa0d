"""Stuffed bytes against printed ones.

S. Cheshire and M. Baker, *Consistent Overhead Byte Stuffing*, IEEE/ACM Transactions on Networking 7 (1999) 159. The
examples are those in wide use with it, such as in the encyclopaedia article of the same name (Wikipedia, "Encoding
examples", without the delimiter at the end); cited from memory, and each follows from the definition.
"""

from __future__ import annotations

import pytest

from benchkit.decode.cobs import decode, encode

RUN = bytes(range(1, 255))  # 01 … FE

CASES = [
    (b"\x00", b"\x01\x01"),
    (b"\x00\x00", b"\x01\x01\x01"),
    (b"\x00\x11\x00", b"\x01\x02\x11\x01"),
    (b"\x11\x22\x00\x33", b"\x03\x11\x22\x02\x33"),
    (b"\x11\x22\x33\x44", b"\x05\x11\x22\x33\x44"),
    (RUN, b"\xff" + RUN),
    (b"\x00" + RUN, b"\x01\xff" + RUN),
    (RUN + b"\xff", b"\xff" + RUN + b"\x02\xff"),
    (RUN[1:] + b"\xff\x00", b"\xff" + RUN[1:] + b"\xff\x01\x01"),
]


@pytest.mark.parametrize(("data", "stuffed"), CASES)
def test_worked_examples(data: bytes, stuffed: bytes) -> None:
    assert encode(data) == stuffed
    assert decode(stuffed) == data


@pytest.mark.parametrize("stuffed", [b"\x05123", b"\x01\x00\x01", b"\x00", b"\x02"])
def test_what_no_encoder_makes(stuffed: bytes) -> None:
    # A code that points behind the end, a zero within, a code of zero: exact, they follow from the definition.
    assert decode(stuffed) is None
