"""``benchkit plan next``: blocks of points for a map, on the sample run of the big motor."""

from __future__ import annotations

from argparse import Namespace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from benchkit.analysis.efficiency_map import ROLES
from benchkit.analysis.map_certainty import looked, verdict
from benchkit.analysis.map_points import map_points
from benchkit.analysis.next_point import FIRST_POINTS, LAST_CHOSEN
from benchkit.analysis.uncertainty import combine
from benchkit.cli import plan_next
from benchkit.cli.main import main
from benchkit.errors import UsageError
from benchkit.model.plans import Axis
from benchkit.model.results import OperatingPoint
from benchkit.model.stand import Role, Stand
from benchkit.plans.bounds import beyond, bounds_of
from benchkit.plans.generate import Frame
from benchkit.profiles import load_stand, shared_path
from benchkit.profiles.plan_file import load_plan
from tests.analysis.map_benches import EVEN, Bench
from tests.analysis.map_truths import SCATTER

RUN = Path(__file__).resolve().parents[2] / "sample_runs" / "big_motor_map" / "run.h5"
ENVELOPE = ["--speeds", "800:3600:400", "--torques", "20:140:20"]


def test_a_map_begins_with_points_that_spread(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "first.toml"
    assert main(["plan", "next", "airboat_map", *ENVELOPE, "--out", str(out)]) == 0
    assert "The first points of a map" in capsys.readouterr().out
    stand = load_stand(shared_path("stands", "airboat_map.toml")).stand
    targets = load_plan(out, stand).segments[0].points
    assert {(t[Axis.SPEED], t[Axis.TORQUE]) for t in targets} >= {(800.0, 20.0), (3600.0, 20.0), (800.0, 140.0)}
    here, way_s = (0.0, 0.0), 0.0
    for target in targets:  # none of those that are left is nearer than the one that comes next
        there = (target[Axis.SPEED], target[Axis.TORQUE])
        way_s += abs(there[0] - here[0]) / 200.0 + abs(there[1] - here[1]) / 20.0
        here = there
    assert way_s < 0.6 * sum(
        abs(b[Axis.SPEED] - a[Axis.SPEED]) / 200.0 + abs(b[Axis.TORQUE] - a[Axis.TORQUE]) / 20.0
        for a, b in pairwise(sorted(targets, key=lambda t: (t[Axis.TORQUE], t[Axis.SPEED])))
    )
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


def measured(stand: Stand, bench: Bench) -> list[OperatingPoint]:
    """What a bench has measured, as a run tells it."""
    points = []
    for k, row in enumerate(bench.rows):
        means = {}
        for role, value in row.items():
            channel = stand.channel_for(role)
            assert channel is not None
            means[channel.name] = combine(value, SCATTER[role], 99.0, 0.0, unit=channel.unit, name=channel.name)
        points.append(OperatingPoint(k, "rack", 10 * k, 10 * k + 10, 10.0 * k, 10.0 * k + 9.0, means))
    return points


def test_the_command_and_a_run_agree_when_a_map_is_certain(monkeypatch: pytest.MonkeyPatch) -> None:
    """A run looks at the map after each point; the command sees the points afterwards."""
    stand = load_stand(shared_path("stands", "airboat_map.toml")).stand
    bench = Bench(1)
    for n, T in zip(EVEN.speed_rpm[::3], EVEN.torque_nm[::3], strict=True):
        bench.measure(float(n), float(T))
    points = measured(stand, bench)
    envelope = plan_next.Places(np.array([1000.0, 2000.0, 3000.0]), np.array([30.0, 60.0, 90.0]))

    def after(k: int, points: list[OperatingPoint], wanted: float) -> bool:
        watched = None
        for count in range(FIRST_POINTS, k + 1):
            watched = looked(watched, "drive", envelope, map_points(stand, points[:count], ROLES["drive"]))
        assert watched is not None
        monkeypatch.setattr(plan_next, "measured", lambda _: points[:k])
        args = Namespace(wanted=100.0 * wanted, count=1, read=10.0, longest=None)
        in_a_run = verdict(watched, wanted, envelope).is_certain
        if in_a_run:
            with pytest.raises(UsageError, match="the map is as certain as wanted"):
                plan_next.next_plan(Frame(), args, stand, [Path("any.h5")], envelope)
        else:
            assert "1 further points" in plan_next.next_plan(Frame(), args, stand, [Path("any.h5")], envelope).title
        return in_a_run

    enough = FIRST_POINTS + LAST_CHOSEN
    assert not after(enough - 1, points, 1.0)
    assert after(enough, points, 1.0)
    assert not after(enough, points, 1e-6)
    bench.rows[enough - 1][Role.DC_CURRENT] += 3.0  # 1.2 kW of loss that nobody expected
    assert not after(enough, measured(stand, bench), 1.0)
