"""Content hash of a run: SHA-256 over header, streams, events and raw bytes in a fixed order.

It is a hash of the content, not of the file: how HDF5 stored or compressed it makes no difference.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
import numpy.typing as npt

from benchkit.errors import RunFileError
from benchkit.model.run import RunHeader
from benchkit.runfile import bursts as burst_layout
from benchkit.runfile import layout
from benchkit.runfile.ahead import ahead

Progress = Callable[[int, int], None]
_PIECE_BYTES = 1 << 20


def content_sha256(
    header: RunHeader,
    datasets: Mapping[str, Any],
    rows: Mapping[str, int],
    progress: Progress | None = None,
    running: dict[str, str] | None = None,
) -> str:
    """Hash a run.

    ``datasets`` maps paths to open datasets, in hash order (see :func:`hash_order`); ``rows`` gives the number of
    rows that count, by path, where it is less than the dataset has. ``progress`` is called with bytes done and
    bytes in all. ``running`` is filled with the hash as it stands after the header and after each dataset.

    For every dataset its path, type and shape go in as one line of text, then its bytes in C order, little-endian.

    Raises:
        RunFileError: a dataset has room for rows that were never written.
    """
    digest = hashlib.sha256()
    digest.update(header_text(header).encode())
    running = {} if running is None else running
    running[layout.HEADER] = digest.hexdigest()
    lengths = {path: rows.get(path, int(dataset.shape[0])) for path, dataset in datasets.items()}
    total = sum(lengths[path] * _row_bytes(dataset) for path, dataset in datasets.items())
    done = 0
    for path, dataset in datasets.items():
        shape = [lengths[path], *(int(n) for n in dataset.shape[1:])]
        digest.update(f"\n{path} {dataset.dtype.str} {json.dumps(shape)}\n".encode())
        found = pieces(dataset, 0, lengths[path])
        is_long = lengths[path] * _row_bytes(dataset) > _PIECE_BYTES
        for piece in ahead(found) if is_long else found:
            if has_unwritten(piece):
                raise RunFileError(
                    f"{path} has rows that were never written",
                    remedy="The disk was full or failed. 'benchkit recover' rebuilds them while the journal exists.",
                )
            digest.update(np.ascontiguousarray(piece).view(np.uint8).data)
            done += piece.nbytes
            if progress is not None:
                progress(done, total)
        running[path] = digest.hexdigest()
    return digest.hexdigest()


def sha256_of(datasets: Iterable[Any]) -> str:
    """SHA-256 over the bytes of some datasets, one behind the other, in C order."""
    digest = hashlib.sha256()
    for dataset in datasets:
        for piece in pieces(dataset, 0, int(dataset.shape[0])):
            digest.update(np.ascontiguousarray(piece).view(np.uint8).data)
    return digest.hexdigest()


def has_unwritten(values: npt.NDArray[np.generic]) -> bool:
    """True where HDF5 gave its fill value because it has no data."""
    if values.dtype != np.float64:
        return False
    return bool(np.any(values.view(np.uint64) == layout.UNWRITTEN_BITS))


def header_text(header: RunHeader) -> str:
    """The header as canonical JSON."""
    return json.dumps(asdict(header), ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def hash_order(sources: Mapping[str, bool], *, has_clock: bool = True, bursts: Sequence[str] = ()) -> Iterator[str]:
    """Paths of all datasets of a run in hash order. ``sources`` maps each source to *has raw values*; the first files
    do not have the clock fits. ``bursts`` are the burst sources."""
    for source in sorted(sources):
        for name in layout.LABEL_DATASETS:
            yield f"{layout.STREAMS}/{source}/{name}"
        if sources[source]:
            yield f"{layout.STREAMS}/{source}/{layout.RAW_CHANNEL}"
        for entry in layout.ROW_DATASETS:
            if entry.name != layout.RAW_VALUES or sources[source]:
                yield f"{layout.STREAMS}/{source}/{entry.name}"
    yield layout.EVENT_LOG
    for source in sorted(sources):
        for name, _ in layout.RAW_DATASETS:
            yield f"{layout.RAW}/{source}/{name}"
    if has_clock:
        for source in sorted(sources):
            yield f"{layout.CLOCK}/{source}"
    yield from burst_layout.paths(bursts)


def pieces(dataset: Any, start: int, stop: int) -> Iterator[Any]:
    """Rows ``start`` to ``stop`` in arrays of a few megabytes."""
    step = max(1, _PIECE_BYTES // max(1, _row_bytes(dataset)))
    for first in range(start, stop, step):
        yield dataset[first : min(stop, first + step)]


def _row_bytes(dataset: Any) -> int:
    return int(dataset.dtype.itemsize) * int(np.prod(dataset.shape[1:], dtype=np.int64))
