"""Many decimal numbers at once, eight digits in one machine word: several times as fast as ``float`` one by one.

A field ``[+-]iiii.ffff`` of up to eight digits before and eight behind the point is the whole number ``iiiiffff``
over a power of ten. Up to 2**53 both are exact in a double, so that their quotient, rounded once by IEEE 754, is the
double nearest to the written number: the same that ``float`` gives. (The exact case of W. D. Clinger, *How to read
floating point numbers accurately*, PLDI 1990; cited from memory.) Other fields, as with an exponent or more digits, go
through ``float`` one by one. ``tests/decode/test_digits.py`` holds both together.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
_Words = npt.NDArray[np.uint64]
_Places = npt.NDArray[np.int64]

_DIGITS = 8
_NUMBER = b"0123456789+-.eE"
_POINT, _MINUS, _PLUS = ord("."), ord("-"), ord("+")
_POWER = 10.0 ** np.arange(_DIGITS + 1)
_WHOLE_POWER = 10 ** np.arange(_DIGITS + 1, dtype=np.uint64)
_EXACT = np.uint64(2**53)
_KEEP = np.array([(0xFFFFFFFFFFFFFFFF << (64 - 8 * n)) & 0xFFFFFFFFFFFFFFFF for n in range(9)], dtype=np.uint64)
"""Mask of the last n of eight bytes, the last one in the highest place."""

_ZEROS = np.uint64(0x3030303030303030)
_OVER_NINE = np.uint64(0x7676767676767676)
_HIGH_BITS = np.uint64(0x8080808080808080)
_LOW_BYTES = np.uint64(0x000000FF000000FF)
_TEN, _ONE_BYTE, _TWO_BYTES, _HALF = np.uint64(10), np.uint64(8), np.uint64(16), np.uint64(32)
_HUNDREDS, _UNITS = np.uint64(100 + (1_000_000 << 32)), np.uint64(1 + (10_000 << 32))


def parse_numbers(text: bytes, separator: bytes, missing: frozenset[bytes] = frozenset()) -> FloatArray | None:
    """Numbers of the separated fields of ``text``, (fields,); None when any field is no number.

    A field whose text is in ``missing`` is NaN; no text in it may look like a number. Too large a number is infinite.
    """
    # Eight bytes in front, so that every field has eight before its end; one separator behind, so that each has an end.
    buffer = np.frombuffer(b"00000000" + text + separator, dtype=np.uint8)
    words = np.ndarray((len(buffer) - 7,), dtype="<u8", buffer=buffer.data, strides=(1,))
    marks = np.flatnonzero((buffer == separator[0]) | (buffer == _POINT))
    is_end = buffer[marks] == separator[0]
    at = np.flatnonzero(is_end)
    end = marks[at]
    start = np.concatenate([[_DIGITS], end[:-1] + 1])
    has_point = np.diff(at, prepend=-1) == 2
    point = np.where(has_point, marks[at - 1], end)

    first = buffer[start]
    negative = first == _MINUS
    start = start + (negative | (first == _PLUS))
    before = point - start
    behind = np.where(has_point, end - point - 1, 0)
    # Two points in one field, too many digits or none: not one of ours.
    ours = (np.diff(at, prepend=-1) <= 2) & (before <= _DIGITS) & (behind <= _DIGITS) & (before + behind > 0)
    before, behind = np.where(ours, before, 0), np.where(ours, behind, 0)

    whole, whole_ok = _eight_digits(words[point - _DIGITS], before)
    fraction, fraction_ok = _eight_digits(words[end - _DIGITS], behind)
    number = whole * _WHOLE_POWER[behind] + fraction
    ours &= whole_ok & fraction_ok & (number <= _EXACT)
    values: FloatArray = number.astype(np.float64) / _POWER[behind]
    np.negative(values, out=values, where=negative)
    return values if ours.all() else _others(text.split(separator), missing, values, ours)


def _eight_digits(words: _Words, count: _Places) -> tuple[_Words, npt.NDArray[np.bool_]]:
    """The last ``count`` characters of each word as a number, and whether all of them are digits."""
    digits = (words ^ _ZEROS) & _KEEP[count]
    # A byte above 9 sets its high bit here; the sum of bytes below 128 carries nothing into the next.
    all_digits = ((digits + _OVER_NINE) | digits) & _HIGH_BITS == 0
    pairs = digits * _TEN + (digits >> _ONE_BYTE)
    return (((pairs & _LOW_BYTES) * _HUNDREDS + ((pairs >> _TWO_BYTES) & _LOW_BYTES) * _UNITS) >> _HALF), all_digits


def _others(
    fields: list[bytes], missing: frozenset[bytes], values: FloatArray, ours: npt.NDArray[np.bool_]
) -> FloatArray | None:
    try:
        for index in np.flatnonzero(~ours).tolist():
            field = fields[index]
            if field in missing:
                values[index] = np.nan
            elif field.translate(None, _NUMBER):
                return None  # float() takes more than a number is made of
            else:
                values[index] = float(field)
    except ValueError:
        return None
    return values
