"""A hostile or faulty database is refused with its reason, before it can cost time or memory."""

from __future__ import annotations

import subprocess
import sys

import pytest

from benchkit.decode.can_database import MAX_DBC_BYTES, read_database, signal_of
from benchkit.errors import DataError, Problem

HEAD = 'VERSION ""\nBU_: A\n'


def message(number: int, name: str, length: str, *signals: str) -> str:
    lines = [f' SG_ {signal} (1,0) [0|0] "" A\n' for signal in signals]
    return f"BO_ {number} {name}: {length} A\n{''.join(lines)}"


def mux_values(*lines: str) -> str:
    return "".join(f"SG_MUL_VAL_ 1 {line};\n" for line in lines)


CHAIN = [f"P{i} m0M : {8 * i}|8@1+" for i in range(1, 8)]
HOSTILE = {
    "too large": (HEAD + 'CM_ "' + "x" * MAX_DBC_BYTES + '";\n', "too large for a database .*Keep the messages"),
    "signal of 10^9 bits": (HEAD + message(1, "Big", "8", "S : 0|1000000000@1+"), "signal Big.S starts .*1000000000"),
    "signal at bit 10^9": (HEAD + message(1, "Big", "8", "S : 1000000000|8@1+"), "signal Big.S starts at .*1000000000"),
    "message of 10^9 bytes": (HEAD + message(1, "Big", "1000000000", "S : 0|8@1+"), "message Big has 1000000000 bytes"),
    "length of 5000 digits": (HEAD + message(1, "Big", "9" * 5000), "a number has 20 digits or more"),
    "range of 2^32 values": (
        HEAD + message(1, "Big", "8", "M M : 0|8@1+", "S m0 : 8|8@1+") + mux_values("S M 0-4294967295"),
        "signal S is valid for 4294967296 values of multiplexer M",
    ),
    "a circle": (
        HEAD + message(1, "Big", "8", "P m0M : 0|8@1+", "Q m0M : 8|8@1+") + mux_values("P Q 0-1", "Q P 0-1"),
        "signal Big.P is multiplexed in a circle",
    ),
    "under itself": (
        HEAD + message(1, "Big", "8", "P m0M : 0|8@1+") + mux_values("P P 0-1"),
        "multiplexed in a circle",
    ),
    "256 to the 7th": (
        HEAD
        + message(1, "Big", "64", "P0 M : 0|8@1+", *CHAIN)
        + mux_values(*[f"P{i} P{i - 1} 0-255" for i in range(1, 8)]),
        "too many signals, or multiplexer values: .*passed at message Big",
    ),
    "60 000 named multiplexer values": (
        HEAD
        + message(1, "Big", "8", "M M : 0|16@1+", "S m0 : 16|8@1+")
        + "VAL_ 1 M "
        + " ".join(f'{i} "x"' for i in range(60_000))
        + " ;\n",
        "too many signals, or multiplexer values",
    ),
    "13 000 multiplexed signals": (
        HEAD + message(1, "Big", "63", "M M : 0|16@1+", *[f"S{i} m{i} : 488|8@1+" for i in range(13_000)]),
        "too many signals, or multiplexer values",
    ),
    "long messages": (
        HEAD
        + "".join(message(i + 2**31, f"L{i}", "1785", *[f"A{j} : {j}|1@1+" for j in range(100)]) for i in range(13)),
        "too many signals, or multiplexer values",
    ),
    "ranges of messages that are not there": (
        HEAD + "".join(f"SG_MUL_VAL_ {i} S M 0-39999;\n" for i in range(1000)),
        "values of multiplexer M .*at most 400000 in all",
    ),
    "no multiplexer": (
        HEAD + message(1, "Big", "8", "S m3 : 0|8@1+"),
        "Big.S is multiplexed, and .* has 0 multiplexers",
    ),
    "two multiplexers": (
        HEAD + message(1, "Big", "8", "M M : 0|8@1+", "N M : 8|8@1+", "S m3 : 16|8@1+"),
        "has 2 multiplexers",
    ),
    "overlap": (
        HEAD + message(1, "Big", "8", "S : 0|8@1+", "T : 4|8@1+"),
        "cannot be read: The signals T and S are over",
    ),
    "does not fit": (HEAD + message(1, "Big", "2", "S : 0|32@1+"), "cannot be read: The signal S does not fit"),
    "twice the same identifier": (
        HEAD + message(1, "One", "8") + message(1, "Two", "8"),
        "two messages have the ident",
    ),
    "twice the same name": (HEAD + message(1, "One", "8") + message(2, "One", "8"), "two messages have the name One"),
    "empty": ("", "cannot be read: Invalid syntax"),
    "another text": ("hello world " * 80_000, "cannot be read: Invalid syntax .* …"),
    "brackets": (HEAD + "(" * 900_000, "cannot be read: Invalid syntax"),
    "quotes": ('"\\' * 490_000, "cannot be read: Invalid syntax"),
    "blanks": (HEAD + "SG_ a" + " " * 900_000, "cannot be read"),
    "key words": ("BO_ " * 240_000, "cannot be read"),
    "NUL bytes": (HEAD + "\0", "NUL bytes"),
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE.keys())
def test_a_hostile_database_is_refused_with_its_reason(text: tuple[str, str]) -> None:
    with pytest.raises(DataError, match=text[1]):
        read_database(text[0])


@pytest.mark.skipif(sys.platform == "win32", reason="Windows does not tell the largest memory of a process this way")
def test_all_of_them_stay_within_500_mb() -> None:
    done = subprocess.run([sys.executable, __file__], capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr
    refused, megabytes = done.stdout.split()
    assert int(refused) == len(HOSTILE)
    assert float(megabytes) < 500


@pytest.mark.parametrize(
    ("name", "problem"),
    [
        ("NoScale", "no usable scale"),
        ("TooLong", "longer than a number"),
        ("OddFloat", "no floating-point number has so many bits"),
    ],
)
def test_a_signal_that_measures_nothing(name: str, problem: str) -> None:
    text = (
        HEAD
        + 'BO_ 1 Odd: 32 A\n SG_ NoScale : 0|8@1+ (0,0) [0|0] "" A\n SG_ TooLong : 8|100@1+ (1,0) [0|0] "" A\n'
        + ' SG_ OddFloat : 120|8@1+ (1,0) [0|0] "" A\nBO_ 2 Long: 1000 A\n SG_ S : 0|8@1+ (1,0) [0|0] "" A\n'
        + "SIG_VALTYPE_ 1 OddFloat : 1;\n"
    )
    found = signal_of(read_database(text), "Odd", name)
    assert isinstance(found, Problem)
    assert problem in found.what
    long = signal_of(read_database(text), "Long", "S")
    assert isinstance(long, Problem)
    assert "longer than a frame" in long.what


def test_extended_multiplexing_within_bounds() -> None:
    text = HEAD + message(1, "Two", "8", "M M : 0|8@1+", "S m0 : 8|8@1+", "T m4 : 8|8@1+")
    database = read_database(text + mux_values("S M 0-3, 8-9", "T M 4-4"))
    assert database.get_message_by_name("Two").decode_simple(bytes([9, 7, *bytes(6)])) == {"M": 9, "S": 7}


if __name__ == "__main__":
    from tests.hostile.limited import peak_bytes

    count = 0
    for hostile, _ in HOSTILE.values():
        try:
            read_database(hostile)
        except DataError:
            count += 1
    print(count, peak_bytes() / 1e6)
