"""RFC 8785, JSON Canonicalization Scheme (JCS), June 2020: appendix B (numbers) and the example of section 3.2."""

from __future__ import annotations

import math
import struct

import pytest

from benchkit.model.canonical import canonical_json

# IEEE 754 binary64 in hexadecimal, and how it is written
NUMBERS = [
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("8000000000000001", "-5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("ffefffffffffffff", "-1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"),
    ("c340000000000000", "-9007199254740992"),
    ("4430000000000000", "295147905179352830000"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"),
    ("44b52d02c7e14af6", "1e+23"),
    ("44b52d02c7e14af7", "1.0000000000000001e+23"),
    ("444b1ae4d6e2ef4e", "999999999999999700000"),
    ("444b1ae4d6e2ef4f", "999999999999999900000"),
    ("444b1ae4d6e2ef50", "1e+21"),
    ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("41b3de4355555553", "333333333.3333332"),
    ("41b3de4355555554", "333333333.33333325"),
    ("41b3de4355555555", "333333333.3333333"),
    ("41b3de4355555556", "333333333.3333334"),
    ("41b3de4355555557", "333333333.33333343"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
    ("43143ff3c1cb0959", "1424953923781206.2"),
]


@pytest.mark.parametrize(("bits", "text"), NUMBERS)
def test_appendix_b(bits: str, text: str) -> None:
    (x,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical_json(x) == text


@pytest.mark.parametrize("x", [math.nan, math.inf, -math.inf])
def test_appendix_b_knows_no_other_numbers(x: float) -> None:
    with pytest.raises(ValueError, match="JSON has no"):
        canonical_json(x)


def test_section_3_2() -> None:
    given = {
        "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001],
        "string": "\u20ac$\u000f\u000aA'\u0042\u0022\u005c\\\"/",
        "literals": [None, True, False],
    }
    assert canonical_json(given) == (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )


def test_section_3_2_3_keys_in_order_of_their_utf_16_units() -> None:
    given = {
        "\u20ac": "Euro Sign",
        "\r": "Carriage Return",
        "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One",
        "\U0001f600": "Emoji: Grinning Face",
        "\u0080": "Control",
        "\u00f6": "Latin Small Letter O With Diaeresis",
    }
    order = ("Carriage Return", "One", "Control", "Latin", "Euro", "Emoji", "Hebrew")
    text = canonical_json(given)
    places = [text.index(word) for word in order]
    assert places == sorted(places)
