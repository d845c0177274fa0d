"""One delimited text line, or many at once, to numbers: strict, and the same answer both ways.

:func:`read_line` judges one line and says what is wrong with it. :func:`read_block` reads many lines at once and
gives None as soon as anything is unusual; the caller then asks ``read_line``. Where ``read_block`` answers, both answer
the same numbers (``tests/decode/test_lines.py`` holds them together).

A number is ``[+-] digits [. digits] [e [+-] digits]`` in ASCII, digits before or after the mark. Python's ``float``
takes more than that (``1_000``, ``infinity``, blanks, digits of other scripts); the set of allowed bytes keeps it out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.decode.checksums import TEXT_CHECKS, Check
from benchkit.decode.digits import parse_lines
from benchkit.errors import UsageError, did_you_mean
from benchkit.model.samples import BadFrameReason
from benchkit.model.sources import TextFormat

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]

_NUMBER = b"0123456789+-eE"
_HEX = b"0123456789ABCDEFabcdef"
_TEXT = bytes([9, *range(0x20, 0x7F)])
_SEPARATORS = _TEXT.decode("ascii")
_LARGEST_COUNTER = 2**53
"""Whole numbers up to here are exact in a double."""


@dataclass(frozen=True, slots=True)
class Refused:
    """Why a line is not a row."""

    reason: BadFrameReason
    detail: str


@dataclass(frozen=True, slots=True)
class Layout:
    """A text format made ready for reading."""

    fields: tuple[str, ...]
    """Every field of a line, in order."""
    columns: tuple[str, ...]
    """Those that are values."""
    value_fields: slice | IndexArray
    counter_field: int | None
    counter_modulus: int
    device_time_field: int | None
    device_time_scale_s: float
    separator: bytes
    decimal_mark: bytes
    check: Check | None
    missing: frozenset[bytes]
    reply_prefix: bytes
    max_line_bytes: int
    number_bytes: bytes
    """What a number may be made of."""
    body_bytes: bytes
    """What an ordinary line without its check value may be made of: numbers and separators."""
    block_bytes: bytes
    """What ordinary lines may be made of, check values and line ends included."""
    may_be_ordinary: bool
    """False where a text for *not measured* looks like a number (``-999``), or brings in a point where a comma is the
    decimal mark: then every field is looked at."""

    @property
    def blank_is_row(self) -> bool:
        """True where an empty line is a row: one field, and its empty text means not measured."""
        return len(self.fields) == 1 and b"" in self.missing


def layout_of(text_format: TextFormat, columns: Sequence[str] | None = None) -> Layout:
    """Make ``text_format`` ready for reading. ``columns`` are the value columns to hand out, in this order (else all).

    Raises:
        UsageError: the format contradicts itself; the message names the key.
    """
    _check_format(text_format)
    fields = text_format.columns
    apart = (text_format.counter_column, text_format.device_time_column)
    chosen = [i for i, name in enumerate(fields) if name not in apart]
    if columns is not None:
        chosen = [fields.index(name) for name in columns]
    if not chosen:
        raise UsageError("no value column is left", where="format.columns", got=fields, expected="one or more")
    in_a_row = chosen == list(range(chosen[0], chosen[-1] + 1))
    separator, mark = text_format.separator.encode("ascii"), text_format.decimal_mark.encode("ascii")
    check = TEXT_CHECKS.get(text_format.checksum)
    number_bytes = _NUMBER + mark
    missing = frozenset(text.encode("ascii") for text in text_format.missing)
    return Layout(
        fields=fields,
        columns=tuple(fields[i] for i in chosen),
        value_fields=slice(chosen[0], chosen[-1] + 1) if in_a_row else np.array(chosen, dtype=np.intp),
        counter_field=None if apart[0] is None else fields.index(apart[0]),
        counter_modulus=text_format.counter_modulus,
        device_time_field=None if apart[1] is None else fields.index(apart[1]),
        device_time_scale_s=text_format.device_time_scale_s,
        separator=separator,
        decimal_mark=mark,
        check=check,
        missing=missing,
        reply_prefix=text_format.reply_prefix.encode("ascii"),
        max_line_bytes=text_format.max_line_bytes,
        number_bytes=number_bytes,
        body_bytes=number_bytes + separator,
        block_bytes=number_bytes + separator + b"\n" + b"".join(missing) + (b"*" + _HEX if check else b""),
        may_be_ordinary=not any(
            _parse(text, mark, number_bytes) is not None or (b"." in text and mark == b",") for text in missing
        ),
    )


def _refusal(key: str, what: str, got: object, expected: str, remedy: str = "") -> UsageError:
    return UsageError(what, where=f"format.{key}", got=got, expected=expected, remedy=remedy)


def _check_format(f: TextFormat) -> None:
    _check_texts(f)
    if not f.columns or len(set(f.columns)) != len(f.columns):
        raise _refusal("columns", "columns are missing or named twice", f.columns, "one name for each field")
    for key, name in (("counter_column", f.counter_column), ("device_time_column", f.device_time_column)):
        if name is not None and name not in f.columns:
            hint = did_you_mean(name, f.columns)
            raise _refusal(key, "names no column", name, f"one of {', '.join(f.columns)}", hint)
    if f.counter_column is not None and f.counter_column == f.device_time_column:
        raise _refusal("device_time_column", "is the counter column too", f.device_time_column, "a column of its own")
    if not 2 <= f.counter_modulus <= _LARGEST_COUNTER:
        raise _refusal("counter_modulus", "out of range", f.counter_modulus, f"2 … {_LARGEST_COUNTER}")
    if not (math.isfinite(f.device_time_scale_s) and f.device_time_scale_s > 0.0):
        raise _refusal("device_time_scale_s", "not a scale", f.device_time_scale_s, "seconds per unit, above 0")
    if f.max_line_bytes < 2 * len(f.columns):
        raise _refusal("max_line_bytes", "too short for its columns", f.max_line_bytes, f"{2 * len(f.columns)} or more")


def _check_texts(f: TextFormat) -> None:
    """The texts of the format must be told from one another in every line."""
    if f.decimal_mark not in (".", ","):
        raise _refusal("decimal_mark", "not a decimal mark", f.decimal_mark, "'.' or ','")
    taken = "0123456789+-.eE*\r\n" + f.decimal_mark
    if len(f.separator) != 1 or f.separator in taken or f.separator not in _SEPARATORS:
        raise _refusal("separator", "not a separator", f.separator, "one ASCII character that no number contains")
    for text in f.missing:
        if not (text.isascii() and text.isprintable()) or f.separator in text or "*" in text:
            raise _refusal("missing", "can never be the text of a field", text, "ASCII without separator or star")
        if f.reply_prefix and text.startswith(f.reply_prefix):
            raise _refusal("missing", "starts like an answer of the device", text, f"no {f.reply_prefix!r} in front")
    first = f.reply_prefix[:1]
    if not f.reply_prefix.isascii() or (first and first in "0123456789+-.,*\r\n" + f.separator):
        raise _refusal("reply_prefix", "cannot be told from data", f.reply_prefix, "a start that no row has, as '>'")


def read_block(layout: Layout, text: bytes) -> FloatArray | None:
    """Read ordinary rows at once: (n, fields), or None when any line needs a closer look.

    ``text`` are lines, each ended by LF. Ordinary is: not too long, right check value, right number of fields, every
    field a finite number or declared as missing, counter whole and in range, device time there.
    """
    # One pass over the bytes keeps out everything that float() would take and we do not.
    if not layout.may_be_ordinary or text.translate(None, layout.block_bytes):
        return None
    longest = layout.max_line_bytes
    if layout.check is not None:
        longest -= layout.check.digits + 1
        bodies = _checked_bodies(layout.check, text.split(b"\n")[:-1])
        if bodies is None:
            return None
        text = b"\n".join(bodies) + b"\n"
    if layout.decimal_mark == b",":
        text = text.replace(b",", b".")
    table = parse_lines(text, layout.separator, len(layout.fields), layout.missing, longest)
    if table is None or np.isinf(table).any() or not _can_be_placed(layout, table):
        return None
    return table


def _checked_bodies(check: Check, lines: list[bytes]) -> list[bytes] | None:
    """The lines without their check values, or None when one is missing or wrong."""
    cut, function = check.digits + 1, check.function
    ending = b"*%%0%dX" % check.digits
    bodies = [line[:-cut] for line in lines]
    for line, body in zip(lines, bodies, strict=True):
        given, right = line[-cut:], ending % function(body)
        if given != right and given.upper() != right:
            return None
    return bodies


def _floats(layout: Layout, text: bytes) -> list[float] | None:
    """Numbers of one line; None when a field is none. ``text`` holds number bytes and separators only."""
    if layout.decimal_mark == b",":
        text = text.replace(b",", b".")
    try:
        return list(map(float, text.split(layout.separator)))
    except ValueError:
        return None


def _can_be_placed(layout: Layout, table: FloatArray) -> bool:
    """True when every row has a counter in range and a device time, where these are declared."""
    if layout.counter_field is not None:
        counter = table[:, layout.counter_field]
        if not ((counter >= 0) & (counter < layout.counter_modulus) & (counter == np.floor(counter))).all():
            return False
    return layout.device_time_field is None or not np.isnan(table[:, layout.device_time_field]).any()


def read_line(layout: Layout, line: bytes) -> list[float] | Refused:
    """Read one data line without its line end: a number for each field, NaN where not measured, or why not."""
    damaged = find_damage(line)
    if damaged is not None:
        return damaged
    body = line
    if layout.check is not None:
        body, star, given = line.rpartition(b"*")
        right = layout.check.tail(body)
        if not star:
            return Refused(BadFrameReason.CHECKSUM, "no check value at the end of the line")
        if star + given.upper() != right:
            shown = given.decode("ascii")[:16]
            detail = f"check value {shown!r} does not belong to the line, computed {right[1:].decode()!r}"
            return Refused(BadFrameReason.CHECKSUM, detail)
    count = body.count(layout.separator) + 1
    if count != len(layout.fields):
        return Refused(BadFrameReason.FIELD_COUNT, f"{count} fields, expected {len(layout.fields)}")
    numbers = _read_fields(layout, body)
    if isinstance(numbers, Refused):
        return numbers
    return _check_own_fields(layout, numbers) or numbers


def _read_fields(layout: Layout, body: bytes) -> list[float] | Refused:
    if layout.may_be_ordinary and not body.translate(None, layout.body_bytes):
        quick = _floats(layout, body)
        if quick is not None and all(map(math.isfinite, quick)):
            return quick
    numbers: list[float] = []
    for index, field in enumerate(body.split(layout.separator)):
        number = math.nan if field in layout.missing else _number(layout, field)
        if number is None:
            return Refused(BadFrameReason.NOT_A_NUMBER, _explain(layout, index, field))
        numbers.append(number)
    return numbers


def find_damage(line: bytes) -> Refused | None:
    """A NUL byte or a byte that is no printable ASCII, with its place; None when the line is text."""
    odd = line.translate(None, _TEXT)
    if not odd:
        return None
    if b"\0" in odd:
        return Refused(BadFrameReason.NUL_BYTE, f"NUL byte at byte {line.index(0) + 1} of the line")
    place = line.index(odd[0])
    return Refused(BadFrameReason.NOT_TEXT, f"byte 0x{odd[0]:02X} at byte {place + 1} of the line is not ASCII text")


def _number(layout: Layout, field: bytes) -> float | None:
    number = _parse(field, layout.decimal_mark, layout.number_bytes)
    return None if number is None or math.isinf(number) else number


def _parse(field: bytes, decimal_mark: bytes, number_bytes: bytes) -> float | None:
    """The number, infinite when too large for a double; None when the field is none."""
    if field.translate(None, number_bytes):
        return None
    try:
        return float(field.replace(decimal_mark, b"."))
    except ValueError:
        return None


def _explain(layout: Layout, index: int, field: bytes) -> str:
    text = field.decode("ascii")
    where = f"field {index + 1} ({layout.fields[index]})"
    if text == "":
        return f"{where} is empty, and an empty field is not declared as missing"
    mark = layout.decimal_mark.decode()
    other = "," if mark == "." else "."
    shown = text if len(text) <= 32 else text[:32] + "…"
    if other in text and _number(layout, field.replace(other.encode(), mark.encode())) is not None:
        return f"{where}: {shown!r} has a decimal {_MARK_NAME[other]} where a decimal {_MARK_NAME[mark]} is declared"
    return f"{where}: {shown!r} is not a number"


_MARK_NAME = {".": "point", ",": "comma"}


def _check_own_fields(layout: Layout, numbers: list[float]) -> Refused | None:
    """Counter and device time are never missing: a row that cannot be placed is not a row."""
    if layout.counter_field is not None:
        counter = numbers[layout.counter_field]
        if not (0.0 <= counter < layout.counter_modulus and counter == math.floor(counter)):
            name = layout.fields[layout.counter_field]
            return Refused(
                BadFrameReason.NOT_A_NUMBER,
                f"counter {name!r} is {counter:g}, not a whole number from 0 to {layout.counter_modulus - 1}",
            )
    if layout.device_time_field is not None and math.isnan(numbers[layout.device_time_field]):
        return Refused(
            BadFrameReason.NOT_A_NUMBER, f"device time {layout.fields[layout.device_time_field]!r} is missing"
        )
    return None
