"""Exclusions beside a closed run: added with reason and author, bound to the run, taken back, never written into it."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import pytest

from benchkit.cli.main import main
from benchkit.errors import RunFileError, UsageError
from benchkit.report.flags import open_flags
from benchkit.report.gather import gather
from benchkit.report.model import Table
from benchkit.report.sections import build_report
from benchkit.runfile.exclusions import exclude, exclusions_path, read_exclusions, take_back
from benchkit.runfile.reader import open_run

SAMPLE = Path(__file__).resolve().parents[2] / "sample_runs" / "propeller_static" / "run.h5"
NOW = "2026-06-01T08:00:00+00:00"
SHA = "a" * 64


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "run.h5"


def test_added_read_and_taken_back(path: Path) -> None:
    assert read_exclusions(path, SHA) == []
    first = exclude(path, SHA, (10.0, 20.0), " hall gate open ", "M. Reed", NOW)
    second = exclude(path, SHA, (30.0, 40.0), "wrong propeller", "M. Reed", NOW)
    assert read_exclusions(path, SHA) == [first, second]
    assert (first.data["reason"], first.data["who"]) == ("hall gate open", "M. Reed")
    take_back(path, SHA, 1, "it was the other one", "M. Reed", NOW)
    assert read_exclusions(path, SHA) == [second]
    assert len(exclusions_path(path).read_bytes().splitlines()) == 3  # lines are only added


@pytest.mark.parametrize(
    ("span", "reason", "who", "words"),
    [
        ((20.0, 10.0), "x", "y", "not a stretch"),
        ((-1.0, 10.0), "x", "y", "not a stretch"),
        ((float("nan"), 10.0), "x", "y", "not a stretch"),
        ((1.0, 2.0), "  ", "y", "no reason or no name"),
        ((1.0, 2.0), "x", "", "no reason or no name"),
    ],
)
def test_what_says_too_little_is_refused(
    path: Path, span: tuple[float, float], reason: str, who: str, words: str
) -> None:
    with pytest.raises(UsageError, match=words):
        exclude(path, SHA, span, reason, who, NOW)
    assert not exclusions_path(path).exists()


def test_only_what_is_in_force_is_taken_back(path: Path) -> None:
    exclude(path, SHA, (10.0, 20.0), "x", "y", NOW)
    take_back(path, SHA, 1, "x", "y", NOW)
    with pytest.raises(UsageError, match="no such exclusion in force"):
        take_back(path, SHA, 1, "x", "y", NOW)


def test_of_another_run_or_damaged_is_refused(path: Path) -> None:
    exclude(path, SHA, (10.0, 20.0), "x", "y", NOW)
    with pytest.raises(RunFileError, match="about another run"):
        read_exclusions(path, "b" * 64)
    with exclusions_path(path).open("ab") as file:
        file.write(b"{not json\n")
    with pytest.raises(RunFileError, match="line 2"):
        read_exclusions(path, SHA)
    with pytest.raises(RunFileError, match="line 2"):
        exclude(path, SHA, (10.0, 20.0), "x", "y", NOW)


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("closed") / "run.h5"
    shutil.copy(SAMPLE, path)
    return path


def test_a_closed_run_by_the_command(sample: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Analysis and report honour it, the file of the run keeps every bit."""
    before = hashlib.sha256(sample.read_bytes()).hexdigest()
    point = gather([sample])[0].result.thrust[2].point
    words = ["--reason", "hall gate open", "--who", "M. Reed"]
    assert main(["exclude", str(sample), "--point", str(point.index + 1), *words]) == 0
    assert "hall gate open" in capsys.readouterr().out
    assert hashlib.sha256(sample.read_bytes()).hexdigest() == before
    run = gather([sample])[0]
    (left_out,) = [p for p in run.result.points if p.is_excluded]
    assert (left_out.index, left_out.excluded_reason, left_out.excluded_by) == (
        point.index, "hall gate open", "M. Reed",
    )  # fmt: skip
    (flag,) = [f for f in open_flags(run) if f.code == "excluded_point"]
    assert "hall gate open (M. Reed)" in flag.message
    tables = {b.id: b for s in build_report([run]).sections for b in s.blocks if isinstance(b, Table)}
    name = f"P{point.index + 1}"
    assert name in str(tables["excluded-thrust"].rows)
    assert "M. Reed" in str(tables["excluded-thrust"].rows)
    for used in ("thrust", "coefficients", "air"):
        assert [row for row in tables[used].rows if str(row[0].text) == name] == []  # type: ignore[union-attr]
    assert any(e.data.get("who") == "M. Reed" for e in run.events)
    with open_run(sample) as opened:
        assert not any(e.data.get("who") == "M. Reed" for e in opened.events())


def test_the_command_lists_and_takes_back(sample: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--reason", "no wind after all", "--who", "M. Reed"]
    main(["exclude", str(sample), "--from", "5", "--to", "8", *words])
    number = str(len(exclusions_path(sample).read_bytes().splitlines()))
    assert main(["exclude", str(sample), "--take-back", number, *words]) == 0
    capsys.readouterr()
    assert main(["exclude", str(sample)]) == 0
    listed = capsys.readouterr().out
    assert "taken back" in listed
    assert "takes back" in listed


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--from", "5", "--reason", "x", "--who", "y"], "two ends"),
        (["--point", "99", "--reason", "x", "--who", "y"], "not one point P99"),
    ],
)
def test_refusals_of_the_command(
    sample: Path, arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["exclude", str(sample), *arguments]) == 2
    assert words in capsys.readouterr().err
