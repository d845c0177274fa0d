"""Reading at once and reading line by line answer the same, and both agree with a plain reader written apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.decode.lines import layout_of, read_block, read_line
from benchkit.decode.text import TextDecoder
from benchkit.errors import UsageError
from benchkit.model.samples import Rows
from benchkit.model.sources import Checksum, TextFormat
from tests.decode.contract import decode, facts
from tests.decode.oracle import rows_of
from tests.decode.text_cases import CHECKED, COMMA, PLAIN, TABS, checked

FORMATS = [
    PLAIN,
    CHECKED,
    COMMA,
    TABS,
    replace(COMMA, missing=("n.a.", "")),
    replace(PLAIN, columns=("one",)),
    replace(PLAIN, checksum=Checksum.XOR8),
]


def _value_rows(data: bytes, text_format: TextFormat, *, bulk: bool) -> list[list[float]]:
    events = decode(TextDecoder(text_format, bulk=bulk), [data])
    return [row for event in events if isinstance(event, Rows) for row in event.values.tolist()]


def _expected(data: bytes, text_format: TextFormat) -> list[list[float]]:
    apart = (text_format.counter_column, text_format.device_time_column)
    wanted = [i for i, name in enumerate(text_format.columns) if name not in apart]
    return [[row[i] for i in wanted] for row in rows_of(data, text_format)]


fields = st.one_of(
    st.sampled_from(
        ["", "nan", "-", "-999", "1", "0", "255", "256", "-0", "1e5", "1E-3", ".5", "5.", ".", "e1", "1e", "+1"]
    ),
    st.sampled_from(
        ["1_0", "inf", "infinity", "0x10", " 1", "1 ", "1,5", "1.5", "1e999", "-1e999", "1\x00", "\u0661", "٣"]
    ),
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.integers(min_value=0, max_value=300).map(str),
)


@settings(deadline=None, max_examples=150)
@given(
    lines=st.lists(st.lists(fields, min_size=1, max_size=5), max_size=40),
    which=st.sampled_from(FORMATS),
    good_check=st.integers(min_value=0, max_value=3),
)
def test_bulk_equals_plain_equals_oracle(lines: list[list[str]], which: TextFormat, good_check: int) -> None:
    data = b""
    for number, parts in enumerate(lines):
        body = which.separator.join(parts).encode("utf-8")
        if which.checksum is not Checksum.NONE and number % 4 <= good_check:
            body = checked(body.decode("utf-8").encode("ascii", "replace").decode(), which)[:-1]
        data += body + (b"\r\n" if number % 3 == 0 else b"\n")
    bulk = decode(TextDecoder(which), [data])
    assert facts(bulk) == facts(decode(TextDecoder(which, bulk=False), [data]))
    np.testing.assert_equal(_value_rows(data, which, bulk=True), _expected(data, which))


@settings(deadline=None, max_examples=50)
@given(rows=st.lists(st.tuples(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6)), min_size=5, max_size=60))
def test_numbers_come_back_to_the_last_bit(rows: list[tuple[float, float]]) -> None:
    data = "".join(f"{a!r},{b!r}\n" for a, b in rows).encode()
    assert _value_rows(data, PLAIN, bulk=True) == [list(row) for row in rows]


def test_point_in_a_missing_text_lets_no_decimal_point_in() -> None:
    data = b"1,5;2\n" * 10 + b"n.a.;2\n1.5;2\n"
    found = _value_rows(data, replace(COMMA, missing=("n.a.",)), bulk=True)
    np.testing.assert_equal(found, [[1.5, 2.0]] * 10 + [[float("nan"), 2.0]])


def test_ordinary_block_is_read_at_once() -> None:
    lines = [b"1,2", b"3,4.5", b"-1e3,0", b",nan"]
    table = read_block(layout_of(PLAIN), b"\n".join(lines) + b"\n")
    assert table is not None
    np.testing.assert_equal(table.tolist(), [read_line(layout_of(PLAIN), line) for line in lines])


@pytest.mark.parametrize(
    "odd",
    [
        b"1,-nan",
        b"1,an",
        b"1",
        b"1,2,3",
        b"1,1e999",
        b"",
        b">ok",
        b"1,2\r",
        b"1,--2",
        b"1_0,2",
        b"1\n2",
        b"1,2,3\n4",
        b"7" * 64 + b",1",
    ],
)
def test_one_odd_line_makes_the_block_unusual(odd: bytes) -> None:
    assert read_block(layout_of(PLAIN), b"1,2\n" + odd + b"\n3,4\n") is None


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"columns": ()}, r"format\.columns: columns are missing"),
        ({"columns": ("a", "a")}, r"format\.columns: columns are missing or named twice"),
        ({"decimal_mark": ";"}, r"format\.decimal_mark: not a decimal mark"),
        ({"separator": ",", "decimal_mark": ","}, r"format\.separator: not a separator"),
        ({"separator": "--"}, r"format\.separator: not a separator"),
        ({"separator": "e"}, r"format\.separator: not a separator"),
        ({"separator": "€"}, r"format\.separator: not a separator"),
        ({"counter_column": "udd"}, r"format\.counter_column: names no column.*Did you mean 'udc'\?"),
        ({"counter_column": "udc", "device_time_column": "udc"}, r"device_time_column: is the counter column too"),
        ({"columns": ("udc",), "counter_column": "udc"}, r"format\.columns: no value column is left"),
        ({"counter_modulus": 1}, r"format\.counter_modulus: out of range"),
        ({"device_time_scale_s": 0.0}, r"format\.device_time_scale_s: not a scale"),
        ({"missing": ("n,a",)}, r"format\.missing: can never be the text of a field"),
        ({"missing": (">x",)}, r"format\.missing: starts like an answer of the device"),
        ({"reply_prefix": "-"}, r"format\.reply_prefix: cannot be told from data"),
        ({"max_line_bytes": 3}, r"format\.max_line_bytes: too short"),
    ],
)
def test_format_that_contradicts_itself(change: dict[str, object], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        TextDecoder(replace(PLAIN, **change))  # type: ignore[arg-type]
