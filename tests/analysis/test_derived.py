"""Uncertainty of derived channels, against the library uncertainties (first-order propagation with correlations)."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pytest
from uncertainties import UFloat, ufloat

from benchkit.analysis.quality import check_calibrations, check_frozen, check_missing
from benchkit.analysis.steady import channel_means
from benchkit.analysis.uncertainty import scatter_only
from benchkit.model.derived import fill_derived
from benchkit.model.results import Estimate
from benchkit.model.stand import Stand
from benchkit.model.stream import Stream
from tests.profiles.derived import page_profile, section, stand_with

STILL = {
    "dc_voltage": 400.0, "dc_current": 50.0, "shaft_speed": 3000.0, "shaft_torque": 50.0, "coolant_flow": 6.0,
    "coolant_inlet_temp": 30.0, "coolant_outlet_temp": 34.0, "winding_temp": 90.0,
}  # fmt: skip
RPM = math.pi / 30.0


@pytest.fixture(scope="module")
def stand(tmp_path_factory: pytest.TempPathFactory) -> Stand:
    own = page_profile().split("[derived.dc_power]")[1]
    return stand_with(
        tmp_path_factory.mktemp("uncertainty"),
        "[derived.dc_power]" + own,
        section("spare", "2 * dc_power - dc_voltage * dc_current"),
        section("square", "dc_power ** 2 / (dc_voltage * dc_current)"),
    ).stand


def stream(stand: Stand, columns: dict[str, np.ndarray | float], rows: int = 400) -> Stream:
    channels = stand.channels_of("rack")
    values = np.stack([np.broadcast_to(columns.get(c.name, 1.0), (rows,)) for c in channels], axis=1).astype(float)
    fill_derived(channels, values)
    t = np.arange(rows) * 0.05
    return Stream(
        "rack", tuple(c.name for c in channels), tuple(c.unit for c in channels), t, t, t, np.arange(rows), values
    )


def means(stand: Stand, columns: dict[str, np.ndarray | float]) -> dict[str, Estimate]:
    made = stream(stand, columns)
    return channel_means(stand, made, 0, len(made))


def reading(stand: Stand, name: str, factor: float = 1.0) -> UFloat:
    """Value and uncertainty of the calibration in SI; a column that stands still has no scatter."""
    accuracy = stand.channels[name].calibration.accuracy
    u = math.hypot(accuracy.of_reading * STILL[name], accuracy.constant)
    return ufloat(STILL[name] * factor, u * factor)


def test_calibrations_are_propagated(stand: Stand) -> None:
    got = means(stand, dict(STILL))
    u, i = reading(stand, "dc_voltage"), reading(stand, "dc_current")
    n, torque = reading(stand, "shaft_speed", RPM), reading(stand, "shaft_torque")
    flow = reading(stand, "coolant_flow", 1.0 / 60000.0)
    cold, warm = reading(stand, "coolant_inlet_temp"), reading(stand, "coolant_outlet_temp")
    heat = flow * 1065.0 * 3400.0 * (warm - cold)
    expected = {
        "dc_power": u * i,
        "shaft_power": n * torque,
        "drive_efficiency": n * torque / (u * i),
        "winding_rise": reading(stand, "winding_temp") - (cold + warm) / 2.0,
        "coolant_heat": heat + ufloat(0.0, 0.01 * heat.nominal_value),  # 1 % of its own, as declared
        # channels that come in twice count once: 2 UI - UI = UI, (UI)² / UI = UI
        "spare": u * i,
        "square": u * i,
    }
    for name, value in expected.items():
        assert got[name].value == pytest.approx(value.nominal_value, rel=1e-12), name
        assert got[name].u == pytest.approx(value.std_dev, rel=2e-6), name  # curvature within one u
        assert got[name].dof == math.inf
        assert got[name].unit == stand.channels[name].unit


def test_the_budget_names_the_calibration_of_each_input(stand: Stand) -> None:
    got = means(stand, dict(STILL))["coolant_heat"]
    names = [line.name for line in got.budget]
    assert set(names) == {
        "coolant_heat scatter", "coolant_flow calibration", "coolant_inlet_temp calibration",
        "coolant_outlet_temp calibration", "coolant_heat formula",
    }  # fmt: skip
    assert names[-1] == "coolant_heat scatter"
    assert math.hypot(*(line.u for line in got.budget)) == pytest.approx(got.u, rel=1e-12)


def test_scatter_is_that_of_the_samples_themselves(stand: Stand) -> None:
    """Voltage and current that swing against each other leave the power still, however much its inputs scatter."""
    swing = 1.0 + 0.01 * np.random.default_rng(8).standard_normal(400)
    together = means(stand, {**STILL, "dc_voltage": 400.0 * swing, "dc_current": 50.0 / swing})
    assert scatter_only(together["dc_voltage"], "dc_voltage").u > 0.1
    assert scatter_only(together["dc_power"], "dc_power").u == pytest.approx(0.0, abs=1e-9)
    alone = means(stand, {**STILL, "dc_current": 50.0 * swing})
    ratio = scatter_only(alone["dc_power"], "dc_power").u / scatter_only(alone["dc_current"], "dc_current").u
    assert ratio == pytest.approx(400.0, rel=1e-9)  # P = 400 V · I


def test_a_mean_is_the_mean_of_the_samples(stand: Stand) -> None:
    """Not the formula of the means: U = 300 V, 500 V by turns and I = 10 A, 30 A with it: P = (3000 + 15000)/2."""
    first = np.arange(400) % 2 == 0
    got = means(
        stand, {**STILL, "dc_voltage": np.where(first, 300.0, 500.0), "dc_current": np.where(first, 10.0, 30.0)}
    )
    assert got["dc_power"].value == 9000.0
    assert got["dc_voltage"].value * got["dc_current"].value == 8000.0


def test_not_measured_has_no_mean(stand: Stand) -> None:
    current = np.full(400, 50.0)
    current[:100] = math.nan  # a quarter: above the share that is let pass
    got = means(stand, {**STILL, "dc_current": current})
    for name in ("dc_current", "dc_power", "drive_efficiency", "spare"):
        assert math.isnan(got[name].value), name
        assert math.isnan(got[name].u), name
    assert got["shaft_power"].is_measured


def test_an_input_that_the_stream_has_not_leaves_the_uncertainty_open(stand: Stand) -> None:
    whole = stream(stand, dict(STILL))
    keep = [k for k, name in enumerate(whole.channels) if name != "dc_current"]
    less = Stream(
        "rack", tuple(whole.channels[k] for k in keep), tuple(whole.units[k] for k in keep),
        whole.time_s, whole.arrival_s, whole.device_time_s, whole.counter, whole.values[:, keep],
    )  # fmt: skip
    got = channel_means(stand, less, 0, len(less))
    assert got["dc_power"].value == 20000.0
    assert math.isnan(got["dc_power"].u)


def test_gaps_of_a_formula_are_told_once_and_quietly(stand: Stand) -> None:
    current = np.full(400, 50.0)
    current[:8] = math.nan  # 2 %: named at the current, not at all that needs it
    current[100:200] = 0.0  # a quarter: no efficiency without power, as the formula says
    made = stream(stand, {**STILL, "dc_current": current})
    assert [(f.severity, f.code, f.channel, f.row_start, f.row_stop) for f in check_missing(stand, made)] == [
        ("caution", "not_measured", "dc_current", 0, 8),
        ("note", "no_value", "square", 100, 200),  # 0 / 0
        ("note", "no_value", "drive_efficiency", 100, 200),
    ]


def test_only_measured_channels_freeze(stand: Stand) -> None:
    noise = np.random.default_rng(2).normal(0.0, 1.0, 4000)
    noise[2000:] = noise[2000]
    made = stream(stand, {**STILL, "dc_current": 50.0 + noise}, rows=4000)
    assert [f.channel for f in check_frozen(stand, made)] == ["dc_current"]


def test_a_derived_channel_needs_no_certificate(stand: Stand) -> None:
    names = [c.name for c in stand.channels.values() if c.derived] + ["q_current"]
    findings = check_calibrations(stand, dt.date(2026, 6, 1), names)
    assert [f.channel for f in findings] == ["q_current"]  # the one measured channel without certificate
