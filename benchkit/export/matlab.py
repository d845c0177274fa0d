"""A stream as a MATLAB file (level 5 MAT-file, compressed: what MATLAB saves as v7).

Every column is a vector of its own; the structs ``units``, ``labels`` and ``channels`` have a field for each, ``run``
says where they come from.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from benchkit.errors import UsageError
from benchkit.export.about import About
from benchkit.runfile import selection
from benchkit.runfile.reader import Run
from benchkit.runfile.selection import Chosen, Column

MAX_VARIABLE_BYTES = 2**31 - 1
"""Largest variable of a v7 file (MathWorks, "MAT-File Versions": 2^31 bytes per variable)."""
MAX_NAME = 63
"""Longest name of a variable or field (MATLAB's ``namelengthmax``)."""
KEYWORDS = frozenset(
    """break case catch classdef continue else elseif end for function global if otherwise parfor persistent return
    spmd switch try while""".split()  # noqa: SIM905 - a list of words is read as one
)
"""What MATLAB's ``iskeyword`` lists, from memory."""
OWN = ("units", "labels", "channels", "run")
_AT_ONCE_BYTES = 256 << 20


def names(columns: Sequence[Column]) -> tuple[str, ...]:
    """Names of the columns, made valid for MATLAB: letters, digits, underscore, beginning with a letter, unique."""
    valid: list[str] = []
    used = {*OWN, *KEYWORDS}
    for column in columns:
        plain = re.sub(r"[^A-Za-z0-9_]", "_", column.name)
        plain = (plain if re.match(r"[A-Za-z]", plain) else f"x{plain}")[:MAX_NAME]
        name, number = plain, 2
        while name in used:
            tail = f"_{number}"
            name, number = plain[: MAX_NAME - len(tail)] + tail, number + 1
        used.add(name)
        valid.append(name)
    return tuple(valid)


def write(path: Path, run: Run, parts: Sequence[Chosen], told: About, tick: Callable[[int], None]) -> None:
    """Write one stream.

    Raises:
        UsageError: a column is too long for the format.
    """
    from scipy.io import savemat

    (part,) = parts
    if part.rows * 8 > MAX_VARIABLE_BYTES:
        raise UsageError(
            f"stream {part.source!r} is too long for a MATLAB v7 file",
            where=str(run.path),
            got=f"{part.rows} rows",
            expected=f"at most {MAX_VARIABLE_BYTES // 8}",
            remedy="Export a shorter span, or to parquet, which MATLAB reads as well.",
        )
    told_by_column = {
        "units": {column.name: column.unit for column in part.columns},
        "labels": {column.name: column.label for column in part.columns},
        "channels": {column.name: column.channel for column in part.columns},
        "run": {**told.facts, "source": part.source},
    }
    file: Any  # the stubs of SciPy know only paths
    with path.open("wb") as file:  # variables one after the other into the open file: SciPy appends
        for name, array in _vectors(run, part, tick):
            savemat(file, {name: array}, do_compression=True, oned_as="column")
        savemat(file, told_by_column, do_compression=True, long_field_names=True)


def _vectors(run: Run, part: Chosen, tick: Callable[[int], None]) -> Iterator[tuple[str, Any]]:
    """Every column whole, as many of them in one pass over the run as memory allows."""
    count = len(part.columns)
    at_once = min(count, max(1, _AT_ONCE_BYTES // max(1, 8 * part.rows)))
    for first in range(0, count, at_once):
        wanted = range(first, min(count, first + at_once))
        whole = {
            i: np.empty(part.rows, dtype=np.int64 if part.columns[i].name == "counter" else np.float64) for i in wanted
        }
        done = 0
        for piece in selection.pieces(run, part):
            columns = selection.arrays(piece)
            for i in wanted:
                whole[i][done : done + len(piece)] = columns[i]
            done += len(piece)
            if first + at_once >= count:
                tick(len(piece))
        for i in wanted:
            yield part.columns[i].name, whole.pop(i)
