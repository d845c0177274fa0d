"""``benchkit runs`` and ``benchkit campaign`` as a person gives them; the page of a campaign."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from benchkit.campaign.catalogue import Catalogue
from benchkit.campaign.entry import Filter
from benchkit.cli.main import main
from benchkit.cli.run_list import watch
from tests.campaign.made_runs import damage


@pytest.fixture(autouse=True)
def few(runs: Path) -> Path:
    """Seven of the runs."""
    for path in sorted(runs.rglob("*.h5")):
        if int(path.stem[-5:]) > 6:
            path.unlink()
    return runs


def test_runs_lists_filters_and_tags(few: Path, capsys: pytest.CaptureFixture[str]) -> None:
    damage(few / "week-2" / "run-00001.h5", 0)
    assert main(["runs", str(few)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].split()[:4] == ["started", "file", "state", "firmware"]
    assert "2026-03-02 08:00  week-1/run-00000.h5  closed, SIMULATED  B.14" in lines[1]
    assert lines[-1] == "7 runs, 1 of them damaged"
    assert "truncated" in lines[-2]
    assert main(["runs", str(few), "--firmware", "C.05", "--add-tag", "new"]) == 0
    assert "tagged: 'new', 2 of 2 runs" in capsys.readouterr().err
    assert main(["runs", str(few), "--tag", "new", "--until", "2026-03-02", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [(run["run_id"], run["tags"]) for run in found] == [("airboat-00002", ["new"])]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--add-tag", "x"], "tags go onto the runs that are chosen, and none are"),
        (["--from", "1.3.2026"], r"not a day \(got '1.3.2026'; expected YEAR-MONTH-DAY"),
    ],
)
def test_runs_refuses(few: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str) -> None:
    assert main(["runs", str(few), *words]) == 2
    assert re.search(said, capsys.readouterr().err)


def test_watch_prints_what_is_new_among_the_chosen(few: Path, capsys: pytest.CaptureFixture[str]) -> None:
    aside = few / "week-1" / "run-00002.h5"
    data = aside.read_bytes()
    aside.unlink()
    looks = iter([True, False])

    def wait() -> bool:
        (few / "back.h5").write_bytes(data)
        return next(looks)

    with Catalogue(few) as catalogue:
        catalogue.refresh()
        watch(catalogue, Filter(firmware="C.05"), wait)
    assert capsys.readouterr().out.startswith("new: 2026-03-02 22:00  back.h5  closed, SIMULATED  C.05")


def test_campaign_writes_tables_and_a_page(few: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    damage(few / "week-2" / "run-00001.h5", 4)
    (few / "week-2" / "run-00003.h5").rename(few / "<b>bold & co.h5")
    (few / "<i>broken.h5").write_bytes(b"")
    out = tmp_path / "out"
    assert main(["campaign", str(few), "--out", str(out), "--workers", "1"]) == 0
    said = capsys.readouterr().out
    assert "6 runs, 24 rows: 6 analysed, 0 were done before" in said
    assert "left out: week-2/run-00001.h5: the content is not what was recorded" in said
    page = (out / "campaign.html").read_text("utf-8")
    for text in (
        "SIMULATED DATA in 6 of 6 runs",
        "Loss of the drive",
        "A trend is no comparison",
        "Thrust coefficient CT",
    ):
        assert text in page, text
    assert "&lt;b&gt;bold &amp; co.h5" in page
    assert "<b>bold" not in page
    assert "<i>broken" not in page
    assert not re.search(r"(src|href)=\"https?:", page)
    numbers = json.loads((out / "campaign.json").read_text("utf-8"))
    assert [section["id"] for section in numbers["sections"]][:3] == ["summary", "cautions", "trend-drive-loss-w"]
    first = {name: (out / name).read_bytes() for name in ("campaign.html", "campaign.json", "table.csv")}
    assert main(["campaign", str(few), "--out", str(out), "--workers", "1", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["reused"] == 6
    assert {name: (out / name).read_bytes() for name in first} == first


def test_campaign_refuses(few: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("")
    assert main(["campaign", str(few), "--out", str(tmp_path / "file")]) == 2
    assert "the place for the results is no folder" in capsys.readouterr().err
    assert main(["campaign", str(few), "--out", str(tmp_path / "x"), "--workers", "0"]) == 2
    assert "a campaign needs a process to work in" in capsys.readouterr().err
    assert main(["campaign", str(few), "--out", str(tmp_path / "x"), "--firmware", "Z"]) == 2
    assert "no run to analyse" in capsys.readouterr().err
