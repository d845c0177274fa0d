"""A stream as CSV (RFC 4180 quoting, UTF-8): names, units, then one line a row.

A name or unit takes one line: control characters in it become spaces. Numbers are the shortest text that reads back as
the same float64; *not measured* is an empty cell.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Sequence
from pathlib import Path

from benchkit.export.about import About
from benchkit.export.guard import guarded, one_line
from benchkit.runfile import selection
from benchkit.runfile.reader import Run
from benchkit.runfile.selection import Chosen, Column, unique_names


def names(columns: Sequence[Column]) -> tuple[str, ...]:
    """Names of the columns as the file has them."""
    return unique_names([guarded(one_line(column.name)) for column in columns])


def write(path: Path, run: Run, parts: Sequence[Chosen], _told: About, tick: Callable[[int], None]) -> None:
    """Write one stream."""
    (part,) = parts
    with path.open("w", encoding="utf-8", newline="") as file:
        head = csv.writer(file, lineterminator="\n")
        head.writerow([column.name for column in part.columns])
        head.writerow([guarded(one_line(column.unit)) for column in part.columns])
        for piece in selection.pieces(run, part):
            rows = zip(*(array.tolist() for array in selection.arrays(piece)), strict=True)
            text = "\n".join([",".join(map(repr, row)) for row in rows])
            file.write(text.replace("nan", "") + "\n")  # numbers have no other letters than e, inf and nan
            tick(len(piece))
