"""``benchkit plan next``: blocks of points for a map, on the sample run of the big motor."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.cli.main import main
from benchkit.model.plans import Axis
from benchkit.plans.bounds import beyond, bounds_of
from benchkit.profiles import load_stand, shared_path
from benchkit.profiles.plan_file import load_plan

RUN = Path(__file__).resolve().parents[2] / "sample_runs" / "big_motor_map" / "run.h5"
ENVELOPE = ["--speeds", "800:3600:400", "--torques", "20:140:20"]


def test_a_map_begins_with_points_that_spread(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "first.toml"
    assert main(["plan", "next", "airboat_map", *ENVELOPE, "--out", str(out)]) == 0
    assert "The first points of a map" in capsys.readouterr().out
    stand = load_stand(shared_path("stands", "airboat_map.toml")).stand
    targets = load_plan(out, stand).segments[0].points
    assert {(t[Axis.SPEED], t[Axis.TORQUE]) for t in targets} >= {(800.0, 20.0), (3600.0, 20.0), (800.0, 140.0)}
    assert main(["plan", "check", "airboat_map", str(out)]) == 0


def test_the_next_block_comes_from_what_a_run_has_shown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "next.toml"
    words = ["plan", "next", "airboat_map", str(RUN), *ENVELOPE]
    assert main([*words, "--count", "5", "--out", str(out)]) == 0
    told = capsys.readouterr().out
    assert "5 further points of a map" in told
    now, then = (float(part.split()[-1]) for part in told.split(" % ")[:2])
    assert 0.0 < then < now < 1.0  # per cent of efficiency
    stand = load_stand(shared_path("stands", "airboat_map.toml")).stand
    targets = load_plan(out, stand).segments[0].points
    assert len(targets) == 5
    assert not [words for target in targets for words in beyond(target, bounds_of(stand))]
    assert main([*words, "--speeds", "1200:2400:400", "--torques", "40:80:20", "--wanted", "5"]) == 2
    assert "the map is as certain as wanted" in capsys.readouterr().err


def test_an_envelope_beyond_the_stand(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "next", "airboat_map", "--speeds", "9000", "--torques", "20"]) == 2
    assert "no point of the envelope is within the bounds" in capsys.readouterr().err
