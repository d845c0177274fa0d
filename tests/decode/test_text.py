"""What the text decoder says about lines, and what it does at the two ends of a stream."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchkit.decode.text import TextDecoder
from benchkit.model.samples import BadFrame, BadFrameReason, Gap, Reply, Rows
from benchkit.model.sources import Checksum, TextFormat
from tests.decode.contract import bad, decode, facts, gap, reply, row
from tests.decode.text_cases import CHECKED, COMMA, PLAIN, checked


def _detail(text_format: TextFormat, line: bytes) -> str:
    (event,) = decode(TextDecoder(text_format), [line + b"\n"])
    assert isinstance(event, BadFrame)
    return event.detail


@pytest.mark.parametrize(
    ("text_format", "line", "detail"),
    [
        (PLAIN, b"1", "1 fields, expected 2"),
        (PLAIN, b"1,abc", "field 2 (idc): 'abc' is not a number"),
        (PLAIN, b"1;2,3", "field 1 (udc): '1;2' is not a number"),
        (
            replace(PLAIN, separator=";"),
            b"1,5;2",
            "field 1 (udc): '1,5' has a decimal comma where a decimal point is declared",
        ),
        (COMMA, b"1;2.5", "field 2 (idc): '2.5' has a decimal point where a decimal comma is declared"),
        (COMMA, b";1", "field 1 (udc) is empty, and an empty field is not declared as missing"),
        (PLAIN, b"1,\x002", "NUL byte at byte 3 of the line"),
        (PLAIN, b"1,2\xb0", "byte 0xB0 at byte 4 of the line is not ASCII text"),
        (PLAIN, b"1" * 65, "no line end within 64 bytes; skipped to the next one"),
        (CHECKED, b"1,2,3,4", "no check value at the end of the line"),
        (CHECKED, b"1,2,3,4*0000", "check value '0000' does not belong to the line, computed 'B771'"),
        (CHECKED, checked("1.5,2,3,4")[:-1], "counter 'count' is 1.5, not a whole number from 0 to 255"),
        (CHECKED, checked("1,,3,4")[:-1], "device time 't_ms' is missing"),
    ],
)
def test_detail_says_where_and_what(text_format: TextFormat, line: bytes, detail: str) -> None:
    assert _detail(text_format, line) == detail


@pytest.mark.parametrize(
    ("counters", "expected"),
    [
        ((0, 1), None),
        ((255, 0), None),
        ((5, 6), None),
        ((5, 7), (1, "counter jumped from 5 to 7")),
        ((254, 1), (2, "counter jumped from 254 to 1")),
        # half of 256 still counts forward: 0 -> 128 is a step of 128, 127 rows are missing
        ((0, 128), (127, "counter jumped from 0 to 128")),
        ((0, 129), (None, "counter went back from 0 to 129")),
        ((7, 6), (None, "counter went back from 7 to 6")),
        ((7, 7), (None, "counter 7 came twice")),
    ],
)
def test_counter(counters: tuple[int, int], expected: tuple[int | None, str] | None) -> None:
    data = b"".join(checked(f"{count},0,1,2") for count in counters)
    found = [e for e in decode(TextDecoder(CHECKED), [data]) if isinstance(e, Gap)]
    assert [(e.missing, e.cause, e.frame) for e in found] == ([] if expected is None else [(*expected, 2)])


@pytest.mark.parametrize("size", [1, 7, 100, 100_000])
def test_counter_over_many_blocks(size: int) -> None:
    # 3000 rows with every 97th taken out: a gap of one each, but for row 0, which nothing stands before
    numbers = [i for i in range(3000) if i % 97]
    data = b"".join(checked(f"{i % 256},{i},{i},2") for i in numbers)
    events = decode(TextDecoder(CHECKED), [data[i : i + size] for i in range(0, len(data), size)])
    gaps = [e for e in events if isinstance(e, Gap)]
    assert [(e.missing, e.frame) for e in gaps] == [(1, i - i // 97 + 1) for i in range(97, 3000, 97)]
    values = [v for e in events if isinstance(e, Rows) for v in e.values[:, 0].tolist()]
    assert values == [float(i) for i in numbers]


def test_first_line_of_a_link_joined_midway_is_never_a_sample() -> None:
    # "12345.0,1" cut to "345.0,1" would read as a good row
    decoder = TextDecoder(PLAIN, joined_midway=True)
    events = decode(decoder, [b"345.0,1\n400.0,2\n"])
    assert facts(events) == [bad(BadFrameReason.PARTIAL, b"345.0,1", 1), row(400.0, 2.0)]


def test_weak_check_value_does_not_vouch_for_the_first_line() -> None:
    xor = replace(PLAIN, checksum=Checksum.XOR8)
    # "11,2" cut by two equal characters keeps its exclusive or
    line = checked("11,2", xor)
    cut = b"," + line.partition(b",")[2]
    assert line[-3:] == cut[-3:]
    data = checked("5,2", xor)
    assert facts(decode(TextDecoder(xor, joined_midway=True), [data, data])) == [
        bad(BadFrameReason.PARTIAL, data[:-1], 1),
        row(5.0, 2.0),
    ]


def test_strong_check_value_vouches_for_the_first_line() -> None:
    data = checked("1,0,400,2")
    assert facts(decode(TextDecoder(CHECKED, joined_midway=True), [data])) == [
        row(400.0, 2.0, counter=1, device_time_s=0.0)
    ]
    tail = data[2:]
    found = facts(decode(TextDecoder(CHECKED, joined_midway=True), [tail, data]))
    assert found[0] == bad(BadFrameReason.CHECKSUM, tail[:-1], 1)
    assert len(found) == 2


@pytest.mark.parametrize("start", [b"\n", b"\r\n"])
def test_joining_at_a_line_end_costs_no_row(start: bytes) -> None:
    decoder = TextDecoder(PLAIN, joined_midway=True)
    assert facts(decode(decoder, [start + b"1,2\n"])) == [row(1.0, 2.0)]


def test_answer_as_first_line_is_an_answer() -> None:
    decoder = TextDecoder(PLAIN, joined_midway=True)
    assert facts(decode(decoder, [b">ok arm\n1,2\n"])) == [reply("ok arm"), row(1.0, 2.0)]


def test_damaged_answer_is_no_answer() -> None:
    events = decode(TextDecoder(PLAIN), [b">ok stop\x00ramp\n"])
    assert facts(events) == [bad(BadFrameReason.NUL_BYTE, b">ok stop\x00ramp", 1)]


def test_no_reply_prefix_no_replies() -> None:
    events = decode(TextDecoder(replace(PLAIN, reply_prefix="")), [b">ok\n1,2\n"])
    assert facts(events) == [bad(BadFrameReason.FIELD_COUNT, b">ok", 1), row(1.0, 2.0)]


def test_cut_line_at_the_end_says_so() -> None:
    events = decode(TextDecoder(PLAIN), [b"1,2\n3,4"], close=True)
    assert facts(events) == [row(1.0, 2.0), bad(BadFrameReason.PARTIAL, b"3,4", 2)]
    assert isinstance(events[1], BadFrame)
    assert events[1].detail == "the line was cut off after 3 bytes: its end did not come"


def test_line_as_long_as_allowed() -> None:
    line = b"1," + b"2" * 62
    assert facts(decode(TextDecoder(PLAIN), [line + b"\r", b"\n"])) == [row(1.0, float("2" * 62))]
    longer = facts(decode(TextDecoder(PLAIN), [line + b"2\r", b"\n"]))
    assert longer == [bad(BadFrameReason.TOO_LONG, line, 1)]


def test_too_long_line_is_one_event_however_long() -> None:
    events = decode(TextDecoder(PLAIN), [b"x" * 1000] * 50 + [b"\n1,2\n"])
    assert facts(events) == [bad(BadFrameReason.TOO_LONG, b"x" * 64, 1), row(1.0, 2.0)]


def test_first_frame_number_and_column_order() -> None:
    decoder = TextDecoder(PLAIN, columns=("idc", "udc"), first_frame=2)
    assert decoder.columns == ("idc", "udc")
    assert facts(decode(decoder, [b"1,2\nx\n"])) == [row(2.0, 1.0), bad(BadFrameReason.FIELD_COUNT, b"x", 3)]


def test_events_keep_the_order_of_the_lines() -> None:
    data = checked("1,0,1,2") + b">a\n" + checked("3,0,1,2") + b"x\n" + checked("4,0,1,2")
    kinds = [type(e) for e in decode(TextDecoder(CHECKED), [data])]
    assert kinds == [Rows, Reply, Gap, Rows, BadFrame, Rows]


def test_gap_stands_before_its_row_inside_a_block() -> None:
    data = b"".join(checked(f"{i},0,{i},2") for i in (1, 2, 3, 9, 10, 11))
    found = facts(decode(TextDecoder(CHECKED), [data]))
    assert [f[0] for f in found] == ["row", "row", "row", "gap", "row", "row", "row"]
    assert found[3] == gap(5, 4)
