"""What a text file looks like: a proposal for a person to read and declare. Nothing here is ever applied by itself."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

from benchkit.decode.file_text import read_stamp
from benchkit.decode.header import plain_unit
from benchkit.decode.quotes import split_quoted
from benchkit.errors import DataError
from benchkit.model.file_format import Encoding
from benchkit.units import ACCEPTED, Quantity, scale_to_bench

_SEPARATORS = (";", "\t", "|", ",", " ")
_NUMBER = {mark: re.compile(rf"[+-]?(\d+({re.escape(mark)}\d*)?|{re.escape(mark)}\d+)([eE][+-]?\d+)?") for mark in ".,"}
_TIME_NAMES = re.compile(
    r"(t|time|zeit|timestamp|elapsed|uptime|tick|ticks)([ _\[(]+(s|sec|ms|us|µs|ns|min)[\])]*)?", re.I
)
_MISSING = ("", "nan", "NaN", "NAN", "n/a", "N/A", "NA", "-", "--", "null", "None", "#N/A")
_SAMPLE_LINES = 200


@dataclass(frozen=True, slots=True)
class Dialect:
    """A proposal. ``doubts`` says what was not clear."""

    encoding: Encoding
    separator: str
    decimal_mark: str
    is_quoted: bool
    lines_before: int
    names: tuple[str, ...]
    """Of the file, or made up where it has none."""
    has_names: bool
    units: tuple[str, ...]
    """Texts of the line of units; empty where there is none."""
    missing: tuple[str, ...]
    time_column: str | None
    iso_time: bool
    stamp_has_zone: bool
    time_unit: str | None
    doubts: tuple[str, ...]


def propose(data: bytes, where: str) -> Dialect:
    """Look at the first bytes of a file.

    Raises:
        DataError: these bytes are no delimited text.
    """
    text, encoding = _decoded(data, where)
    lines = text.split("\n")
    if len(lines) > 1:
        lines.pop()  # perhaps cut
    lines = [line.removesuffix("\r") for line in lines[:_SAMPLE_LINES]]
    separator, mark, is_quoted = _signs(lines)
    rows = [_split(line, separator, is_quoted) for line in lines]
    widths = Counter(len(row) for row in rows[len(rows) // 3 :] if row != [""])
    if not widths:
        raise DataError("the file is empty", where=where, remedy="Check that it is the right file.")
    columns = max(widths, key=lambda n: (widths[n], n))
    first_row = next((i for i, row in enumerate(rows) if len(row) == columns and _is_row(row, mark)), None)
    if first_row is None:
        raise DataError(
            "no line looks like a row of numbers", where=where, got=lines[0][:60], remedy="Is this a table of numbers?"
        )
    doubts: list[str] = []
    names, units, before = _words_before(rows[:first_row], mark, columns)
    if names and len(names) != columns:
        doubts.append(
            f"{len(names)} names but {columns} fields: with commas between the fields, a decimal comma makes two of"
            " one; save the file with ';' between the fields"
        )
    has_names = bool(names)
    shown = names if len(names) == columns else tuple(f"column_{i + 1}" for i in range(columns))
    body = [row for row in rows[first_row:] if len(row) == columns]
    missing = tuple(t for t in _MISSING if any(t in row for row in body)) or ("",)
    time, is_iso, has_zone, unit = _time(shown, units, body, doubts)
    if len(set(shown)) != len(shown):
        twice = sorted({name for name in shown if shown.count(name) > 1})
        doubts.append(f"names that come twice: {', '.join(twice)}; every column needs its own name in the file")
    if any("," in f and "." in f for row in body for f in row):
        doubts.append("fields with both ',' and '.': thousands marks are not read")
    return Dialect(
        encoding, separator, mark, is_quoted, before, shown, has_names, units if len(units) == columns else (), missing,
        time, is_iso, has_zone, unit, tuple(doubts),
    )  # fmt: skip


def _decoded(data: bytes, where: str) -> tuple[str, Encoding]:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise DataError("the file is UTF-16 text", where=where, remedy="Save it again as CSV in UTF-8.")
    if data.startswith(b"\xef\xbb\xbf"):
        return data[3:].decode("utf-8", "replace"), Encoding.UTF8_SIG
    whole = data[: data.rfind(b"\n") + 1] or data
    try:
        return whole.decode("utf-8"), Encoding.UTF8
    except UnicodeDecodeError:
        return whole.decode("latin-1"), Encoding.LATIN1


def _signs(lines: list[str]) -> tuple[str, str, bool]:
    """Separator, decimal mark, and whether fields stand in quotes: the pair that reads most fields as numbers."""
    is_quoted = any('"' in line for line in lines)
    best = (-1.0, 0, ",", ".")
    for separator in _SEPARATORS:
        rows = [_split(line, separator, is_quoted) for line in lines if separator in line]
        if not rows:
            continue
        columns, times = Counter(len(row) for row in rows).most_common(1)[0]
        body = [row for row in rows if len(row) == columns]
        for mark in ".,":
            if mark == separator and not is_quoted:
                continue
            fields = [f for row in body for f in row]
            good = sum(bool(_NUMBER[mark].fullmatch(f)) or f in _MISSING or _is_stamp(f) for f in fields)
            share = round(good / len(fields) * times / len(lines), 3)
            best = max(best, (share, columns, separator, mark))
    return best[2], best[3], is_quoted


def _split(line: str, separator: str, is_quoted: bool) -> list[str]:
    return (split_quoted(line, separator) if is_quoted else None) or line.split(separator)


def _is_stamp(field: str) -> bool:
    return len(field) >= 19 and isinstance(read_stamp(field, "UTC"), int)


def _is_row(row: list[str], mark: str) -> bool:
    good = [bool(_NUMBER[mark].fullmatch(f)) or _is_stamp(f) for f in row]
    return any(good) and all(g or f in _MISSING for g, f in zip(good, row, strict=True))


def _words_before(rows: list[list[str]], mark: str, columns: int) -> tuple[tuple[str, ...], tuple[str, ...], int]:
    """Names, units and the number of lines before them, from the lines before the first row.

    A line of names has no number in it; where several could be it, one with the right number of fields is.
    """
    words = [i for i, row in enumerate(rows) if row != [""] and not any(_NUMBER[mark].fullmatch(f) for f in row)]
    fitting = [i for i in words if len(rows[i]) == columns]
    if not words:
        return (), (), 0
    at = fitting[0] if fitting else words[-1]
    names = tuple(f.strip() for f in rows[at])
    units = [f.strip() for f in rows[at + 1]] if at + 1 in words and len(rows[at + 1]) == len(names) else []
    return names, tuple(units) if _looks_like_units(units) else (), at


def _looks_like_units(fields: list[str]) -> bool:
    known = [plain_unit(f) for f in fields]
    hits = [any(_is_unit(q, unit) for q in ACCEPTED) or unit == "mV/V" for unit in known]
    return any(hits) and sum(hits) * 2 >= len(fields)


def _is_unit(quantity: Quantity, unit: str) -> bool:
    try:
        scale_to_bench(quantity, unit)
    except Exception:  # noqa: BLE001 - any refusal means no
        return False
    return unit != ""


def _time(
    names: tuple[str, ...], units: tuple[str, ...], body: list[list[str]], doubts: list[str]
) -> tuple[str | None, bool, bool, str | None]:
    for index, name in enumerate(names):
        fields = [row[index] for row in body]
        stamps = [f for f in fields if _is_stamp(f)]
        if stamps:
            has_zone = all(isinstance(read_stamp(f, None), int) for f in stamps)
            if not has_zone:
                doubts.append(
                    f"column {name!r} holds dates and times without a zone: declare the zone they were taken in"
                )
            return name, True, has_zone, None
    for index, name in enumerate(names):
        match = _TIME_NAMES.fullmatch(name.strip())
        if match is None:
            continue
        unit = match.group(3) or (plain_unit(units[index]) if index < len(units) else None)
        unit = {"us": "µs", "sec": "s"}.get((unit or "").lower(), unit)
        if unit is None:
            doubts.append(f"column {name!r} looks like the time; what one count of it is has to be declared")
        return name, False, False, unit
    doubts.append("no column looks like the time: declare [file.time], or give the rows per second (--rate)")
    return None, False, False, None
