"""Files from the field: damaged, foreign, or made to do harm. Each is refused with a clear error, or is harmless."""

from __future__ import annotations

import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from benchkit.errors import RunFileError
from benchkit.runfile.reader import open_run
from benchkit.runfile.unclosed import UnmarkedFile, lookup3

VALUES = "streams/rack/values"


def replace(file: Any, name: str, **make: Any) -> Any:
    del file[name]
    return file.create_dataset(name, **make)


def external_link(file: Any) -> None:
    del file[VALUES]
    file[VALUES] = h5py.ExternalLink("other.h5", "/x")


def soft_link(file: Any) -> None:
    del file[VALUES]
    file[VALUES] = h5py.SoftLink("/streams/rack/time")


def stream_is_a_link(file: Any) -> None:
    del file["streams/rack"]
    file["streams/rack"] = h5py.ExternalLink("other.h5", "/x")


def external_storage(file: Any) -> None:
    replace(file, VALUES, shape=(2500, 3), dtype="<f8", external=[("/etc/passwd", 0, 60_000)])


def virtual(file: Any) -> None:
    sources = h5py.VirtualLayout((2500, 3), "<f8")
    sources[:] = h5py.VirtualSource("other.h5", "x", (2500, 3))
    del file[VALUES]
    file.create_virtual_dataset(VALUES, sources)


def claims_a_terabyte(file: Any) -> None:
    for name in ("time", "arrival", "device_time", "counter", "values", "raw_values"):
        file["streams/rack"][name].resize(10**11, axis=0)


def claims_a_terabyte_compressed(file: Any) -> None:
    replace(file, "raw/rack/received", shape=(10**12,), dtype="u1", chunks=(1 << 20,), compression="gzip")


def huge_chunks(file: Any) -> None:
    replace(file, "events/log", shape=(10,), maxshape=(None,), dtype="u1", chunks=(1 << 25,), compression="gzip")
    file["events/log"][:] = 1


def objects(file: Any) -> None:
    replace(file, "streams/rack/label", data=["a", "b", "c"])


def whole_numbers(file: Any) -> None:
    replace(file, VALUES, data=np.zeros((2500, 3), dtype="<i4"))


def other_width(file: Any) -> None:
    replace(file, VALUES, data=np.zeros((2500, 4)))


def uneven(file: Any) -> None:
    file[VALUES].resize(2000, axis=0)


def missing_channel_names(file: Any) -> None:
    del file["streams/rack/channel"]


def missing_header(file: Any) -> None:
    del file["header"]


def no_format(file: Any) -> None:
    del file.attrs["format"]


def newer(file: Any) -> None:
    file.attrs["format_version"] = 99


def run_id_is_a_number(file: Any) -> None:
    file.attrs["run_id"] = 5


def variable_length_attribute(file: Any) -> None:
    file.attrs["host"] = "x" * 100_000


def profile_texts_no_object(file: Any) -> None:
    replace(file, "header/profile_texts", data=np.frombuffer(b"[[[1]]]", dtype="u1"))


@pytest.mark.parametrize(
    ("harm", "message"),
    [
        (external_link, "is a link to elsewhere"),
        (soft_link, "is a link to elsewhere"),
        (stream_is_a_link, "is a link to elsewhere"),
        (external_storage, "keeps its data in another file"),
        (virtual, "keeps its data in another file"),
        (claims_a_terabyte, "claims more than the file holds"),
        (claims_a_terabyte_compressed, "claims more than the file holds"),
        (huge_chunks, "has chunks too large to read"),
        (objects, "has the wrong type"),
        (whole_numbers, "has the wrong type"),
        (other_width, "has the wrong shape"),
        (uneven, "datasets differ in length"),
        (missing_channel_names, "is missing or not a dataset"),
        (missing_header, "is missing or not a dataset"),
        (no_format, "is HDF5, but not a run of benchkit"),
        (newer, "run of another format version"),
        (run_id_is_a_number, "is not one short fixed-length text"),
        (variable_length_attribute, "is not one short fixed-length text"),
        (profile_texts_no_object, "is not a JSON object of texts"),
    ],
)
def test_refused(harm: Callable[[Any], None], message: str, closed_run: Path) -> None:
    with h5py.File(closed_run, "r+", track_order=False) as file:
        harm(file)
    with pytest.raises(RunFileError, match=message) as caught:
        open_run(closed_run)
    assert caught.value.remedy


def test_not_a_run(tmp_path: Path) -> None:
    for name, data in {"empty.h5": b"", "text.h5": b"time,torque\n0,1\n", "sign.h5": b"\x89HDF\r\n\x1a\n"}.items():
        (tmp_path / name).write_bytes(data)
        with pytest.raises(RunFileError, match="HDF5 cannot open it"):
            open_run(tmp_path / name)
    with pytest.raises(RunFileError, match="no such run file"):
        open_run(tmp_path)
    (tmp_path / "gone.h5.journal").write_bytes(b"")
    with pytest.raises(RunFileError, match=r"Its journal gone\.h5\.journal is here: 'benchkit recover' rebuilds it"):
        open_run(tmp_path / "gone.h5")


@pytest.mark.parametrize("where", ["_end", "_time_ns"])
def test_index_of_arrivals_that_lies(where: str, closed_run: Path) -> None:
    with h5py.File(closed_run, "r+") as file:
        index = file["raw/rack/received" + where]
        if where == "_end":
            index[5] = 10**12
        else:
            index.resize(100, axis=0)
    with (
        open_run(closed_run) as run,
        pytest.raises(RunFileError, match=r"does not rise inside the bytes|times and ends differ in number"),
    ):
        list(run.received("rack"))


def test_event_that_is_none(closed_run: Path) -> None:
    with h5py.File(closed_run, "r+") as file:
        file["events/log"][0] = ord("[")
    with open_run(closed_run) as run, pytest.raises(RunFileError, match="a line is not an event"):
        run.events()


def test_lookup3_as_published() -> None:
    """lookup3.c, driver5: hash of this sentence with start value 0 is 17770551 (value from memory)."""
    assert lookup3(b"Four score and seven years ago") == 0x17770551


def test_lookup3_as_hdf5_writes_it(closed_run: Path) -> None:
    head = closed_run.read_bytes()[:48]
    assert struct.unpack("<I", head[44:])[0] == lookup3(head[:44])


def test_only_marked_files_are_unmarked(closed_run: Path) -> None:
    with pytest.raises(OSError, match="not marked as open for writing"):
        UnmarkedFile(closed_run)


FUZZ = """
import random, sys
from pathlib import Path
from benchkit.errors import RunFileError
from benchkit.runfile.reader import open_run
path, seed = Path(sys.argv[1]), int(sys.argv[2])
good = path.read_bytes()
with open_run(path) as run:
    expected = run.computed_sha256()
chance = random.Random(seed)
refused = 0
for _ in range(40):
    data = bytearray(good)
    kind = chance.randrange(3)
    if kind == 0:
        del data[chance.randrange(len(data)):]
    elif kind == 1:
        for _ in range(chance.randrange(1, 20)):
            data[chance.randrange(min(len(data), 20_000))] ^= 1 << chance.randrange(8)
    else:
        start = chance.randrange(len(data))
        data[start:start + 512] = chance.randbytes(min(512, len(data) - start))
    path.write_bytes(data)
    try:
        with open_run(path) as run:
            run.events()
            for source in run.sources:
                run.stream(source)
                list(run.received(source))
            run.is_closed and run.verify()
    except RunFileError:
        refused += 1
print(refused)
"""


@pytest.mark.parametrize("state", ["closed", "crashed"])
def test_random_damage_is_refused_or_harmless(state: str, closed_run: Path, crashed_run: Path) -> None:
    """In a process of its own: a fault inside the HDF5 library would end it, and must be seen as a failure here."""
    path = closed_run if state == "closed" else crashed_run
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", FUZZ, str(path), "1"],
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert int(done.stdout) > 10
