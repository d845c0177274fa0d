"""Files of bursts as an instrument leaves them -> samples. How a file is read was declared; nothing is guessed."""

from __future__ import annotations

import ast
import struct

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError
from benchkit.model.bursts import BurstFileKind, BurstSource

_NPY = b"\x93NUMPY"


def samples_of(source: BurstSource, data: bytes, *, where: str) -> npt.NDArray[np.generic]:
    """The samples (rows, channels) of one file, in the type in which a run keeps them.

    Raises:
        UsageError: the file is not as declared; nothing of it is taken.
    """
    spec = source.file
    assert spec is not None
    if spec.kind is BurstFileKind.CSV:
        rows = _csv(source, data, where)
    elif spec.kind is BurstFileKind.NPY:
        rows = _npy(source, data, where)
    else:
        size = np.dtype(source.wire_type).itemsize * spec.row_values
        body = len(data) - spec.skip_bytes
        if body <= 0 or body % size:
            raise _odd(where, f"{body} bytes after the head", f"whole rows of {size} bytes")
        rows = np.frombuffer(data, dtype=source.wire_type, offset=spec.skip_bytes).reshape(-1, spec.row_values)
    if rows.ndim != 2 or rows.shape[1] <= max(spec.columns):
        raise _odd(where, f"shape {rows.shape}", f"rows of at least {max(spec.columns) + 1} values")
    if len(rows) < 2 or spec.trigger_row >= len(rows):
        raise _odd(where, f"{len(rows)} rows", f"the trigger in row {spec.trigger_row}, and two rows at least")
    chosen: npt.NDArray[np.generic] = np.ascontiguousarray(rows[:, spec.columns]).astype(source.stored_type)
    return chosen


def _csv(source: BurstSource, data: bytes, where: str) -> npt.NDArray[np.generic]:
    spec = source.file
    assert spec is not None
    if b"\0" in data:
        raise _odd(where, "a NUL byte", "text")
    lines = data.decode("utf-8", "replace").splitlines()[spec.skip_lines :]
    rows = []
    for number, line in enumerate(lines, start=spec.skip_lines + 1):
        if not line.strip():
            continue
        fields = line.split() if spec.separator == " " else line.split(spec.separator)
        if len(fields) <= max(spec.columns):
            raise _odd(f"{where}, line {number}", line[:60], f"at least {max(spec.columns) + 1} values")
        try:
            row = [_number(fields[column], spec.decimal_mark) for column in spec.columns]
        except ValueError:
            raise _odd(f"{where}, line {number}", line[:60], f"numbers with {spec.decimal_mark!r}") from None
        rows.append(row)
    if not rows:
        raise _odd(where, "no rows", "rows of numbers")
    table = np.full((len(rows), max(spec.columns) + 1), np.nan)
    table[:, spec.columns] = rows
    return table


def _number(text: str, decimal_mark: str) -> float:
    if decimal_mark != ".":
        if "." in text:
            raise ValueError(text)
        text = text.replace(decimal_mark, ".")
    return float(text)


def _npy(source: BurstSource, data: bytes, where: str) -> npt.NDArray[np.generic]:
    """NumPy's NPY format, version 1 to 3 (NumPy Enhancement Proposal 1); objects are refused before they are read."""
    if not data.startswith(_NPY) or len(data) < 12 or data[6] not in (1, 2, 3):
        raise _odd(where, data[:8].hex(), "a file of NumPy (.npy)")
    wide = data[6] > 1
    length = struct.unpack_from("<I" if wide else "<H", data, 8)[0]
    start = (12 if wide else 10) + length
    try:
        head = ast.literal_eval(data[12 if wide else 10 : start].decode("utf-8" if data[6] == 3 else "latin1"))
        described, shape, is_fortran = head["descr"], tuple(head["shape"]), bool(head["fortran_order"])
    except (ValueError, SyntaxError, KeyError, TypeError, RecursionError, MemoryError):
        raise _odd(where, "a head that cannot be read", "a file of NumPy (.npy)") from None
    if described != np.dtype(source.wire_type).str:
        raise _odd(where, f"samples of type {described}", np.dtype(source.wire_type).str)
    count = int(np.prod(shape, dtype=object)) if shape else 0
    if len(shape) != 2 or count * np.dtype(source.wire_type).itemsize != len(data) - start:
        raise _odd(where, f"shape {shape} and {len(data) - start} bytes", "rows and columns that fill the file")
    flat = np.frombuffer(data, dtype=source.wire_type, offset=start)
    return flat.reshape(shape, order="F" if is_fortran else "C")


def _odd(where: str, got: str, expected: str) -> UsageError:
    return UsageError(
        "not as the profile declares it",
        where=where,
        got=got,
        expected=expected,
        remedy="Correct [bursts.NAME.file] of the profile. The file stays as it is.",
    )
