"""Run files of every version that was ever written can be opened, verified, analysed and reported.

The samples in ``tests/files/runs`` were recorded by the benchkit of their time and are never made anew: its
``README.md`` says which is which.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import numpy as np
import pytest

from benchkit.model.run import BURST_FORMAT_VERSION
from benchkit.report.page import write_report
from benchkit.runfile.reader import open_run

FOLDER = Path(__file__).resolve().parents[1] / "files" / "runs"
SAMPLES = {
    # pinned: content hash and rows as the recorder of that time said them when it closed the run
    "version_1_first": (1, "6b9608690fc8989f51e7325c02c85b662453d2407817de8b68ac9b70c3761a29", 221),
    "version_1_clock": (1, "55d819bef7309f5dfca51df6891c20da53ce4b820a5adb984c7febeef74b93c7", 219),
    "version_1_pyramid": (1, "ba8be6e19e32201ed27e06a4e2fed82ee49f326e0986029cc1119ae8e2c0ed89", 205),
    "version_2_bursts": (2, "6fca087ee642dd43700a9b6941158f72b7cedcb708fbe5a2ed2a577673b7dbf8", 375),
}
PARTS = {
    "version_1_first": {"events", "header", "raw", "streams"},
    "version_1_clock": {"clock", "events", "header", "raw", "streams"},
    "version_1_pyramid": {"clock", "events", "header", "pyramid", "raw", "streams"},
    "version_2_bursts": {"bursts", "clock", "events", "header", "pyramid", "raw", "streams"},
}


@pytest.fixture(params=sorted(SAMPLES))
def sample(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def path_of(sample: str) -> Path:
    return FOLDER / f"{sample}.h5"


def test_every_version_has_a_sample_and_every_sample_its_line() -> None:
    assert {version for version, _, _ in SAMPLES.values()} == set(range(1, BURST_FORMAT_VERSION + 1))
    assert {path.stem for path in FOLDER.glob("*.h5")} == set(SAMPLES) == set(PARTS)
    page = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert set(re.findall(r"^\| `(\w+)\.h5`", page, flags=re.MULTILINE)) == set(SAMPLES)


def test_it_has_the_parts_of_its_time(sample: str) -> None:
    """A sample that was made anew by a newer benchkit would show here."""
    h5py = pytest.importorskip("h5py")
    with h5py.File(path_of(sample)) as file:
        assert set(file) == PARTS[sample]
        assert ("running_sha256" in file["header"]) is (sample != "version_1_first")


def test_it_opens_and_is_what_was_recorded(sample: str) -> None:
    version, sha256, rows = SAMPLES[sample]
    with open_run(path_of(sample)) as run:
        assert run.header.format_version == version
        assert run.is_closed
        assert run.content_sha256 == sha256
        run.verify()
        stream = run.stream("rack")
        assert len(stream.time_s) == rows
        assert np.all(np.diff(stream.time_s) > 0.0)
        assert np.isfinite(stream.column("dc_voltage")).any()
        assert run.events()
        assert (len(run.clock_fits("rack")) > 0) is (sample != "version_1_first")
        assert [burst.record.samples.shape for burst in run.bursts()] == ([(5000, 8)] if version == 2 else [])


@pytest.mark.parametrize(
    "sample",
    # the spectra of a burst at rest take their time
    [name if version == 1 else pytest.param(name, marks=pytest.mark.soak) for name, (version, _, _) in SAMPLES.items()],
)
def test_it_is_reported(sample: str, tmp_path: Path) -> None:
    path = Path(shutil.copy(path_of(sample), tmp_path))
    page = tmp_path / "report.html"
    model = write_report([path], page)
    assert len(model.runs) == 1
    assert model.runs[0].result is not None
    text = page.read_text(encoding="utf-8")
    assert f"file format {SAMPLES[sample][0]}" in text
    assert SAMPLES[sample][1][:12] in text
