"""A declared file format: TOML in, frozen :class:`benchkit.model.file_format.FileFormat` out.

The file has one section ``[file]`` with, where needed, ``[file.time]`` and ``[file.units]``; ``benchkit import
--preview`` proposes one.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError

from benchkit.errors import ProfileError, UsageError
from benchkit.model.file_format import Encoding, FileFormat
from benchkit.model.sources import TextFormat
from benchkit.profiles.base import Section
from benchkit.profiles.collect import Collector
from benchkit.profiles.messages import problem_from
from benchkit.profiles.nesting import check_nesting
from benchkit.profiles.source_schema import Separator
from benchkit.units import Quantity

MAX_FORMAT_BYTES = 200_000
MAX_LISTED = 100
_NS = 1e-9


class TimeSection(Section):
    """``[file.time]``: the column that says when a row was taken. ``number``: counts of ``unit``, or of
    ``seconds_per_tick``; ``iso8601``: date and time."""

    column: str
    kind: Literal["number", "iso8601"]
    unit: str | None = None
    seconds_per_tick: Annotated[float, Field(gt=0.0, allow_inf_nan=False)] | None = None
    zone: Annotated[str, Field(pattern=r"^(UTC|[+-]([01]\d|2[0-3]):[0-5]\d)$")] | None = None


class FileSection(Section):
    """``[file]``: everything around and in the rows. What is left out is not in the file."""

    separator: Separator
    decimal_mark: Literal[".", ","]
    columns: Annotated[list[str], Field(min_length=1, max_length=4096)]
    encoding: Annotated[Encoding, Field(strict=False)] = Encoding.UTF8
    names: bool = True
    lines_before: Annotated[int, Field(ge=0, le=1000)] = 0
    units_row: bool = False
    quoted: bool = False
    missing: list[str] = Field(default_factory=lambda: ["", "nan"])
    counter_column: str | None = None
    counter_modulus: Annotated[int, Field(ge=2)] = 65536
    max_line_bytes: Annotated[int, Field(ge=64, le=65536)] = 4096
    time: TimeSection | None = None
    units: dict[str, str] = Field(default_factory=dict)


class FormatFile(Section):
    """The whole file."""

    file: FileSection


def load_file_format(path: Path) -> FileFormat:
    """Read the format declared in the TOML file at ``path``.

    Raises:
        UsageError: the file cannot be read or is not TOML.
        ProfileError: with every fault found.
    """
    try:
        if path.exists() and not path.is_file():
            raise UsageError("not a file", where=str(path), remedy="Give the path of a format (TOML).")
        if path.stat().st_size > MAX_FORMAT_BYTES:
            raise UsageError("too large for a format", where=str(path), expected=f"at most {MAX_FORMAT_BYTES} bytes")
        text = path.read_text("utf-8")
    except OSError as error:
        raise UsageError(
            "cannot be read", where=str(path), got=error.strerror, remedy="Check path and rights."
        ) from error
    except UnicodeDecodeError as error:
        raise UsageError("not UTF-8 text", where=str(path), got=str(error), remedy="Save it as UTF-8.") from error
    return file_format_from_toml(text, str(path))


def file_format_from_toml(text: str, origin: str) -> FileFormat:
    """The format declared in ``text``; ``origin`` names it in errors (see :func:`load_file_format`)."""
    try:
        check_nesting(text, origin)
        mapping = tomllib.loads(text)
    except ValueError as error:
        raise UsageError("not TOML", where=origin, got=str(error)[:200], remedy="Mend the line named.") from error
    except RecursionError as error:
        raise UsageError("nested too deeply", where=origin, remedy="A format has at most two levels.") from error
    try:
        section = FormatFile.model_validate(mapping).file
    except ValidationError as error:
        listed = error.errors(include_url=False)[:MAX_LISTED]
        raise ProfileError(origin, [problem_from(e, FormatFile, origin) for e in listed]) from None
    return _converted(section, origin)


def _converted(s: FileSection, origin: str) -> FileFormat:
    collect = Collector(origin)
    doubled = sorted({c for c in s.columns if s.columns.count(c) > 1})
    if doubled:
        collect.fault("file.columns", f"columns named twice: {', '.join(doubled)}")
    if s.separator == s.decimal_mark and not s.quoted:
        collect.fault(
            "file.decimal_mark",
            "separator and decimal mark are the same sign",
            s.decimal_mark,
            remedy="Only quoted fields can hold it.",
        )
    for key, column in (("counter_column", s.counter_column), ("time.column", s.time.column if s.time else None)):
        if column is not None:
            collect.known(f"file.{key}", "column", column, s.columns)
    for column in s.units:
        collect.known(f"file.units.{column}", "column", column, s.columns)
    if s.units_row and not s.names:
        collect.fault("file.units_row", "a line of units stands behind a line of names", expected="names = true")
    for index, name in enumerate(s.missing):
        if not name.isascii():
            collect.fault(f"file.missing.{index}", "not ASCII text", name)
    scale_s = _time_scale(s.time, collect) if s.time is not None else 1.0
    if collect.problems:
        raise ProfileError(origin, collect.problems)
    text = TextFormat(
        columns=tuple(s.columns),
        separator=s.separator,
        decimal_mark=s.decimal_mark,
        counter_column=s.counter_column,
        counter_modulus=s.counter_modulus,
        device_time_column=s.time.column if s.time else None,
        device_time_scale_s=scale_s,
        missing=tuple(s.missing),
        reply_prefix="",
        max_line_bytes=s.max_line_bytes,
    )
    return FileFormat(
        text=text,
        has_names=s.names,
        lines_before=s.lines_before,
        has_units=s.units_row,
        encoding=s.encoding,
        is_quoted=s.quoted,
        iso_time=s.time is not None and s.time.kind == "iso8601",
        zone=s.time.zone if s.time else None,
        units=dict(s.units),
    )


def _time_scale(time: TimeSection, collect: Collector) -> float:
    key = "file.time"
    if time.kind == "iso8601":
        for name, value in (("unit", time.unit), ("seconds_per_tick", time.seconds_per_tick)):
            if value is not None:
                collect.fault(f"{key}.{name}", "a date and time has no scale", value, remedy="Leave it out.")
        return _NS
    if time.zone is not None:
        collect.fault(f"{key}.zone", "a number has no zone", time.zone, remedy="Leave it out.")
    if (time.unit is None) == (time.seconds_per_tick is None):
        collect.fault(key, "either unit or seconds_per_tick says what the numbers count", expected="one of the two")
        return 1.0
    if time.seconds_per_tick is not None:
        return time.seconds_per_tick
    return collect.scale(key, Quantity.TIME, time.unit or "").factor
