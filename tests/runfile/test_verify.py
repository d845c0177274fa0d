"""A byte that changed after closing is found; runs recorded before there were running hashes still verify."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import h5py
import numpy as np
import pytest

from benchkit.cli.main import main
from benchkit.runfile.journal import JournalWriter
from benchkit.runfile.layout import journal_path
from benchkit.runfile.pack import pack
from benchkit.runfile.reader import open_run
from benchkit.runfile.verify import Verdict, check_run

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = sorted((ROOT / "sample_runs").glob("*/run.h5"))
CONTENT = [
    *(f"streams/rack/{name}" for name in ["channel", "unit", "quantity", "label", "raw_channel"]),
    *(f"streams/rack/{name}" for name in ["time", "arrival", "device_time", "counter", "values", "raw_values"]),
    "events/log",
    *(f"raw/rack/{name}" for name in ["received", "received_time_ns", "received_end"]),
]


def flip(path: Path, position: int) -> None:
    with path.open("r+b") as file:
        file.seek(position)
        byte = file.read(1)[0]
        file.seek(position)
        file.write(bytes([byte ^ 0x10]))


def content(path: Path) -> list[bytes] | None:
    """All that the hash covers, read by h5py alone; None where h5py cannot."""
    try:
        with h5py.File(path) as file:
            attributes = [repr(file.attrs[name]).encode() for name in sorted(file.attrs)]
            header = [file[f"header/{name}"][:].tobytes() for name in ("note", "profile_json", "profile_texts")]
            return attributes + header + [file[name][:].tobytes() for name in CONTENT]
    except (OSError, KeyError, RuntimeError, ValueError, TypeError):
        return None


def test_a_closed_run_is_whole(closed_run: Path) -> None:
    ticks: list[tuple[int, int]] = []
    found = check_run(closed_run, lambda *now: ticks.append(now))
    assert (found.verdict, found.message, found.journal) == (Verdict.WHOLE, "", None)
    assert ticks[-1][0] == ticks[-1][1] > 0
    with open_run(closed_run) as run:
        assert list(run.running_sha256()) == ["header", *run.datasets]
        assert list(run.running_sha256().values())[-1] == run.content_sha256 == found.content_sha256


@pytest.mark.parametrize("name", CONTENT)
def test_one_byte_changed_is_found_and_its_place_named(closed_run: Path, name: str) -> None:
    with h5py.File(closed_run) as file:
        item = file[name]
        where = item.id.get_offset() if item.chunks is None else item.id.get_chunk_info(0).byte_offset
    flip(closed_run, where)
    found = check_run(closed_run)
    assert not found.is_good
    if name.startswith("raw/"):  # a compressed chunk: zlib itself refuses it
        assert f"{name}: the run file is damaged" in found.message
    else:
        assert f"the difference begins in {name} (got 'SHA-256 " in found.message


def test_a_changed_header_is_named(closed_run: Path) -> None:
    with h5py.File(closed_run, "r+") as file:
        file["header/note"][0] ^= 1
    found = check_run(closed_run)
    assert found.verdict is Verdict.DIFFERS
    assert "the difference begins in header" in found.message


def test_any_byte_is_found_or_is_no_content(closed_run: Path, tmp_path: Path) -> None:
    """One bit anywhere in the file: the check never passes over content that h5py alone reads differently."""
    original = content(closed_run)
    copy = tmp_path / "tampered.h5"
    random = np.random.default_rng(20260304)
    found_bad = 0
    for position in random.integers(0, closed_run.stat().st_size, 120).tolist():
        shutil.copy(closed_run, copy)
        flip(copy, position)
        if check_run(copy).is_good:
            assert content(copy) == original, f"byte {position}"
        else:
            found_bad += 1
    assert found_bad > 60


def test_a_compressed_copy_keeps_the_places(closed_run: Path, tmp_path: Path) -> None:
    pack(closed_run, tmp_path / "packed.h5")
    with open_run(closed_run) as run, open_run(tmp_path / "packed.h5") as packed:
        assert packed.running_sha256() == run.running_sha256() != {}


def test_a_file_without_running_hashes_is_checked_all_the_same(closed_run: Path) -> None:
    with h5py.File(closed_run, "r+") as file:
        del file["header/running_sha256"]
    assert check_run(closed_run).is_good
    with h5py.File(closed_run, "r+") as file:
        file["streams/rack/values"][700, 0] += 1e-9
    found = check_run(closed_run)
    assert found.verdict is Verdict.DIFFERS
    assert "the content is not what was recorded (got" in found.message


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.parent.name)
def test_sample_runs_are_whole(path: Path) -> None:
    assert check_run(path).is_good


def test_the_samples_are_there() -> None:
    assert len(SAMPLES) >= 3


def test_a_journal_left_over_is_told(closed_run: Path) -> None:
    JournalWriter(journal_path(closed_run), "another run").close()
    found = check_run(closed_run)
    assert found.is_good
    assert "closed.h5.journal is left over beside it. 'benchkit recover' says" in found.message


def test_the_command_checks_all_and_ends_with_4(
    closed_run: Path, crashed_run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["verify", str(closed_run)]) == 0
    with open_run(closed_run) as run:
        assert capsys.readouterr().out == f"{closed_run}: whole, content {run.content_sha256}\n"
    keys = tmp_path / "keys.txt"
    keys.write_text(f"{'a' * 64} dock\n", encoding="utf-8")
    assert main(["verify", str(closed_run), "--trusted", str(keys)]) == 0
    assert capsys.readouterr().out.endswith("\n  no proof of limits in this run\n")
    changed = tmp_path / "changed.h5"
    shutil.copy(closed_run, changed)
    with h5py.File(changed, "r+") as file:
        file["streams/rack/counter"][2499] = 7
    missing = tmp_path / "missing.h5"
    assert main(["verify", *map(str, (missing, changed, crashed_run, closed_run)), "--json"]) == 4
    found = json.loads(capsys.readouterr().out)
    assert [each["verdict"] for each in found] == ["damaged", "differs", "not closed", "whole"]
    assert [each["good"] for each in found] == [False, False, False, True]
    assert "no such run file" in found[0]["message"]
    assert "the difference begins in streams/rack/counter" in found[1]["message"]
    assert found[2]["journal"] == str(journal_path(crashed_run))
    assert main(["verify", str(crashed_run)]) == 4
    assert "not closed\n" in capsys.readouterr().out
