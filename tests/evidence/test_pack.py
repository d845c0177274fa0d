"""What is in a pack, that it is the same everywhere, and that another program can check it."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path
from zipfile import ZIP_STORED, ZipFile

import html5lib
import pytest

from benchkit.cli.main import main
from benchkit.errors import DataError, UsageError
from benchkit.evidence.names import Names, is_safe
from benchkit.evidence.pack import write_pack
from benchkit.model.events import Event, EventKind
from benchkit.runfile.reader import open_run
from tests.evidence.conftest import arguments
from tests.report.test_gather import write_run

ROOT = Path(__file__).resolve().parents[2]


def test_a_pack_holds_runs_profile_calibrations_events_report_plan_checksums_and_signature(
    pack: Path, inputs: Path
) -> None:
    with ZipFile(pack) as archive:
        names = archive.namelist()
        assert set(names) == {
            "README.txt", "pack.json", "SHA256SUMS", "SHA256SUMS.sig",
            "runs/A/propeller.h5", "runs/A/calibrations.json", "runs/A/events.txt",
            "runs/A/profile/airboat.toml", "runs/A/profile/heron_60.toml", "runs/A/profile/reed_inv_03.toml",
            "runs/A/profile/resolved.json",
            "report/report.html", "report/report.pdf", "report/report.json",
            "plan/plan.md", "loads/loads.csv", "attached/plan.md",
        }  # fmt: skip
        assert archive.read("runs/A/propeller.h5") == (inputs / "propeller.h5").read_bytes()
        profile = archive.read("runs/A/profile/airboat.toml").decode()
        calibrations = json.loads(archive.read("runs/A/calibrations.json"))
        events = archive.read("runs/A/events.txt").decode().splitlines()
        read_me = archive.read("README.txt").decode()
    assert profile == (ROOT / "shared" / "stands" / "airboat.toml").read_text(encoding="utf-8")
    with open_run(inputs / "propeller.h5") as run:
        told, content = list(run.events()), run.content_sha256
    assert calibrations["content_sha256"] == content
    torque = next(channel for channel in calibrations["channels"] if channel["channel"] == "shaft_torque")
    assert torque["certificate"]["due"] == "2027-03-02"
    assert torque["state_on_the_day_of_the_run"] == "valid"
    assert [line.split("\t")[1] for line in events if not line.startswith(("#", "\t"))] == [e.kind.value for e in told]
    assert "SIMULATED DATA" in read_me
    assert "benchkit report runs/A/propeller.h5 --duty loads/loads.csv" in read_me


def test_the_checksums_are_read_by_the_common_program(pack: Path, tmp_path: Path) -> None:
    with ZipFile(pack) as archive:
        archive.extractall(tmp_path)
    done = subprocess.run(["sha256sum", "--check", "--strict", "SHA256SUMS"], cwd=tmp_path, capture_output=True,
                          encoding="utf-8", check=False)  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert len(done.stdout.splitlines()) == 15


def test_order_and_times_are_fixed_and_nothing_is_compressed(pack: Path) -> None:
    with ZipFile(pack) as archive:
        entries = archive.infolist()
    names = [entry.filename for entry in entries]
    assert names == ["README.txt", *sorted(names[1:-2]), "SHA256SUMS", "SHA256SUMS.sig"]
    assert {entry.date_time for entry in entries} == {(1980, 1, 1, 0, 0, 0)}
    assert {entry.compress_type for entry in entries} == {ZIP_STORED}


CHILD = """
import locale, sys
for name in ("de_DE.UTF-8", "fr_FR.UTF-8", "tr_TR.UTF-8", ""):  # a decimal comma, where the machine has one
    try:
        locale.setlocale(locale.LC_ALL, name)
        break
    except locale.Error:
        pass
from benchkit.cli.main import main
sys.exit(main(sys.argv[1:]))
"""


def test_another_locale_time_zone_hash_seed_folder_and_number_of_threads_give_the_same_bytes(
    pack: Path, inputs: Path, tmp_path: Path
) -> None:
    # the pack holds the HTML, the PDF and the JSON of the report
    other = os.environ | {
        "TZ": "Pacific/Kiritimati", "LC_ALL": "de_DE.UTF-8", "LANG": "tr_TR.UTF-8", "PYTHONHASHSEED": "4711",
        "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "SOURCE_DATE_EPOCH": "1", "PYTHONPATH": str(ROOT),
        "COLUMNS": "40",
    }  # fmt: skip
    folder = tmp_path / "another folder, ü"
    folder.mkdir()
    for name in ("propeller.h5", "key.pem", "plan.md", "loads.csv"):
        (folder / name).write_bytes((inputs / name).read_bytes())
    (folder / "key.pem").chmod(0o600)
    command = [sys.executable, "-c", CHILD, *arguments(Path(), Path("again.zip"))]
    done = subprocess.run(command, cwd=folder, env=other, capture_output=True, encoding="utf-8", check=False)
    assert done.returncode == 0, done.stderr
    with ZipFile(pack) as one, ZipFile(folder / "again.zip") as two:
        assert [n for n in one.namelist() if one.read(n) != two.read(n)] == []
    assert (folder / "again.zip").read_bytes() == pack.read_bytes()


def test_the_page_in_the_pack_is_html_without_a_parse_error(pack: Path) -> None:
    with ZipFile(pack) as archive:
        page = archive.read("report/report.html").decode()
    html5lib.HTMLParser(strict=True).parse(page)  # raises at the first parse error of the HTML Living Standard
    assert "&lt;i&gt;tea&lt;/i&gt;" in page


def test_a_run_that_is_not_closed_is_no_evidence(tmp_path: Path) -> None:
    write_run(tmp_path / "open.h5", closed=False)
    with pytest.raises(DataError, match="no evidence: not closed"):
        write_pack([tmp_path / "open.h5"], tmp_path / "pack.zip", key=None)
    assert not (tmp_path / "pack.zip").exists()


def test_photos_go_with_the_run_and_what_is_missing_or_changed_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    taken = {"001_guard.png": b"guard", "002_probe.png": b"probe", "003_wiring.png": b"wiring"}
    notes = [
        Event(
            1.0 + i, EventKind.NOTE, f"photo {name}",
            data={"photo": f"propeller.photos/{name}", "sha256": hashlib.sha256(content).hexdigest(), "bytes": 5},
        )
        for i, (name, content) in enumerate(taken.items())
    ]  # fmt: skip
    write_run(tmp_path / "propeller.h5", extra=notes)
    album = tmp_path / "propeller.photos"
    album.mkdir()
    (album / "001_guard.png").write_bytes(b"guard")
    (album / "002_probe.png").write_bytes(b"another probe")
    (tmp_path / "propeller.h5").rename(tmp_path / "spring.h5")
    assert main(["evidence", str(tmp_path / "spring.h5"), "--out", str(tmp_path / "pack.zip"), "--unsigned"]) == 0
    told = capsys.readouterr().out
    with ZipFile(tmp_path / "pack.zip") as archive:
        photos = {name: archive.read(name) for name in archive.namelist() if "/photos/" in name}
        read_me = archive.read("README.txt").decode()
    assert photos == {"runs/A/photos/001_guard.png": b"guard"}, "also when the run was renamed"
    for text in (told, read_me):
        assert "002_probe.png: not the photo that was attached" in text
        assert "003_wiring.png: not in propeller.photos" in text
    assert main(["verify", str(tmp_path / "pack.zip")]) == 0


def test_inputs_are_never_replaced(inputs: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = inputs / "propeller.h5"
    with pytest.raises(UsageError, match="would replace an input"):
        write_pack([run], run, key=None)
    with pytest.raises(UsageError, match="no such file"):
        write_pack([run], inputs / "pack.zip", key=None, plan=inputs / "none.md")
    with pytest.raises(UsageError, match="folder of the pack does not exist"):
        write_pack([run], inputs / "none" / "pack.zip", key=None)
    assert main(["evidence", str(run), "--sign", str(inputs / "none.pem")]) == 2
    assert "no such key" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("airboat.toml", "x/airboat.toml"),
        ("../../etc/passwd", "x/passwd"),
        ("C:\\stands\\a.toml", "x/a.toml"),
        ("..", "x/file"),
        ("a\n<b>.toml", "x/a__b_.toml"),
        ("no_suffix", "x/no_suffix"),
        ("", "x/file"),
    ],
)
def test_names_in_a_pack_are_safe_to_unpack(name: str, expected: str) -> None:
    assert Names("x").of(name) == expected
    assert is_safe(expected)


def test_a_name_that_is_taken_gets_a_number_also_where_letters_count_once() -> None:
    names = Names("x")
    assert [names.of(name) for name in ("a.toml", "b/A.TOML", "c/a.toml")] == ["x/a.toml", "x/A_2.TOML", "x/a_3.toml"]
