"""The first line of a text file: names of columns, checked against those that are declared."""

from __future__ import annotations

from dataclasses import replace

from benchkit.decode.lines import find_damage
from benchkit.errors import DataError, did_you_mean
from benchkit.model.sources import TextFormat

_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_WIDE_TEXT = (b"\xff\xfe", b"\xfe\xff")


def format_of_file(text_format: TextFormat, header: bytes, where: str) -> TextFormat:
    """Return ``text_format`` with its columns in the order of ``header``, the first line of a file.

    Names may stand in double quotes, and the order may differ from the declared one; every declared column must be
    there and no other. A check value at the end of the line is not tried. ``where`` is the file's name.

    Raises:
        DataError: the line does not name the declared columns.
    """
    place = f"{where}: line 1"
    text = _text_of(header, place, text_format.max_line_bytes).split("*")[0]
    names = tuple(name.strip().strip('"') for name in text.split(text_format.separator))
    declared = text_format.columns
    expected = f"the columns {', '.join(declared)} with {text_format.separator!r} between them"
    missing = [name for name in declared if name not in names]
    extra = [name for name in names if name not in declared]
    if len(missing) == len(declared):
        raise DataError(
            "none of the declared columns is named",
            where=place,
            got=text[:80],
            expected=expected,
            remedy="Check the separator, and that the first line names the columns.",
        )
    if missing or extra:
        faults = [f"column {name!r} is missing" for name in missing]
        faults += [f"column {name!r} is not declared" for name in extra]
        hints = [hint for name in extra if (hint := did_you_mean(name, missing))]
        hints.append("Mend the names in the file, or declare its columns in the format of the source.")
        raise DataError("; ".join(faults), where=place, expected=expected, remedy=" ".join(hints))
    if len(set(names)) != len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise DataError(f"column {twice!r} is named twice", where=place, remedy="Give every column its own name.")
    return replace(text_format, columns=names)


def _text_of(header: bytes, place: str, max_line_bytes: int) -> str:
    if not header:
        raise DataError("the file is empty", where=place, expected="names of columns", remedy="Check the file.")
    if header.startswith(_WIDE_TEXT):
        raise DataError("the file is UTF-16 text", where=place, remedy="Save it again as CSV in ASCII or UTF-8.")
    line = header.removeprefix(_BYTE_ORDER_MARK).rstrip(b"\r\n")
    expected, remedy = "names of columns", "Check that this is a text file with one line for each row."
    damage = find_damage(line)
    if damage is not None:
        raise DataError(damage.detail, where=place, expected=expected, remedy=remedy)
    if len(line) > max_line_bytes:
        what = f"no line end within {max_line_bytes} bytes"
        raise DataError(what, where=place, expected=expected, remedy=remedy)
    return line.decode("ascii")
