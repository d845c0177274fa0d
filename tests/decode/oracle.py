"""A second reader of text lines, written apart from the decoder and as plainly as can be.

Only what a row is stands here; what is wrong with a line that is no row does not.
"""

from __future__ import annotations

import re

from benchkit.model.sources import Checksum, TextFormat


def rows_of(data: bytes, text_format: TextFormat) -> list[list[float]]:
    """Every field of every good row; bytes after the last line end are no line."""
    found = []
    for raw in data.split(b"\n")[:-1]:
        line = raw[:-1] if raw[-1:] == b"\r" else raw
        fields = _fields(line, text_format)
        if fields is not None:
            found.append(fields)
    return found


def _fields(line: bytes, f: TextFormat) -> list[float] | None:  # noqa: PLR0911 - one return for each rule
    if len(line) > f.max_line_bytes or (f.reply_prefix and line.startswith(f.reply_prefix.encode())):
        return None
    text = line.decode("latin-1")
    if f.checksum is not Checksum.NONE:
        ending = re.fullmatch(r"(.*)\*([0-9A-Fa-f]+)", text, re.DOTALL)
        if ending is None or not _is_right(ending[1].encode("latin-1"), ending[2], f.checksum):
            return None
        text = ending[1]
    if text == "" and not (len(f.columns) == 1 and "" in f.missing):
        return None
    number = re.compile(r"[+-]?([0-9]+(%s[0-9]*)?|%s[0-9]+)([eE][+-]?[0-9]+)?" % ((re.escape(f.decimal_mark),) * 2))
    values = []
    for name, field in zip(f.columns, text.split(f.separator), strict=False):
        if field in f.missing:
            if name in (f.counter_column, f.device_time_column):
                return None
            values.append(float("nan"))
        elif number.fullmatch(field) and abs(value := float(field.replace(f.decimal_mark, "."))) != float("inf"):
            if name == f.counter_column and not (value >= 0 and value < f.counter_modulus and value % 1 == 0):
                return None
            values.append(value)
        else:
            return None
    return values if len(text.split(f.separator)) == len(f.columns) else None


def _is_right(body: bytes, digits: str, checksum: Checksum) -> bool:
    """Check values bit by bit, from the definition of the polynomial."""
    if checksum is Checksum.XOR8:
        value = 0
        for byte in body:
            value ^= byte
        return len(digits) == 2 and int(digits, 16) == value
    if checksum is Checksum.CRC16_CCITT_FALSE:
        value = 0xFFFF
        for byte in body:
            value ^= byte << 8
            for _ in range(8):
                value = ((value << 1) ^ 0x1021 if value & 0x8000 else value << 1) & 0xFFFF
        return len(digits) == 4 and int(digits, 16) == value
    value = 0xFFFFFFFF
    for byte in body:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ (0xEDB88320 if value & 1 else 0)
    return len(digits) == 8 and int(digits, 16) == value ^ 0xFFFFFFFF
