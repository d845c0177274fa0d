"""A campaign says what its runs say, however it was done, stopped, killed, and whatever lay between the runs."""

from __future__ import annotations

import csv
import json
import os
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchkit.campaign.campaign import TABLE_CSV, TABLE_PARQUET, Settings, run_campaign
from benchkit.campaign.entry import Filter
from benchkit.campaign.executors import DIED
from benchkit.campaign.ledger import FILE_NAME, Ledger
from benchkit.campaign.points import Row
from benchkit.campaign.task import Task, analysis_version, do, full_name
from benchkit.errors import DataError, UsageError
from benchkit.report.gather import gather
from benchkit.runfile.exclusions import exclude
from tests.campaign.made_runs import CURRENT, NOISE, damage
from tests.campaign.own_analyses import MARK

HERE = Settings(workers=0)
OWN = "tests.campaign.own_analyses"


@pytest.fixture
def few(runs: Path) -> Path:
    """Six of the runs: 0 to 5."""
    for path in sorted(runs.rglob("*.h5")):
        if int(path.stem[-5:]) > 5:
            path.unlink()
    return runs


def table(out: Path) -> list[dict[str, str]]:
    with (out / TABLE_CSV).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_rows_are_what_the_report_of_the_run_says(runs: Path, tmp_path: Path) -> None:
    made = run_campaign(runs, tmp_path / "out", replace(HERE, wanted=Filter(run="airboat-00004")))
    result = gather([runs / "week-1" / "run-00004.h5"])[0].result
    rows = table(tmp_path / "out")
    assert len(rows) == len(result.balances) == 4
    for row, balance in zip(rows, result.balances, strict=True):
        assert float(row["drive_loss_w"]) == balance.drive_loss_w.value
        assert float(row["u_drive_loss_w"]) == balance.drive_loss_w.u
        assert float(row["speed_rpm"]) == balance.speed_rpm.value
    with_thrust = [row for row in rows if row["ct"]]
    assert [float(row["ct"]) for row in with_thrust] == [t.ct.value for t in result.thrust]
    assert {row["firmware"] for row in rows} == {"C.02"}
    assert (made.done, made.reused, made.campaign.rows) == (1, 0, 4)


def test_the_trend_by_firmware_is_what_was_put_in(runs: Path, tmp_path: Path) -> None:
    """P_dc goes with the factor on the current, shaft power does not: between firmwares the loss differs by the
    difference of their factors times the mean DC power of the set-points (exact, but for the scatter put in)."""
    made = run_campaign(runs, tmp_path / "out", HERE)
    loss = next(trend for trend in made.campaign.trends if trend.key == "drive_loss_w")
    assert (loss.set_points, loss.left_out) == (3, ())
    groups = {group.name: group for group in dict(loss.groups)["firmware"]}
    assert {name: group.runs for name, group in groups.items()} == dict.fromkeys(CURRENT, 4)
    power = [float(r["dc_power_w"]) for r in table(tmp_path / "out") if r["firmware"] == "B.14" and r["ct"]]
    mean_power = float(np.mean(power))
    for name, factor in CURRENT.items():
        expected = (factor - 1.0) * mean_power
        found = groups[name].mean.value - groups["B.14"].mean.value
        # runs differ by NOISE in current and in torque, four in either mean: five of its standard deviations
        assert found == pytest.approx(expected, abs=5.0 * NOISE * mean_power * np.sqrt(2.0 * 2.0 / 4.0))
    ct = next(trend for trend in made.campaign.trends if trend.key == "ct")
    means = {group.name: group.mean.value for group in dict(ct.groups)["propeller"]}
    # thrust of the second propeller was put in 3 % higher; six runs in either mean
    assert means["RUSH-130-2"] / means["SEDGE-130-2"] == pytest.approx(1.03, abs=5.0 * NOISE * np.sqrt(2.0 / 6.0))


def test_a_pool_gives_the_same_tables(few: Path, tmp_path: Path) -> None:
    pyarrow = pytest.importorskip("pyarrow.parquet")
    for workers in (0, 2):
        run_campaign(few, tmp_path / str(workers), Settings(workers=workers))
    for name in (TABLE_CSV, TABLE_PARQUET, "runs.csv"):
        assert (tmp_path / "0" / name).read_bytes() == (tmp_path / "2" / name).read_bytes(), name
    read = pyarrow.read_table(tmp_path / "2" / TABLE_PARQUET)
    rows = table(tmp_path / "2")
    assert read.column("drive_loss_w").to_pylist() == [float(row["drive_loss_w"]) for row in rows]
    assert read.column("ct").to_pylist()[0] is None
    assert rows[0]["ct"] == ""
    assert read.schema.metadata[b"analysis"] == b"benchkit.campaign.points:points"


def test_damaged_runs_and_copies_are_reported_and_the_others_counted(runs: Path, tmp_path: Path) -> None:
    bad = [f"week-2/run-{i:05d}.h5" for i in (1, 3, 5, 7, 9)]
    for kind, name in enumerate(bad):
        damage(runs / name, kind)
    shutil.copy(runs / "week-1" / "run-00000.h5", runs / "zz copy.h5")
    made = run_campaign(runs, tmp_path / "out", HERE)
    skipped = {each.file: each.reason for each in made.campaign.skipped}
    assert sorted(skipped) == [*bad, "zz copy.h5"]
    assert "the content is not what was recorded" in skipped["week-2/run-00009.h5"]
    assert skipped["zz copy.h5"] == "the same content as week-1/run-00000.h5, which counts"
    assert len(made.campaign.runs) + len(skipped) == 13
    with (tmp_path / "out" / "runs.csv").open(encoding="utf-8", newline="") as file:
        listed = {row["file"]: row["skipped"] for row in csv.DictReader(file)}
    assert {file for file, reason in listed.items() if reason} == set(skipped)
    assert len(listed) == 13


def test_after_a_stop_nothing_finished_is_done_again(few: Path, tmp_path: Path) -> None:
    class StopError(Exception):
        """As of Ctrl-C."""

    def stop(done: int, total: int) -> None:
        if done == 4:
            raise StopError

    out = tmp_path / "out"
    with pytest.raises(StopError):
        run_campaign(few, out, HERE, stop)
    with (out / FILE_NAME).open("r+b") as file:  # and the last line was not written to its end
        file.truncate(file.seek(0, os.SEEK_END) - 40)
    (few / "week-1" / "run-00000.h5").rename(few / "renamed.h5")
    seen: list[tuple[int, int]] = []
    made = run_campaign(few, out, HERE, lambda done, total: seen.append((done, total)))
    assert (made.done, made.reused) == (3, 3)
    assert seen[0] == (4, 6)
    run_campaign(few, tmp_path / "at once", HERE)
    assert table(out) == table(tmp_path / "at once")
    assert run_campaign(few, out, HERE).done == 0


def test_an_exclusion_or_another_version_makes_a_run_anew(
    few: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    made = run_campaign(few, out, HERE)
    path = few / "week-1" / "run-00004.h5"
    sha = next(run.content_sha256 for run in made.campaign.runs if run.file == "week-1/run-00004.h5")
    exclude(path, sha, (0.0, 0.3), "warm-up", "shift A", "2026-03-20T10:00:00+00:00")
    made = run_campaign(few, out, HERE)
    assert (made.done, made.reused) == (1, 5)
    assert [row["excluded"] for row in table(out) if row["run_id"] == "airboat-00004"].count("true") == 1
    monkeypatch.setattr("benchkit.campaign.task.metadata.version", lambda name: "99")
    analysis_version.cache_clear()
    try:
        assert run_campaign(few, out, HERE).done == 6
    finally:
        monkeypatch.undo()
        analysis_version.cache_clear()


def test_a_process_that_dies_takes_no_run_with_it(few: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    mark = tmp_path / "died"
    monkeypatch.setenv(MARK, str(mark))
    made = run_campaign(few, tmp_path / "out", Settings(analysis=f"{OWN}:dies_once", workers=2))
    assert mark.exists()
    assert (len(made.campaign.runs), made.campaign.skipped) == (6, ())
    run_campaign(few, tmp_path / "whole", replace(HERE, analysis=f"{OWN}:longest"))
    assert table(tmp_path / "out") == table(tmp_path / "whole")


def test_a_run_that_kills_its_process_each_time_is_reported(few: Path, tmp_path: Path) -> None:
    made = run_campaign(few, tmp_path / "out", Settings(analysis=f"{OWN}:dies_always", workers=2))
    assert [(each.file, each.reason) for each in made.campaign.skipped] == [("week-2/run-00005.h5", DIED)]
    assert len(made.campaign.runs) == 5


def test_an_analysis_of_ones_own(few: Path, tmp_path: Path) -> None:
    made = run_campaign(few, tmp_path / "a", replace(HERE, analysis=f"{OWN}:longest"))
    assert [row["note"] for row in table(tmp_path / "a")] == [f"made run {i}" for i in range(6)]
    assert made.campaign.trends == ()
    made = run_campaign(few, tmp_path / "b", replace(HERE, analysis=f"{OWN}:raises"))
    assert [each.reason for each in made.campaign.skipped] == [
        "unexpected fault: ZeroDivisionError: no rows to divide by"
    ]
    assert {row["nan"] for row in table(tmp_path / "b")} == {""}
    made = run_campaign(few, tmp_path / "c", replace(HERE, analysis=f"{OWN}:no_rows"))
    assert {each.reason for each in made.campaign.skipped} == {
        "path: the analysis gave a value that is not plain (got 'PosixPath')"
    }


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("point", "no such analysis"),
        ("no_such_module:f", "the analysis cannot be loaded"),
        (f"{OWN}:nothing", "the analysis cannot be loaded"),
        (f"{OWN}:NOT_A_FUNCTION", "the analysis is no function"),
    ],
)
def test_no_such_analysis(name: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        full_name(name)


def test_a_worker_with_other_code_does_not_count(runs: Path) -> None:
    task = Task(str(runs / "week-1" / "run-00000.h5"), "", full_name("points"), "0" * 64, verify=False)
    outcome = do(task)
    assert outcome.is_foreign
    assert "another version" in outcome.reason


def test_the_folder_of_results_holds_nothing_else(runs: Path, tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_text('{"mine": 1}\n')
    with pytest.raises(DataError, match="line 1: not a line of a campaign"):
        run_campaign(runs, tmp_path, HERE)


def test_a_ledger_reads_back_what_was_put_in(tmp_path: Path) -> None:
    path = tmp_path / FILE_NAME
    rows: tuple[Row, ...] = ({"x": 0.1, "name": "µ\n", "none": None, "whole": 3, "yes": True},)
    with Ledger(path) as ledger:
        ledger.add(("a", "", "v"), "f", rows)
        ledger.add(("b", "e", "v"), "f", ())
    path.write_bytes(path.read_bytes() + b'{"content_sha256": "c", "exc')
    with Ledger(path) as ledger:
        ledger.add(("d", "", "v"), "f", rows)
    with Ledger(path) as ledger:
        assert ledger.rows(("a", "", "v")) == ledger.rows(("d", "", "v")) == list(rows)
        assert ledger.rows(("b", "e", "v")) == []
        assert ("c", "", "v") not in ledger
    assert all(json.loads(line) for line in path.read_text("utf-8").splitlines() if line.endswith("}"))


def test_nothing_to_do(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no run to analyse"):
        run_campaign(tmp_path, tmp_path / "out", HERE)
