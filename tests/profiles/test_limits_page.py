"""The examples of docs/reference/limits.md, read as they stand; every kind has one."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchkit.model.limits import (
    ByPhase,
    DeratingLine,
    Direction,
    InverseTime,
    Limit,
    LimitKind,
    RateWindow,
    SquareIntegral,
    SumWindow,
    ThermalReplica,
    WhileMoving,
)
from benchkit.profiles import load_stand, shared_path
from benchkit.protect.limits import LimitEngine

PAGE = (Path(__file__).parents[2] / "docs" / "reference" / "limits.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL)


@pytest.fixture(scope="module")
def limits(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Limit]:
    profile = tmp_path_factory.mktemp("page") / "stand.toml"
    airboat = shared_path("stands", "airboat.toml")
    (profile.parent / "airboat.toml").write_bytes(airboat.read_bytes())
    profile.write_text("\n".join(['[profile]\nbase = "airboat.toml"\n', *EXAMPLES]), encoding="utf-8")
    stand = load_stand(profile).stand
    names = {source: tuple(c.name for c in stand.channels_of(source)) for source in stand.sources}
    LimitEngine(stand.limit_set.limits, names, dict.fromkeys(stand.sources, 0.5), 0)
    assert stand.limit_set.starting_time_s == 4.0
    return {limit.name: limit for limit in stand.limit_set.limits}


def test_every_kind_has_a_section_and_an_example() -> None:
    shown = set(re.findall(r'^kind = "(\w+)"', "\n".join(EXAMPLES), flags=re.MULTILINE))
    assert shown == {kind.value for kind in LimitKind}
    headings = ", ".join(re.findall(r"^## (.*)$", PAGE, flags=re.MULTILINE))
    assert all(kind.value in headings for kind in LimitKind)
    assert "not a safety function" in PAGE


def test_values_reach_bench_units(limits: dict[str, Limit]) -> None:
    assert (limits["air_pressure_odd"].low, limits["air_pressure_odd"].set_point) == (90000.0, 107000.0)
    assert limits["air_pressure_odd"].deadband == 200.0
    rate = limits["winding_heats_fast"]
    assert (rate.set_point, rate.deadband) == (1.5, 0.1)  # exact: 90 K/min and 6 K/min in K/s
    assert rate.detail == RateWindow(5.0, Direction.RISE)
    assert limits["thrust_frozen"].detail == WhileMoving(5.0, "shaft_speed", 300.0)
    assert limits["phases_unequal"].partners == ("phase_v_current", "phase_w_current")
    assert isinstance(limits["phase_inverse"].detail, InverseTime)
    overload = limits["phase_overload"]
    assert overload.detail == ThermalReplica(1.05, 480.0, 1200.0, 0.5)
    assert overload.deadband == pytest.approx(0.1, rel=1e-15)
    assert limits["dc_link_i2t"].detail == SquareIntegral(150.0, 0.0)
    assert (limits["drive_energy"].set_point, limits["drive_energy"].detail) == (1.5e6, SumWindow(60.0))
    assert limits["torque_by_phase"].course == ByPhase(None, 190.0, 165.0, 190.0)
    assert limits["torque_by_phase"].set_point == 165.0
    line = limits["current_derated"].course
    assert isinstance(line, DeratingLine)
    assert (line.channel, line.at(70.0), limits["current_derated"].set_point) == ("coolant_outlet_temp", 130.0, 20.0)
