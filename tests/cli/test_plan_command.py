"""``benchkit plan`` for a stand: it makes every kind, checks, refuses with the segment, and writes nothing over."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from benchkit.cli.main import main
from benchkit.cli.plan_making import numbers
from benchkit.errors import UsageError

MADE = {
    "map": ["airboat_map", "--speeds", "500:3000:500", "--torques", "10:100:10"],
    "sweep": ["airboat", "--speeds", "1000,2000,3000", "--passes", "2"],
    "heat": ["airboat", "--speeds", "2800", "--rise", "40", "--tau", "120", "--cool-below", "50"],
    "steps": ["airboat_map", "--speeds", "1500", "--torques", "10,40", "--passes", "3"],
    "blocks": ["airboat_map", "--speeds", "1000,2000", "--torques", "20,40", "--days", "2"],
    "endurance": [
        "airboat_map", "--phase", "idle=1000,10,300,idle", "--phase", "climb=3000,110,600,take-off", "--cycles", "80",
    ],
    "ladder": ["airboat_small", "--approver", "chief engineer"],
}  # fmt: skip


@pytest.mark.parametrize("kind", MADE)
def test_every_kind_is_written_and_passes_its_own_check(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, stand = tmp_path / f"{kind}.toml", MADE[kind][0]
    assert main(["plan", kind, *MADE[kind], "--approval", "test lead", "--out", str(out)]) == 0
    told = capsys.readouterr().out
    assert "approvals before the start: test lead" in told
    assert main(["plan", "check", stand, str(out), "--json"]) == 0
    body = json.loads(capsys.readouterr().out)
    if kind == "map":
        assert (body["points"], body["steps"] >= 60) == (69, True)
    if kind == "endurance":
        assert body["least_s"] == pytest.approx(20 * 3600.0, rel=0.05)  # exact: 80 times 15 min, and the ramps
    assert main(["plan", kind, *MADE[kind], "--out", str(out)]) == 2
    assert "there is a file of that name" in capsys.readouterr().err


def test_what_the_mounted_motor_does_not_bear_is_refused_with_the_segment(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "map.toml"
    assert main(["plan", "map", *MADE["map"], "--out", str(out)]) == 0
    capsys.readouterr()
    for command in (["plan", "check", "airboat_small", str(out)], ["record", "airboat_small", "--plan", str(out)]):
        assert main([*command]) == 3
        told = capsys.readouterr().err
        assert "segment 'map_block_1', point " in told
        assert "beyond 40 N·m (nameplate of WREN-12)" in told
    small = tmp_path / "small.toml"
    assert main(["plan", "map", "airboat_small", *MADE["map"][1:], "--out", str(small)]) == 3
    assert not small.exists()


def test_lists_of_numbers() -> None:
    assert numbers("500:2000:500", "--speeds") == [500.0, 1000.0, 1500.0, 2000.0]
    assert numbers("3,1.5", "--speeds") == [3.0, 1.5]
    assert numbers("0.1:0.3:0.1", "--torques") == [0.1, 0.2, 0.3]
    for bad in ("1:2", "1:2:0.3", "a", "1:2:0", "2:1:1", ""):
        with pytest.raises(UsageError, match=r"^--speeds: "):
            numbers(bad, "--speeds")
