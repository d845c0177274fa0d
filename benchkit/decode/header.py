"""The first line of a text file: names of columns, checked against those that are declared."""

from __future__ import annotations

from dataclasses import replace

from benchkit.decode.lines import find_damage
from benchkit.decode.quotes import split_quoted
from benchkit.errors import DataError, did_you_mean
from benchkit.model.file_format import Encoding, FileFormat
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
    return replace(text_format, columns=_checked_names(names, text_format, place, text))


def names_of_file(file_format: FileFormat, header: bytes, where: str) -> FileFormat:
    """Return ``file_format`` with its columns in the order of ``header``, the file's line of names, in the declared
    encoding (see :func:`format_of_file`).

    Raises:
        DataError: the line does not name the declared columns.
    """
    place = f"{where}: line {file_format.lines_before + 1}"
    text = file_format.text
    fields = fields_of_line(file_format, header, place)
    names = tuple(field.strip() for field in fields)
    return replace(file_format, text=replace(text, columns=_checked_names(names, text, place, " ".join(names))))


def units_of_file(file_format: FileFormat, line: bytes, where: str) -> dict[str, str]:
    """Texts of the file's line of units by column; ``file_format`` has its columns in the order of the file.

    Square or round brackets around a unit are taken off.

    Raises:
        DataError: not one text for each column.
    """
    place = f"{where}: line {file_format.lines_before + 2}"
    columns = file_format.text.columns
    fields = [field.strip() for field in fields_of_line(file_format, line, place)]
    if len(fields) != len(columns):
        raise DataError(
            "the line of units does not fit the names",
            where=place,
            got=f"{len(fields)} fields",
            expected=f"{len(columns)} fields",
            remedy="Mend the line, or declare units_row = false where the file has none.",
        )
    return {name: plain_unit(field) for name, field in zip(columns, fields, strict=True)}


def plain_unit(text: str) -> str:
    """A unit without brackets around it."""
    inner = text[1:-1].strip()
    return inner if (text[:1], text[-1:]) in (("[", "]"), ("(", ")")) else text


def fields_of_line(file_format: FileFormat, line: bytes, place: str) -> list[str]:
    """Fields of a line of words, in the declared encoding.

    Raises:
        DataError: the line is not text in that encoding, is too long, or its quotes do not match.
    """
    limit, encoding = file_format.text.max_line_bytes, file_format.encoding
    if line.startswith(_WIDE_TEXT) and encoding is not Encoding.LATIN1:
        raise DataError("the file is UTF-16 text", where=place, remedy="Save it again as CSV in ASCII or UTF-8.")
    plain = line.rstrip(b"\r\n")
    if file_format.encoding is not Encoding.LATIN1:
        plain = plain.removeprefix(_BYTE_ORDER_MARK)
    if len(plain) > limit:
        raise DataError(f"no line end within {limit} bytes", where=place, remedy="Check that this is a text file.")
    if not plain:
        raise DataError("the line is empty or missing", where=place, remedy="Check the file and lines_before.")
    try:
        text = plain.decode("latin-1" if encoding is Encoding.LATIN1 else "utf-8")
    except UnicodeDecodeError as error:
        raise DataError(
            f"byte 0x{plain[error.start]:02X} at byte {error.start + 1} of the line is not {encoding.value}",
            where=place,
            remedy="Declare the encoding that the file has.",
        ) from error
    if not text.replace("\t", "").isprintable():
        raise DataError("a byte of the line is no text", where=place, got=text[:60], remedy="Check the file.")
    if not file_format.is_quoted:
        return text.split(file_format.text.separator)
    fields = split_quoted(text, file_format.text.separator)
    if fields is None:
        raise DataError("double quotes do not match", where=place, got=text[:60], remedy="Mend the line.")
    return fields


def _checked_names(names: tuple[str, ...], text_format: TextFormat, place: str, text: str) -> tuple[str, ...]:
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
    return names


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
