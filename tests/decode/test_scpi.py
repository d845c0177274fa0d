"""Answers of SCPI instruments. Forms: IEEE 488.2-1992, 8.7 (response data) and SCPI-99 volume 1, 7.2.1."""

from __future__ import annotations

import math
import struct

import pytest

from benchkit.decode.records import UnusableReplyError
from benchkit.decode.scpi import (
    ReplyReader,
    block_content,
    decimal_numbers,
    error_text,
    is_identity,
    reply_values,
    unpack_replies,
)
from benchkit.model.samples import BadFrameReason
from benchkit.model.sources import ByteOrder, NumberType, ScpiQuery, ScpiReply


def replies(data: bytes, content_bytes: int = 0) -> list[bytes]:
    """All answers, the bytes coming one by one."""
    reader = ReplyReader()
    found = []
    for at in range(len(data)):
        reader.feed(data[at : at + 1])
        while (reply := reader.next_reply(content_bytes)) is not None:
            found.append(reply)
    assert reader.waiting == b""
    return found


@pytest.mark.parametrize(
    ("text", "value"),
    [("5", 5), ("+5", 5), ("-5", -5), ("5.25", 5.25), (".5", 0.5), ("5.", 5), ("1.5E+3", 1500), ("-2e-3", -0.002)],
)
def test_numbers(text: str, value: float) -> None:
    assert decimal_numbers(text.encode()) == [value]


@pytest.mark.parametrize(
    "text", ["9.91E37", "+9.910000E+37", "9.9E37", "-9.9E+37", "NAN", "INF", "-INF", "NINF", "1E999"]
)
def test_not_measured(text: str) -> None:
    assert math.isnan(decimal_numbers(text.encode())[0])


@pytest.mark.parametrize(
    "text", ["", " ", "1V", "0x10", "1,", "1 2", "1_000", "١", "#HFF", '"1"', "1;2", "1.2.3", "E5"]
)
def test_no_number(text: str) -> None:
    with pytest.raises(UnusableReplyError, match="is no number") as caught:
        decimal_numbers(text.encode())
    assert caught.value.reason is BadFrameReason.NOT_A_NUMBER


def test_definite_block() -> None:
    # the printed example: one digit of length, five bytes
    assert replies(b"#15HELLO\n") == [b"#15HELLO"]
    assert block_content(b"#15HELLO") == b"HELLO"
    assert block_content(b"#10") == b""


def test_line_feeds_and_carriage_returns_within_a_block_are_content() -> None:
    content = b"\n\r\n#0\n\r"
    data = b"#17" + content + b"\n1.5\r\n#17" + content + b"\r\n"
    assert replies(data) == [b"#17" + content, b"1.5", b"#17" + content]


def test_indefinite_block() -> None:
    assert replies(b"#0HELLO\n") == [b"#0HELLO"]
    assert block_content(b"#0HELLO") == b"HELLO"
    # where the length of what was asked for is known, an earlier line feed is content
    assert replies(b"#0HE\nLO\n", 5) == [b"#0HE\nLO"]
    assert replies(b"#0HE\nLO\n") == [b"#0HE", b"LO"]


@pytest.mark.parametrize(
    ("reply", "told"),
    [
        (b"#15HELL", "the block says it has 8 bytes, 7 came"),
        (b"#15HELLOO", "the block says it has 8 bytes, 9 came"),
        (b"HELLO", "no block of IEEE 488.2"),
        (b"#", "no block of IEEE 488.2"),
        (b"#2A5", "no block of IEEE 488.2"),
        (b"#9999999999", "no block of IEEE 488.2"),
    ],
)
def test_broken_block(reply: bytes, told: str) -> None:
    with pytest.raises(UnusableReplyError, match=told):
        block_content(reply)


@pytest.mark.parametrize("order", ByteOrder)
@pytest.mark.parametrize(
    ("kind", "code"), [(NumberType.U8, "B"), (NumberType.I16, "h"), (NumberType.F32, "f"), (NumberType.F64, "d")]
)
def test_numbers_in_a_block(kind: NumberType, code: str, order: ByteOrder) -> None:
    content = struct.pack((">" if order is ByteOrder.BIG else "<") + "2" + code, 10, 100)
    query = ScpiQuery("CURV?", ("a", "b"), ScpiReply.BLOCK, kind, order)
    assert reply_values(query, b"#0" + content) == [10, 100]
    with pytest.raises(UnusableReplyError, match=r"1 numbers in answer to CURV\?, expected 2"):
        reply_values(query, b"#0" + content[: len(content) // 2])


def test_half_a_number_in_a_block() -> None:
    query = ScpiQuery("CURV?", ("a",), ScpiReply.BLOCK, NumberType.F32)
    with pytest.raises(UnusableReplyError, match="5 bytes are no whole number of f32"):
        reply_values(query, b"#15HELLO")


def test_infinite_numbers_in_a_block_are_not_measured() -> None:
    query = ScpiQuery("CURV?", ("a", "b", "c"), ScpiReply.BLOCK, NumberType.F32)
    found = reply_values(query, b"#0" + struct.pack(">3f", math.inf, 9.91e37, 1.5))
    assert [math.isnan(value) for value in found] == [True, True, False]


def test_errors_of_the_instrument() -> None:
    assert error_text(b'0,"No error"') == error_text(b"+0") == ""
    assert error_text(b'-222,"Data out of range"') == '-222,"Data out of range"'


@pytest.mark.parametrize(
    ("reply", "expected"),
    [
        (b"Reed Instruments,RI-4,SN 0012,1.07", True),
        (b"REED,RI-4,0,0", True),
        (b"1.5,2.5,3.5,4.5", False),
        (b"-113", False),
        (b"#15HELLO", False),
        (b'"a","b","c","d"', False),
        (b"Reed,RI-4,\xff,1", False),
        (b"", False),
    ],
)
def test_identity_looks_like_no_measurement(reply: bytes, expected: bool) -> None:
    assert is_identity(reply) is expected


@pytest.mark.parametrize("content", [b"\0\0\0", b"\0\0\0\x05abc", b"\0\0\0\x01ab"])
def test_answers_that_do_not_fill_their_record(content: bytes) -> None:
    with pytest.raises(UnusableReplyError, match="do not fill their record"):
        unpack_replies(content)
