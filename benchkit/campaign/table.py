"""Rows of all runs as one table: CSV always, Parquet where pyarrow is installed (extra ``export``)."""

from __future__ import annotations

import csv
import io
import os
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from benchkit.campaign.points import Row, Value


def columns_of(rows: Iterable[Mapping[str, object]], first: Sequence[str] = ()) -> list[str]:
    """Names of all columns, ``first`` first, then in the order in which they come."""
    names = dict.fromkeys(first)
    for row in rows:
        names.update(dict.fromkeys(row))
    return list(names)


def csv_text(rows: Sequence[Row], columns: Sequence[str]) -> str:
    """The table as text: what is not measured is an empty cell, numbers have all their digits.

    A text that a spreadsheet would take for a formula gets an apostrophe in front.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(row.get(name)) for name in columns])
    return out.getvalue()


def _cell(value: Value) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"'{value}" if value[:1] in ("=", "+", "-", "@", "\t", "\r") else value
    return repr(value)


def write_parquet(path: Path, rows: Sequence[Row], columns: Sequence[str], about: Mapping[str, str]) -> bool:
    """The table as Parquet, with ``about`` in its metadata; False where pyarrow is not installed."""
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        return False
    arrays = {name: _array([row.get(name) for row in rows]) for name in columns}
    table = pyarrow.table(arrays).replace_schema_metadata({key: str(value) for key, value in about.items()})

    def write(place: str) -> None:
        pyarrow.parquet.write_table(table, place, compression="zstd")

    whole(path, write)
    return True


def _array(values: list[Value]) -> object:
    """One type a column: numbers as float64 unless all are whole, texts as text where the kinds are mixed."""
    import pyarrow

    kinds = {type(value) for value in values if value is not None}
    if kinds <= {bool} and kinds:
        return pyarrow.array(values, pyarrow.bool_())
    if kinds <= {int} and kinds:
        return pyarrow.array(values, pyarrow.int64())
    if kinds <= {int, float}:
        return pyarrow.array([None if value is None else float(value) for value in values], pyarrow.float64())
    return pyarrow.array([None if value is None else str(value) for value in values], pyarrow.string())


def write_text(path: Path, text: str) -> None:
    """A text file, whole or not at all."""
    whole(path, lambda place: Path(place).write_text(text, encoding="utf-8", newline="\n"))


def whole(path: Path, write: Callable[[str], object]) -> None:
    """Let ``write`` make a file beside ``path``, then put it in its place at once."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    os.close(handle)
    try:
        write(name)
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
