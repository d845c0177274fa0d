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
_POINT, _MINUS, _PLUS, _LINE_END = ord("."), ord("-"), ord("+"), ord("\n")
_POWER = 10.0 ** np.arange(_DIGITS + 1)
_PAST_EIGHT = np.uint64(10**_DIGITS)
_EXACT = np.uint64(2**53)
_KEEP = np.array([(0xFFFFFFFFFFFFFFFF << (64 - 8 * n)) & 0xFFFFFFFFFFFFFFFF for n in range(9)], dtype=np.uint64)
"""Mask of the last n of eight bytes, the last one in the highest place."""

_ZEROS = np.uint64(0x3030303030303030)
_OVER_NINE = np.uint64(0x7676767676767676)
_HIGH_BITS = np.uint64(0x8080808080808080)
_LOW_BYTES = np.uint64(0x000000FF000000FF)
_TEN, _ONE_BYTE, _TWO_BYTES, _HALF = np.uint64(10), np.uint64(8), np.uint64(16), np.uint64(32)
_SIGN_PLACE = np.uint64(63)
_HUNDREDS, _UNITS = np.uint64(100 + (1_000_000 << 32)), np.uint64(1 + (10_000 << 32))


def parse_numbers(text: bytes, separator: bytes, missing: frozenset[bytes] = frozenset()) -> FloatArray | None:
    """Numbers of the separated fields of ``text``, (fields,); None when any field is no number.

    A field whose text is in ``missing`` is NaN; no text in it may look like a number. Too large a number is infinite.
    """
    ended = text + separator  # one behind, so that each field has an end
    return _values(ended, _Fields(ended, separator), missing)


def parse_lines(
    text: bytes, separator: bytes, columns: int, missing: frozenset[bytes], longest: int
) -> FloatArray | None:
    """Numbers of lines, each ended by LF, (lines, columns).

    None also when a line has more fields or fewer, or is longer than ``longest`` bytes.
    """
    ended = text.replace(b"\n", separator)
    fields = _Fields(ended, separator)
    end = fields.end - _DIGITS
    line_end = end[columns - 1 :: columns]
    ends_line = np.frombuffer(text, dtype=np.uint8).take(end) == _LINE_END
    if len(end) % columns or not ends_line[columns - 1 :: columns].all():
        return None
    if np.count_nonzero(ends_line) != len(line_end):
        return None
    if line_end[0] > longest or (line_end[1:] - line_end[:-1] > longest + 1).any():
        return None
    values = _values(ended, fields, missing)
    return None if values is None else values.reshape(-1, columns)


class _Fields:
    """Where fields and their points are; eight bytes stand in front, so that every field has eight before its end."""

    def __init__(self, ended: bytes, separator: bytes) -> None:
        self.separator = separator
        self.buffer = np.frombuffer(b"00000000" + ended, dtype=np.uint8)
        marks = np.flatnonzero((self.buffer == separator[0]) | (self.buffer == _POINT))
        at = np.flatnonzero(self.buffer[marks] == separator[0])
        self.end = marks[at]
        self.marks = np.empty_like(at)
        """How many a field has: its end, and its points."""
        self.marks[:1] = at[:1] + 1
        np.subtract(at[1:], at[:-1], out=self.marks[1:])
        self.has_point = self.marks == 2
        self.point = np.where(self.has_point, marks[at - 1], self.end)


def _values(ended: bytes, fields: _Fields, missing: frozenset[bytes]) -> FloatArray | None:
    buffer, end, point = fields.buffer, fields.end, fields.point
    words = np.ndarray((len(buffer) - 7,), dtype="<u8", buffer=buffer.data, strides=(1,))
    start = np.empty_like(end)
    start[:1] = _DIGITS
    np.add(end[:-1], 1, out=start[1:])
    first = buffer[start]
    negative = first == _MINUS
    start += negative | (first == _PLUS)
    before = point - start
    behind = end - point
    behind -= fields.has_point
    count = before + behind
    # Two points in one field, too many digits or none: not one of ours.
    ours = (fields.marks <= 2) & (before <= _DIGITS) & (behind <= _DIGITS) & (count > 0)
    if not ours.all():
        before, behind = np.where(ours, before, 0), np.where(ours, behind, 0)
        count = before + behind
    # The digits before the point move up to those behind it, into its place.
    front = words[point - _DIGITS]
    back = words[end - _DIGITS]
    joined = front >> (behind << 3).view(np.uint64)  # by 64 bits nothing is left, as numpy defines it
    joined |= back & _KEEP.take(behind, mode="clip")
    whole, all_digits = _eight_digits(joined, count)
    ours &= all_digits
    if count.max(initial=0) > _DIGITS:
        long = np.flatnonzero(count > _DIGITS)
        # The last eight digits are done: those before them are what did not find room beside the ones behind the point.
        left_over = front[long] << ((_DIGITS - behind[long]) << 3).view(np.uint64)
        high, high_digits = _eight_digits(left_over, count[long] - _DIGITS)
        longer = high * _PAST_EIGHT + whole[long]
        whole[long] = longer
        ours[long] &= high_digits & (longer <= _EXACT)
    values: FloatArray = whole.astype(np.float64)
    values /= _POWER.take(behind, mode="clip")
    bits = values.view(np.uint64)
    bits |= negative.astype(np.uint64) << _SIGN_PLACE  # several times as quick as to negate where it is so
    if ours.all():
        return values
    return _others(ended[:-1].split(fields.separator), missing, values, ours)


def _eight_digits(words: _Words, count: _Places) -> tuple[_Words, npt.NDArray[np.bool_]]:
    """The last ``count`` characters of each word as a number, and whether all of them are digits."""
    digits = words ^ _ZEROS
    digits &= _KEEP.take(count, mode="clip")  # more than eight are eight
    # A byte above 9 sets its high bit here; the sum of bytes below 128 carries nothing into the next.
    all_digits = ((digits + _OVER_NINE) | digits) & _HIGH_BITS == 0
    pairs = digits >> _ONE_BYTE
    digits *= _TEN
    pairs += digits
    odd = pairs >> _TWO_BYTES
    odd &= _LOW_BYTES
    odd *= _UNITS
    pairs &= _LOW_BYTES
    pairs *= _HUNDREDS
    pairs += odd
    pairs >>= _HALF
    return pairs, all_digits


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
