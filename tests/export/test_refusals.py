"""What cannot be exported is refused with a message that helps, and leaves nothing half done."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import h5py
import numpy as np
import pytest

from benchkit.errors import RunFileError, UsageError
from benchkit.export.export import FORMATS, export_run
from benchkit.model.run import RunHeader
from benchkit.runfile.layout import Block, StoredChannel, StreamSpec
from benchkit.runfile.verify import Verdict, check_run
from benchkit.runfile.writer import RunWriter

LIMITED = """
import resource, sys
resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))
from benchkit.cli.main import main
sys.exit(main(sys.argv[1:]))
"""


def benchkit(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "benchkit", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, encoding="utf-8", check=False, timeout=60)


@pytest.fixture
def recording(tmp_path: Path, rack: Block) -> Iterator[Path]:
    """A run that this process is recording."""
    header = RunHeader("r", "2026-03-04T10:00:00+00:00", "0", "bench-pc", "airboat", "{}")
    spec = StreamSpec("rack", tuple(StoredChannel(f"c{i}", "", "ratio", "1") for i in range(rack.values.shape[1])))
    with RunWriter(tmp_path / "now.h5", header, [spec]) as writer:
        writer.append("rack", rack)
        writer.flush()
        yield writer.path
        writer.close()


def test_a_run_being_recorded_is_refused_and_not_disturbed(recording: Path, tmp_path: Path) -> None:
    done = benchkit("export", recording, "--to", "csv", "--out", tmp_path / "out")
    assert done.returncode == 4
    assert "still being recorded. Close the run first" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "out").exists()
    done = benchkit("verify", recording)
    assert done.returncode == 4
    assert "now.h5: being recorded\n" in done.stdout


def test_a_run_that_was_not_closed_goes_to_recover(tmp_path: Path, rack: Block) -> None:
    header = RunHeader("r", "2026-03-04T10:00:00+00:00", "0", "bench-pc", "airboat", "{}")
    spec = StreamSpec("rack", tuple(StoredChannel(f"c{i}", "", "ratio", "1") for i in range(rack.values.shape[1])))
    path = tmp_path / "left.h5"
    with RunWriter(path, header, [spec]) as writer:  # left without close()
        writer.append("rack", rack)
    with pytest.raises(RunFileError, match=r"was not closed.*benchkit recover"):
        export_run(path, tmp_path / "out", "csv")
    assert check_run(path).verdict is Verdict.NOT_CLOSED


def test_nothing_is_overwritten(run_path: Path, tmp_path: Path) -> None:
    done = export_run(run_path, tmp_path / "out", "csv")
    before = {file.name: file.read_bytes() for file in done.files}
    with pytest.raises(UsageError, match=r"spin_csv: is there already.*Nothing is overwritten"):
        export_run(run_path, tmp_path / "out", "csv")
    assert {file.name: file.read_bytes() for file in done.folder.iterdir()} == before


@pytest.mark.parametrize(
    ("choice", "says"),
    [
        ({"sources": ["rak"]}, r"no stream 'rak'.*Did you mean 'rack'"),
        ({"channels": ["shaft_sped"]}, r"no channel 'shaft_sped' in this run.*Did you mean 'shaft_speed'"),
        ({"channels": ["air_temp"], "sources": ["rack"]}, r"no channel 'air_temp' in rack"),
        ({"start_s": 2.0, "stop_s": 2.0}, r"the span is empty \(got \(2\.0, 2\.0\)"),
        ({"start_s": float("nan")}, r"not a time \(got nan"),
        ({"start_s": 1e9}, r"nothing to export: no rows"),
    ],
)
def test_a_wrong_choice(run_path: Path, tmp_path: Path, choice: dict[str, object], says: str) -> None:
    with pytest.raises(UsageError, match=says):
        export_run(run_path, tmp_path / "out", "csv", **choice)  # type: ignore[arg-type]
    assert not (tmp_path / "out").exists()


def test_an_unknown_format(run_path: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"no such format \(got 'parket'.*Did you mean 'parquet'"):
        export_run(run_path, tmp_path, "parket")


@pytest.mark.parametrize(("to", "library"), [("parquet", "pyarrow"), ("mdf4", "asammdf")])
def test_a_missing_library_is_named_with_its_extra(
    run_path: Path, tmp_path: Path, to: str, library: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(UsageError, match=rf"needs {library}, which is not installed.*pip install 'benchkit\[export\]'"):
        export_run(run_path, tmp_path / "out", to)
    assert list((tmp_path / "out").iterdir()) == []


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit of file sizes")
@pytest.mark.parametrize("to", FORMATS)
def test_no_room_leaves_nothing_behind(run_path: Path, tmp_path: Path, to: str) -> None:
    """A real failed write: the system takes no more than 60 kB into one file."""
    command = [sys.executable, "-c", LIMITED, "export", run_path, "--to", to, "--out", tmp_path / "out"]
    done = subprocess.run(
        list(map(str, command)), capture_output=True, encoding="utf-8", check=False, timeout=60, cwd=Path.cwd()
    )
    assert done.returncode == 2, done.stderr
    assert "cannot write" in done.stderr
    assert "the run is untouched" in done.stderr
    assert list((tmp_path / "out").iterdir()) == []
    assert check_run(run_path).is_good


def test_a_folder_that_cannot_be(run_path: Path, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(UsageError, match=r"cannot write: .*Check the folder"):
        export_run(run_path, tmp_path / "out", "csv")


def test_a_damaged_run_ends_the_export(run_path: Path, tmp_path: Path) -> None:
    with h5py.File(run_path) as file:
        values = file["streams/rack/values"].id.get_chunk_info(1)
    with run_path.open("r+b") as raw:
        raw.truncate(values.byte_offset + 100)
    with pytest.raises(RunFileError, match=r"spin\.h5"):
        export_run(run_path, tmp_path / "out", "csv")
    assert not (tmp_path / "out").exists()


def test_a_changed_run_is_not_handed_on_under_its_old_hash(run_path: Path, tmp_path: Path) -> None:
    with h5py.File(run_path, "r+") as file:
        file["streams/slow/values"][3, 0] += 1e-12
    with pytest.raises(RunFileError, match=r"not what was recorded; the difference begins in streams/slow/values"):
        export_run(run_path, tmp_path / "out", "csv")
    assert not (tmp_path / "out").exists()


def test_the_rest_of_a_killed_export_is_named(run_path: Path, tmp_path: Path) -> None:
    (tmp_path / "spin_csv.unfinished").mkdir()
    with pytest.raises(
        UsageError, match=r"spin_csv\.unfinished: another export is writing this, or was killed\. If none"
    ):
        export_run(run_path, tmp_path, "csv")


def test_sources_that_differ_in_case_only_get_files_of_their_own(tmp_path: Path) -> None:
    header = RunHeader("r", "2026-03-04T10:00:00+00:00", "0", "bench-pc", "airboat", "{}")
    channels = (StoredChannel("c", "", "ratio", "1"),)
    row, none = np.zeros(1), np.empty((1, 0))
    path = tmp_path / "case.h5"
    with RunWriter(path, header, [StreamSpec("Rack", channels), StreamSpec("rack", channels)]) as writer:
        for source in ("Rack", "rack"):
            writer.append(source, Block(row, row, row, np.zeros(1, dtype=np.int64), row.reshape(1, 1), none))
        writer.close()
    done = export_run(path, tmp_path, "csv")
    assert len({file.name.casefold() for file in done.files}) == len(done.files) == 4
