"""Run files and journals that lie about their content or point elsewhere."""

from __future__ import annotations

import re
import shutil
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from benchkit.model.run import RunHeader
from benchkit.runfile.layout import Block, StoredChannel, StreamSpec
from benchkit.runfile.writer import RunWriter
from tests.hostile.conftest import Attempt

SPEC = StreamSpec("rack", (StoredChannel("n", "Speed", "speed", "rpm"), StoredChannel("tq", "Torque", "torque", "N·m")))
HEADER = RunHeader("r1", "2026-03-04T10:00:00+00:00", "0", "bench", "airboat", "{}")


def _written(path: Path) -> RunWriter:
    writer = RunWriter(path, HEADER, [SPEC])
    i = np.arange(100.0)
    writer.received("rack", 0, b"bytes")
    writer.append("rack", Block(i, i, i, i.astype(np.int64), np.column_stack([i, i]), np.empty((100, 0))))
    return writer


@pytest.fixture(scope="module")
def good_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("runs") / "good.h5"
    _written(path).close()
    return path


VALUES = "streams/rack/values"


def _replace(file: Any, name: str, **options: Any) -> Any:
    del file[name]
    return file.create_dataset(name, **options)


def _external_link(file: Any) -> None:
    del file[VALUES]
    file[VALUES] = h5py.ExternalLink("/etc/passwd", "/x")


def _soft_link_circle(file: Any) -> None:
    del file["streams/rack"]
    file["streams/rack"] = h5py.SoftLink("/streams/other")
    file["streams/other"] = h5py.SoftLink("/streams/rack")


def _group_in_itself(file: Any) -> None:
    file["streams/rack2"] = file["streams"]


def _virtual(file: Any) -> None:
    del file[VALUES]
    layout = h5py.VirtualLayout(shape=(100, 2), dtype="f8")
    layout[:] = h5py.VirtualSource("/etc/passwd", "x", shape=(100, 2))
    file.create_virtual_dataset(VALUES, layout)


def _external_storage(file: Any) -> None:
    _replace(file, VALUES, shape=(100, 2), dtype="f8", external=[("/etc/passwd", 0, 1600)])


def _claimed_rows(file: Any) -> None:
    file[VALUES].resize(10**9, axis=0)


def _all_claim_rows(file: Any) -> None:
    for name in ("time", "arrival", "device_time", "counter", "values"):
        file[f"streams/rack/{name}"].resize(10**9, axis=0)


def _bomb(name: str, rows: int, columns: int | None, dtype: str) -> Callable[[Any], None]:
    """Zeros that deflate shrinks a thousandfold, as far as the tool that makes them can in a moment."""

    def make(file: Any) -> None:
        shape = (rows,) if columns is None else (rows, columns)
        tail = () if columns is None else (columns,)
        piece = (1 << 20) // np.dtype(dtype).itemsize // (columns or 1)
        dataset = _replace(
            file, name, shape=shape, maxshape=(None, *tail), chunks=(piece, *tail), dtype=dtype, compression="gzip"
        )
        packed = zlib.compress(bytes(piece * (columns or 1) * np.dtype(dtype).itemsize), 9)
        for start in range(0, rows, piece):
            dataset.id.write_direct_chunk((start, *(0 for _ in tail)), packed)

    return make


def _huge_chunk(file: Any) -> None:
    _replace(file, VALUES, shape=(100, 2), maxshape=(None, 2), chunks=(50_000_000, 2), dtype="f8", compression="gzip")


def _references(file: Any) -> None:
    _replace(file, VALUES, shape=(100, 2), dtype=h5py.ref_dtype)


def _texts(file: Any) -> None:
    _replace(file, VALUES, shape=(100, 2), dtype=h5py.string_dtype())


def _compound(file: Any) -> None:
    _replace(file, VALUES, shape=(100,), dtype=[("a", "f8"), ("b", "f8")])


def _opaque(file: Any) -> None:
    _replace(file, VALUES, data=np.zeros((100, 2), dtype="V8"))


def _giant_attribute(file: Any) -> None:
    file.attrs["run_id"] = np.bytes_(b"x" * 60_000)


def _dense_attribute(file: Any) -> None:
    del file.attrs["run_id"]
    file.attrs.create("run_id", np.zeros(8_000_000), dtype="f8")


def _many_streams(file: Any) -> None:
    for i in range(3000):
        file.create_group(f"streams/s{i}")


def _strange_name(file: Any) -> None:
    file.create_group("streams/..%2f")


def _profile_of_brackets(file: Any) -> None:
    _replace(file, "header/profile_texts", data=np.frombuffer(b"[" * 1_000_000, dtype="u1"))


def _scalar(file: Any) -> None:
    _replace(file, VALUES, data=1.0)


HARMED: dict[str, tuple[Callable[[Any], None], str]] = {
    "external link": (_external_link, "is a link to elsewhere"),
    "soft links in a circle": (_soft_link_circle, "is a link to elsewhere|missing or not"),
    "group in itself": (_group_in_itself, "missing or not a dataset|damaged"),
    "virtual dataset": (_virtual, "keeps its data in another file"),
    "external storage": (_external_storage, "keeps its data in another file"),
    "one claims 10^9 rows": (_claimed_rows, "claims more than the file holds|differ in length"),
    "all claim 10^9 rows": (_all_claim_rows, "claims more than the file holds"),
    "bomb of values": (_bomb(VALUES, 60_000_000, 2, "f8"), "differ in length|too long|too much|claims"),
    "bomb of received bytes": (_bomb("raw/rack/received", 1_000_000_000, None, "u1"), "content|too|claims"),
    "bomb of events": (_bomb("events/log", 1_000_000_000, None, "u1"), "content|too|event|claims"),
    "huge chunks": (_huge_chunk, "chunks too large|claims more"),
    "object references": (_references, "wrong type"),
    "texts for numbers": (_texts, "wrong type"),
    "compound type": (_compound, "wrong type"),
    "opaque type": (_opaque, "wrong type"),
    "giant attribute": (_giant_attribute, "not one short fixed-length text"),
    "attribute of 64 MB": (_dense_attribute, "not one short fixed-length text"),
    "many streams": (_many_streams, "missing|damaged"),
    "strange name": (_strange_name, "strange name"),
    "brackets for a profile": (_profile_of_brackets, "not a JSON object"),
    "one number for a table": (_scalar, "wrong shape"),
}


@pytest.mark.parametrize("name", HARMED)
def test_run_files(name: str, refused: Attempt, good_run: Path, tmp_path: Path) -> None:
    path = tmp_path / "hostile.h5"
    shutil.copy(good_run, path)
    harm, match = HARMED[name]
    try:
        with h5py.File(path, "r+", libver=("v110", "v110")) as file:
            harm(file)
    except (OSError, ValueError, RuntimeError) as error:
        pytest.skip(f"this h5py does not make such a file: {error}")
    outcome = refused("read", path)
    assert re.search(match, outcome.err), outcome.err


def test_the_good_run_is_read(attempt: Attempt, good_run: Path) -> None:
    assert attempt("read", good_run).code == 0


@pytest.mark.parametrize(
    "data", [b"", b"\x89HDF\r\n\x1a\n", b"\x89HDF\r\n\x1a\n" + b"\xff" * 100_000, b"\0" * 1_000_000]
)
def test_no_run_at_all(data: bytes, refused: Attempt, tmp_path: Path) -> None:
    path = tmp_path / "no.h5"
    path.write_bytes(data)
    assert re.search("HDF5 cannot open it|is HDF5, but not a run|damaged", refused("read", path).err)


def _record(kind: int, payload: bytes, length: int | None = None) -> bytes:
    head = struct.pack("<BHqI", kind, 0, 0, len(payload) if length is None else length)
    return head + struct.pack("<I", zlib.crc32(payload, zlib.crc32(head))) + payload


def _start(name: bytes = b"r1", claimed: int | None = None) -> bytes:
    start = struct.pack("<8sHH", b"\x89BKJ\r\n\x1a\n", 1, len(name) if claimed is None else claimed) + name
    return start + struct.pack("<I", zlib.crc32(start))


JOURNALS = {
    "first record claims 4 GB": _start() + _record(1, b"{}", 0xFFFFFFFF),
    "first record claims 16 MB": _start() + _record(1, b"{}", 16 << 20),
    "run id beyond the end": _start(claimed=65535),
    "brackets for a header": _start() + _record(1, b"[" * 1_000_000),
    "header that is a list": _start() + _record(1, b"[]"),
    "header of wrong types": _start() + _record(1, b'{"header": {"run_id": 1}, "streams": 5}'),
    "no header": _start() + _record(2, b"abc"),
    "only zeros": b"\0" * 5_000_000,
}


@pytest.mark.parametrize("name", JOURNALS)
def test_journals(name: str, refused: Attempt, tmp_path: Path) -> None:
    path = tmp_path / "run.h5"
    path.with_name("run.h5.journal").write_bytes(JOURNALS[name])
    refused("recover", path)
    assert path.with_name("run.h5.journal").read_bytes() == JOURNALS[name]
