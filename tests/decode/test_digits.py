"""Many numbers at once are the same doubles, to the last bit, as one by one."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.decode.digits import parse_numbers


def bits(numbers: Sequence[float]) -> list[bytes]:
    """Doubles as bytes: tells 0 from -0."""
    return [struct.pack("<d", number) for number in numbers]


def parse(fields: Sequence[str], separator: str = ",") -> list[float]:
    values = parse_numbers(separator.join(fields).encode(), separator.encode())
    assert values is not None
    return [float(value) for value in values]


def test_missing_fields() -> None:
    values = parse_numbers(b"1,,nan,-2.5,NaN", b",", frozenset({b"", b"nan", b"NaN"}))
    assert values is not None
    assert [repr(float(value)) for value in values] == ["1.0", "nan", "nan", "-2.5", "nan"]
    assert parse_numbers(b"1,,nan", b",", frozenset({b"nan"})) is None
    assert parse_numbers(b"1,inf", b",", frozenset({b"nan"})) is None


digits = st.text(alphabet="0123456789", max_size=10)
numbers = (
    st.tuples(
        st.sampled_from(["", "+", "-"]),
        digits,
        st.sampled_from(["", "."]),
        digits,
        st.sampled_from(["", "", "", "e5", "E-17"]),
    )
    .filter(lambda parts: parts[1] or (parts[2] and parts[3]))
    .map("".join)
)


@settings(deadline=None, max_examples=200)
@given(fields=st.lists(numbers, min_size=1, max_size=40), separator=st.sampled_from([",", ";", "\t", " "]))
def test_equals_float(fields: list[str], separator: str) -> None:
    assert bits(parse(fields, separator)) == bits([float(field) for field in fields])


@settings(deadline=None, max_examples=100)
@given(fields=st.lists(st.floats(-1e6, 1e6).map(lambda x: f"{x:.8f}"), min_size=1, max_size=40))
def test_is_the_nearest_double(fields: list[str]) -> None:
    # Fraction is exact and rounds once, by integer arithmetic: a judge that shares nothing with float's own reader.
    expected = [float(Fraction(field)) for field in fields]
    assert parse(fields) == expected


@pytest.mark.parametrize(
    "field",
    [
        "-0",
        "+0.0",
        ".5",
        "5.",
        "00000000.00000000",
        "00000001.00000001",
        "99999999",
        "99999999.99999999",
        "123456789",
        "0.123456789",
        "-12345678.1",
        # at and around 2**53 = 9007199254740992, where whole numbers stop to be exact
        "90071992.54740991",
        "90071992.54740992",
        "90071992.54740993",
        "90071993.00000001",
        # halfway between two doubles, or nearly: the double nearest is a matter of the last digit
        "0.00000001",
        "4503599.62737049",
        "45035996.27370497",
        "1e22",
        "1e-22",
        "2.5e-7",
    ],
)
def test_corners(field: str) -> None:
    for fields in ([field], ["1.5", field, "-2"]):
        assert bits(parse(fields)) == bits([float(f) for f in fields])


@pytest.mark.parametrize(
    "field",
    [
        "",
        "-",
        "+",
        ".",
        "-.",
        "1.2.3",
        "1..2",
        "..",
        "1-2",
        "12-34567",
        "--1",
        "+-1",
        "e",
        "1e",
        "e5",
        "-e5",
        "1+",
        "1e5.0",
    ],
)
def test_no_number(field: str) -> None:
    for fields in ([field], ["1.5", field, "-2"], [field, field]):
        assert parse_numbers(";".join(fields).encode(), b";") is None
