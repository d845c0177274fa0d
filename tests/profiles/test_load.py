"""A profile is read strictly, and every fault in it is named at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.errors import ProfileError, UsageError
from benchkit.model.limits import LimitKind, Severity
from benchkit.model.stand import Role
from benchkit.profiles import load_stand, shared_path, stand_from_json

AIRBOAT = shared_path("stands", "airboat.toml")


def write(tmp_path: Path, *changes: tuple[str, str]) -> Path:
    text = AIRBOAT.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = tmp_path / "stand.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_example_loads_in_bench_units() -> None:
    stand = load_stand(AIRBOAT).stand
    assert len(stand.channels) == 24
    torque = stand.channels["shaft_torque"]
    assert torque.unit == "N·m"
    assert torque.calibration.curve.apply is not None
    # the AC power channel is written in kW with 3 W standard uncertainty: 0.003 kW = 3 W
    assert stand.channels["ac_power"].calibration.accuracy.constant == pytest.approx(3.0)
    # relative humidity is written in percent: 2 % = 0.02
    assert stand.channels["air_humidity"].high == pytest.approx(1.0)
    winding = next(limit for limit in stand.limit_set.limits if limit.name == "winding_hot")
    assert (winding.kind, winding.severity, winding.set_point) == (LimitKind.ABOVE, Severity.TRIP, 140.0)
    assert winding.deadband == 5.0  # a difference of 5 K is 5 °C
    assert stand.channel_for(Role.THRUST) is stand.channels["thrust"]


def test_the_run_carries_the_profile_and_gives_the_same_stand() -> None:
    loaded = load_stand(AIRBOAT)
    assert stand_from_json(loaded.json) == loaded.stand


def test_five_faults_are_all_listed(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        ('quantity = "torque"\nunit = "N·m"', 'quantity = "torque"\nunit = "Nm/s"'),
        ('label = "Thrust"', 'lable = "Thrust"'),
        ("baud = 921600", 'baud = "fast"'),
        ('source = "rack"\ncolumn = "idc"', 'source = "rock"\ncolumn = "idc"'),
        ('action = "zero_torque"', 'action = "zero_torqe"'),
    )
    with pytest.raises(ProfileError, match="problems") as caught:
        load_stand(path)
    text = str(caught.value)
    for part in (
        "channels.shaft_torque.unit: 'Nm/s' is not a unit of torque. Use N·m, mN·m,",
        "Did you mean 'N·m'?",
        "channels.thrust.lable: unknown key",
        "Did you mean 'label'?",
        "sources.rack.baud",
        "got 'fast'",
        "channels.dc_current.source: no source of that name (got 'rock'). Did you mean 'rack'?",
        "limits.speed_lost.action: no stop action of that name (got 'zero_torqe'). Did you mean 'zero_torque'?",
    ):
        assert part in text
    # five faults; the misspelt label is one unknown and one missing key
    assert len(caught.value.problems) == 6


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("range = [0.0, 500.0]", "range = [500.0, 0.0]", "lower end must lie below"),
        ("gain = 100.0", "gain = 0.0", "measures nothing"),
        ('column = "tq"', 'column = "t_ms"', "no value column of that name"),
        ('torque = "shaft_torque"', 'torque = "shaft_speed"', "measures speed"),
        ('separator = ","', 'separator = "."', "one of , ; tab space"),
        ('decimal_mark = "."', 'decimal_mark = ","', "same sign"),
        ("set {name} {value}", "set {name}", "must hold"),
        ("due = 2027-03-02", "due = 2025-03-02", "before the day of calibration"),
        ('orderly_stop = "ramp_down"', 'orderly_stop = "ramp_up"', "no stop action"),
        ("pole_pairs = 10", "pole_pairs = 0", "pole_pairs"),
        ('set_point = { value = 75.0, unit = "°C" }', "", "limits.coolant_hot.set_point: missing"),
        ("{ value = 140.0,", "{ value = nan,", "finite"),
        ('winding_limit = { value = 140.0, unit = "°C" }', "winding_limit = 140.0", "motor.winding_limit"),
    ],
)
def test_a_fault_is_named_with_its_key(tmp_path: Path, old: str, new: str, message: str) -> None:
    with pytest.raises(ProfileError, match=message):
        load_stand(write(tmp_path, (old, new)))


def test_calibration_kinds_reach_the_bench_unit(tmp_path: Path) -> None:
    import numpy as np

    line = 'calibration = { kind = "gain_offset", gain = 100.0, offset = 0.0 }'
    poly = write(
        tmp_path,
        (line, 'calibration = { kind = "polynomial", coefficients = [1.0, 2.0, 0.5], raw_range = [0.0, 4.0] }'),
    )
    curve = load_stand(poly).stand.channels["shaft_torque"].calibration.curve
    raw = np.array([0.0, 2.0, 4.0, 5.0])
    value = curve.apply(raw)  # 1 + 2x + 0.5x²: 1, 7, 17; outside: not measured
    assert value[:3] == pytest.approx([1.0, 7.0, 17.0])
    assert np.isnan(value[3])
    assert curve.invert(value[:3]) == pytest.approx(raw[:3])
    table = write(
        tmp_path, (line, 'calibration = { kind = "table", raw = [0.0, 1.0, 3.0], value = [0.0, 10.0, 20.0] }')
    )
    curve = load_stand(table).stand.channels["shaft_torque"].calibration.curve
    assert curve.apply(np.array([0.5, 2.0, 3.5]))[:2] == pytest.approx([5.0, 15.0])
    assert np.isnan(curve.apply(np.array([3.5]))[0])
    turning = write(
        tmp_path,
        (line, 'calibration = { kind = "polynomial", coefficients = [0.0, 1.0, -1.0], raw_range = [0.0, 4.0] }'),
    )
    with pytest.raises(ProfileError, match="turns inside raw_range"):
        load_stand(turning)


def test_a_profile_builds_on_another() -> None:
    big = load_stand(shared_path("stands", "airboat_map.toml"))
    small = load_stand(shared_path("stands", "airboat_small.toml"))
    assert big.stand.propeller is None
    assert "thrust" not in big.stand.channels
    assert small.stand.motor.id == "WREN-12"
    assert small.stand.inverter == big.stand.inverter
    limits = {limit.name: limit for limit in small.stand.limit_set.limits}
    assert limits["winding_hot"].set_point == 130.0
    assert limits["coolant_hot"].action == "ramp_down"  # kept from the base
    profiles = {"airboat_small.toml", "airboat_map.toml", "airboat.toml"}
    assert set(small.texts) == profiles | {"shared/limits/wren_12.toml", "shared/limits/reed_inv_03.toml"}


def test_profiles_in_a_circle_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_text('[profile]\nbase = "a.toml"\n', encoding="utf-8")
    with pytest.raises(UsageError, match="circle"):
        load_stand(path)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"\xff\xfe[stand]", "not UTF-8"),
        (b"[stand\n", "not TOML"),
        (b"a=" + b"[" * 5000, "not TOML|nested too deeply"),
        (b"#" * 2_000_001, "too large"),
    ],
)
def test_a_foreign_file_is_refused_with_its_reason(tmp_path: Path, content: bytes, message: str) -> None:
    path = tmp_path / "stand.toml"
    path.write_bytes(content)
    with pytest.raises(UsageError, match=message):
        load_stand(path)


def test_an_empty_profile_lists_every_missing_section(tmp_path: Path) -> None:
    path = tmp_path / "stand.toml"
    path.write_text("", encoding="utf-8")
    with pytest.raises(ProfileError, match="sources: missing") as caught:
        load_stand(path)
    assert len(caught.value.problems) == 10
