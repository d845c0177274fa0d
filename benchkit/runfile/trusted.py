"""Opening what may be damaged or hostile: every object is checked against the layout before a byte of it is read.

Only hard links are followed, no external or virtual storage, no pickles, no filter but deflate, shuffle and
Fletcher-32; a size is believed only when the file is large enough for it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NoReturn

import h5py
import numpy as np

from benchkit.errors import RunFileError
from benchkit.model.run import BURST_FORMAT_VERSION, RunHeader
from benchkit.runfile import layout
from benchkit.runfile.journal import is_being_written
from benchkit.runfile.unclosed import UnmarkedFile

_ALLOWED_FILTERS = {h5py.h5z.FILTER_DEFLATE, h5py.h5z.FILTER_SHUFFLE, h5py.h5z.FILTER_FLETCHER32}
_DEFLATE_RATIO = 1100
"""Deflate cannot shrink more than about 1032 : 1 (RFC 1951 has at best 258 bytes for two bits)."""
_MAX_CHUNK_BYTES = 2 * layout.MAX_CHUNK_BYTES


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Turn what HDF5 raises on damaged content into an error that says what to do."""
    try:
        yield
    except (OSError, RuntimeError, KeyError, ValueError, TypeError, OverflowError, MemoryError) as error:
        reason = str(error).splitlines()[0][:200] if str(error) else type(error).__name__
        raise RunFileError(
            f"the run file is damaged: {reason}",
            where=str(path),
            remedy="Keep the file as it is. Use a copy from elsewhere, or 'benchkit recover' while its journal exists.",
        ) from error


def damaged(path: Path, item: str, what: str, *, got: object = None, expected: str = "") -> NoReturn:
    """Raise the error for an object that is not as the layout says."""
    raise RunFileError(
        f"{item}: {what}",
        where=str(path),
        got=got,
        expected=expected,
        remedy="This file is damaged or was not written by benchkit; nothing of this object was read.",
    )


def open_file(path: Path) -> tuple[Any, bool, UnmarkedFile | None]:
    """Open a run file for reading: the HDF5 file, whether its writer had closed it in the eyes of HDF5, and the
    view that it is read through (to be closed after it) where the writer died.

    Raises:
        RunFileError: no such file, not HDF5, or not to be opened.
    """
    if not path.is_file():
        beside = layout.journal_path(path)
        remedy = f"Its journal {beside.name} is here: 'benchkit recover' rebuilds it." if beside.is_file() else ""
        raise RunFileError("no such run file", where=str(path), remedy=remedy or "Check the path.")
    try:
        return h5py.File(path, "r"), True, None
    except OSError as error:
        reason = str(error).splitlines()[0]
    try:
        if is_being_written(layout.journal_path(path)):
            return h5py.File(path, "r", swmr=True, libver="latest"), False, None
        view = UnmarkedFile(path)
        try:
            return h5py.File(view, "r"), False, view
        except BaseException:
            view.close()
            raise
    except (OSError, RuntimeError, ValueError) as error:
        raise RunFileError(
            f"HDF5 cannot open it: {reason}",
            where=str(path),
            expected="a run file of benchkit (HDF5)",
            remedy="If a journal lies beside it, 'benchkit recover' rebuilds the run; else use another copy.",
        ) from error


def find(file: Any, path: Path, name: str) -> Any:
    """The group or dataset at ``name``, over hard links only; None where there is none."""
    item = file
    for part in name.split("/"):
        if not isinstance(item, h5py.Group):
            damaged(path, name, "lies in something that is not a group")
        link = item.get(part, getlink=True)
        if link is None:
            return None
        if not isinstance(link, h5py.HardLink):
            damaged(path, name, "is a link to elsewhere", got=type(link).__name__, expected="the object itself")
        item = item[part]
    return item


def group(file: Any, path: Path, name: str) -> Any:
    """The group at ``name``."""
    item = find(file, path, name)
    if not isinstance(item, h5py.Group):
        damaged(path, name, "is missing or not a group")
    return item


def dataset(file: Any, path: Path, name: str, dtype: str, columns: int | None = None) -> Any:
    """The dataset at ``name``, checked: type, shape, storage, filters, and that the file can hold what it claims.

    ``dtype`` is a NumPy type string, or ``"S"`` for fixed-length text; ``columns`` the length of the second axis.
    """
    item = find(file, path, name)
    if not isinstance(item, h5py.Dataset):
        damaged(path, name, "is missing or not a dataset")
    if item.external or item.is_virtual:
        damaged(path, name, "keeps its data in another file")
    is_text = dtype == "S" and item.dtype.kind == "S" and item.dtype.itemsize <= layout.MAX_LABEL_BYTES
    if not is_text and item.dtype != np.dtype(dtype):
        damaged(path, name, "has the wrong type", got=item.dtype.str, expected=dtype)
    tail = () if columns is None else (columns,)
    if item.shape is None or len(item.shape) != 1 + len(tail) or item.shape[1:] != tail:
        damaged(path, name, "has the wrong shape", got=item.shape, expected=f"(rows, {', '.join(map(str, tail))})")
    _check_storage(item, path, name)
    return item


def _check_storage(item: Any, path: Path, name: str) -> None:
    properties = item.id.get_create_plist()
    filters = {properties.get_filter(i)[0] for i in range(properties.get_nfilters())}
    if filters - _ALLOWED_FILTERS:
        damaged(path, name, "uses a filter that benchkit does not", got=sorted(filters - _ALLOWED_FILTERS))
    claimed = int(np.prod([int(n) for n in item.shape], dtype=object)) * int(item.dtype.itemsize)
    limit = int(item.id.get_storage_size()) * _DEFLATE_RATIO if filters else path.stat().st_size
    if claimed > limit:
        damaged(path, name, "claims more than the file holds", got=f"{claimed} bytes", expected=f"at most {limit}")
    if item.chunks is not None:
        chunk = int(np.prod([int(n) for n in item.chunks], dtype=object)) * int(item.dtype.itemsize)
        if chunk > _MAX_CHUNK_BYTES:
            damaged(path, name, "has chunks too large to read", got=chunk, expected=f"at most {_MAX_CHUNK_BYTES}")


def text_attribute(item: Any, path: Path, name: str) -> str:
    """A fixed-length text attribute."""
    if name not in item.attrs:
        damaged(path, f"attribute {name}", "is missing")
    attribute = h5py.h5a.open(item.id, name.encode())
    size = int(attribute.get_storage_size())
    if attribute.dtype.kind != "S" or attribute.shape != () or size > layout.MAX_ATTRIBUTE_BYTES:
        damaged(
            path,
            f"attribute {name}",
            "is not one short fixed-length text",
            got=f"{attribute.dtype} {size} bytes",
        )
    return bytes(item.attrs[name]).rstrip(b"\0").decode("utf-8", "replace")


def number_attribute(item: Any, path: Path, name: str) -> float | int:
    """A number attribute."""
    if name not in item.attrs:
        damaged(path, f"attribute {name}", "is missing")
    attribute = h5py.h5a.open(item.id, name.encode())
    if attribute.dtype.kind not in "iuf" or attribute.shape != ():
        damaged(path, f"attribute {name}", "is not one number", got=str(attribute.dtype))
    value: float | int = item.attrs[name].item()
    return value


def text_dataset(file: Any, path: Path, name: str) -> str:
    """A long text, stored as bytes."""
    item = dataset(file, path, name, "|u1")
    if item.shape[0] > layout.MAX_TEXT_BYTES:
        damaged(path, name, "is too long", got=item.shape[0], expected=f"at most {layout.MAX_TEXT_BYTES} bytes")
    return bytes(item[:].tobytes()).decode("utf-8", "replace")


def labels(file: Any, path: Path, name: str) -> tuple[str, ...]:
    """Entries of a dataset of fixed-length text."""
    entries = dataset(file, path, name, "S")[:]
    return tuple(bytes(entry).rstrip(b"\0").decode("utf-8", "replace") for entry in entries)


def header(file: Any, path: Path) -> RunHeader:
    """The header of an open run file.

    Raises:
        RunFileError: not a run, a newer format, or damaged.
    """
    if layout.FORMAT not in file.attrs or text_attribute(file, path, layout.FORMAT) != layout.FORMAT_NAME:
        raise RunFileError(
            "is HDF5, but not a run of benchkit",
            where=str(path),
            expected=f"the attribute {layout.FORMAT} = {layout.FORMAT_NAME!r}",
            remedy="Give a file that 'benchkit record' wrote.",
        )
    version = int(number_attribute(file, path, layout.FORMAT_VERSION))
    if not 1 <= version <= BURST_FORMAT_VERSION:
        raise RunFileError(
            "run of another format version",
            where=str(path),
            got=version,
            expected=f"1 to {BURST_FORMAT_VERSION}",
            remedy="Use a newer benchkit.",
        )
    texts = {name: text_attribute(file, path, name) for name in layout.HEADER_TEXT_ATTRIBUTES}
    long = {name: text_dataset(file, path, f"{layout.HEADER}/{name}") for name in layout.HEADER_TEXT_DATASETS}
    has_seed = "seed" in file.attrs
    return RunHeader(
        run_id=texts["run_id"],
        started_utc=texts["started_utc"],
        software_version=texts["software_version"],
        host=texts["host"],
        stand=texts["stand"],
        profile_json=long["profile_json"],
        profile_texts=_profile_texts(long["profile_texts"], path),
        operator=texts["operator"],
        note=long["note"],
        simulated=bool(number_attribute(file, path, "simulated")),
        seed=int(number_attribute(file, path, "seed")) if has_seed else None,
        time_factor=float(number_attribute(file, path, "time_factor")),
        recovered_from=texts["recovered_from"],
        format_version=version,
    )


def _profile_texts(text: str, path: Path) -> dict[str, str]:
    try:
        texts = json.loads(text)
    except (ValueError, RecursionError):
        texts = None
    if not isinstance(texts, dict) or not all(isinstance(value, str) for value in texts.values()):
        damaged(path, f"{layout.HEADER}/profile_texts", "is not a JSON object of texts", got=text[:60])
    return texts
