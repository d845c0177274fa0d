"""Losses carried to another load: recovered terms, marked extrapolation, settled junctions, verdicts, refusals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchkit.analysis.loss_terms import INVERTER, MOTOR, SWITCHING, LossData, separate_losses
from benchkit.analysis.transfer import FAR, check_transfer, junction_resistance, outside_of, predict
from benchkit.analysis.transfer_data import joined, loss_data
from benchkit.errors import UsageError
from benchkit.simulate.drives import REED_INV_03
from benchkit.simulate.inverter import loss_terms
from tests.analysis.test_heat_balance import simulated

R_JC = 0.08  # K/W from coolant to junction


def true_loss(current, voltage, frequency, junction):
    """The simulated inverter's own equation, one point at a time."""
    found = []
    for i, u, f, t in zip(*np.broadcast_arrays(current, voltage, frequency, junction), strict=True):
        p_0, p_1 = loss_terms(replace(REED_INV_03, switching_frequency_hz=float(f)), float(i), float(t))
        found.append(p_0 + p_1 * float(u))
    return np.array(found)


def data(currents=(5.0, 15.0, 30.0, 45.0, 60.0), voltages=(340.0, 400.0), frequencies=(8e3, 16e3), *, u=0.5, seed=1):
    grids = np.meshgrid(currents, voltages, frequencies, [20.0, 55.0])
    i, v, f, coolant = (x.ravel() for x in grids)
    junction = coolant.copy()
    for _ in range(30):
        junction = coolant + R_JC * true_loss(i, v, f, junction)
    loss = true_loss(i, v, f, junction) + u * np.random.default_rng(seed).standard_normal(i.size)
    variables = {
        "current_a": i, "dc_voltage_v": v, "switching_frequency_hz": f, "junction_c": junction, "coolant_c": coolant
    }  # fmt: skip
    labels = tuple(f"P{k + 1}" for k in range(i.size))
    return LossData(variables, loss, np.full(i.size, u), {"power zero": {"loss_w": np.full(i.size, 2.0)}}, labels)


@pytest.fixture(scope="module")
def separated():
    return separate_losses(data())


def test_terms_are_recovered(separated):
    found = {term.name: c for term, c in zip(separated.terms, separated.coefficients, strict=True)}
    # exact: the equation of the simulated inverter at 100 A and 16 kHz, voltage in proportion (k = 1)
    v = separated.voltage_0_v / 400.0
    truth = {
        "standing": 25.0, "switching_0": 20.0 * v, "threshold": 40.0, "switching_1": 110.0 * v,
        "switching_2": 12.0 * v,
    }  # fmt: skip
    for name, value in truth.items():
        low, high = found[name].interval95
        assert low <= value <= high, name
    # r (1 + 0.004 (T - 25)): 120 W, of which 0.4 belongs to the part that rises 1 % per kelvin
    resistance = found["resistance"].value + found["resistance_warm"].value
    assert resistance == pytest.approx(120.0, abs=15.0)
    low, high = separated.resistance_per_k.interval95
    assert low <= 0.004 <= high
    low, high = separated.exponent.interval95
    assert low <= 1.0 <= high
    assert not separated.is_refused
    assert separated.fit.p_value > 0.01


def test_a_model_without_switching_is_refused():
    poor = separate_losses(data(), [name for name in INVERTER if name not in SWITCHING], draws=10)
    assert poor.is_refused
    # at one frequency and voltage nothing can tell: the sum is what is known, and it is not refused
    names = ["standing", "threshold", "resistance", "resistance_warm"]
    alike = separate_losses(data(voltages=(400.0,), frequencies=(16e3,)), names, draws=10)
    assert not alike.is_refused


def test_prediction_holds_the_truth_and_says_how_far_out(separated):
    loads = {
        "current_a": [40.0, 150.0], "dc_voltage_v": [390.0, 370.0], "switching_frequency_hz": [12e3, 16e3],
        "junction_c": [50.0, 110.0],
    }  # fmt: skip
    inside, outside = predict(separated, {k: np.array(v) for k, v in loads.items()}, ["inside", "big"])
    for p in (inside, outside):
        truth = true_loss(*([p.variables[k]] for k in loads))[0]
        low, high = p.loss_w.interval95
        assert abs(p.loss_w.value - truth) < 3.0 * p.loss_w.u  # how often the interval holds: the study of transfers
        assert 0.5 * (high - low) < 0.1 * truth  # not vacuous
    assert not inside.is_extrapolated
    assert outside.is_extrapolated
    # exact: (150 - 60) A over a span of 55 A
    current = next(o for o in outside.outside if o.variable == "current_a")
    assert current.by == pytest.approx(90.0 / 55.0)
    assert current.ratio == pytest.approx(2.5)
    assert outside.leverage > FAR
    assert {line.name for line in inside.loss_w.budget} >= {"power zero", "scatter of the points"}


def test_leverage_marks_what_no_variable_does():
    """Current and frequency rise together in the points: high current at low frequency is inside the box, yet far."""
    base = data()
    i, f = base.variables["current_a"], base.variables["switching_frequency_hz"]
    together = ((i < 20.0) & (f == 8e3)) | ((i > 40.0) & (f == 16e3)) | (i == 30.0)
    few = LossData({k: v[together] for k, v in base.variables.items()}, base.loss_w[together], base.u_w[together])
    load = {"current_a": [60.0], "dc_voltage_v": [400.0], "switching_frequency_hz": [8e3], "junction_c": [40.0]}
    (found,) = predict(separate_losses(few, draws=500), {k: np.array(v) for k, v in load.items()})
    assert found.outside == ()
    assert found.leverage > FAR
    assert found.is_extrapolated


def test_the_junction_settles_with_its_loss(separated):
    R = junction_resistance(separated.data)
    assert R.value == pytest.approx(R_JC, rel=0.02)
    load = {"current_a": [120.0], "dc_voltage_v": [400.0], "switching_frequency_hz": [16e3], "coolant_c": [45.0]}
    (found,) = predict(separated, {k: np.array(v) for k, v in load.items()})
    junction = 45.0
    for _ in range(60):
        junction = 45.0 + R_JC * float(true_loss([120.0], [400.0], [16e3], [junction])[0])
    assert found.junction_c.value == pytest.approx(junction, abs=3.0)
    low, high = found.loss_w.interval95
    assert low <= (junction - 45.0) / R_JC <= high


def test_a_run_bears_it_out_or_not(separated):
    big = data(currents=(80.0, 110.0, 140.0), voltages=(390.0,), frequencies=(16e3,), u=2.0, seed=5)
    good = check_transfer(separated, big)
    assert good.agrees
    assert good.p_value > 0.05
    assert "bears the prediction out" in good.verdict
    assert len(good.points) == len(big)
    assert all(point.prediction.is_extrapolated for point in good.points)
    # the firmware switched at 20 kHz and nobody said so
    v = big.variables
    wrong = replace(big, loss_w=true_loss(v["current_a"], v["dc_voltage_v"], 20e3, v["junction_c"]))
    bad = check_transfer(separated, wrong)
    assert not bad.agrees
    assert "does not bear" in bad.verdict
    assert "switching frequency" in bad.verdict
    assert bad.mean_difference_w.value > 0.0


def test_motor_losses_by_the_same_way():
    n, i = (x.ravel() for x in np.meshgrid([500.0, 1000.0, 2000.0, 3500.0], [5.0, 25.0, 50.0, 90.0]))
    rng = np.random.default_rng(2)
    winding = 40.0 + 0.01 * i**2 * rng.uniform(0.5, 1.5, i.size)
    # exact: 300 W of copper at 100 A and 20 °C; 40 W per 1000 rpm, 12 W per (1000 rpm)², no windage, 20 W of stray loss
    loss = 300.0 * (i / 100.0) ** 2 * (234.5 + winding) / 254.5 + 40.0 * n / 1e3 + 12.0 * (n / 1e3) ** 2
    loss += 20.0 * (i / 100.0) ** 2 * n / 1e3 + 0.2 * rng.standard_normal(i.size)
    points = LossData({"current_a": i, "speed_rpm": n, "winding_c": winding}, loss, np.full(i.size, 0.2))
    found = separate_losses(points, MOTOR)
    by_name = {t.name: c for t, c in zip(found.terms, found.coefficients, strict=True)}
    for name, value in {"copper": 300.0, "speed": 40.0, "speed_2": 12.0, "stray": 20.0}.items():
        assert by_name[name].value == pytest.approx(value, abs=4.0 * by_name[name].u + 0.1)
    assert by_name["speed_3"].value < 0.2
    assert by_name["speed_3"].interval95[0] >= 0.0
    parts = found.parts_at(
        {"current_a": np.array([90.0]), "speed_rpm": np.array([2000.0]), "winding_c": np.array([80.0])}
    )
    assert sum(part[0].value for part in parts.values()) == pytest.approx(
        300.0 * 0.81 * 314.5 / 254.5 + 80.0 + 48.0 + 20.0 * 0.81 * 2.0, rel=5e-3
    )


def test_points_of_a_stand_become_data(stand):
    points = [replace(simulated(stand, 2400.0, torque)[0], index=k) for k, torque in enumerate((20.0, 60.0, 120.0))]
    truths = [simulated(stand, 2400.0, torque)[1] for torque in (20.0, 60.0, 120.0)]
    full = []
    for point, truth in zip(points, truths, strict=True):
        more = {
            "ac_power": truth.ac_power_w,
            "phase_u_current": truth.phase_current_a,
            "junction_temp": truth.junction_c,
        }
        from benchkit.analysis.uncertainty import combine

        extra = {k: combine(v, 1e-4 * v, 20.0, 1e-3 * v, unit="", name=k) for k, v in more.items()}
        full.append(replace(point, means={**point.means, **extra}))
    found = loss_data(stand, full)
    assert found.loss_w == pytest.approx([t.inverter_loss_w for t in truths], abs=0.1)
    assert found.variables["current_a"] == pytest.approx([t.phase_current_a for t in truths])
    assert set(found.variables["switching_frequency_hz"]) == {16_000.0}
    assert found.common["ac_power zero"]["loss_w"] == pytest.approx(-3.0)
    assert found.common["phase_u_current gain"]["current_a"] == pytest.approx(1e-3 * found.variables["current_a"])
    twice = joined([found, found])
    assert len(twice) == 6
    assert twice.common["ac_power zero"]["loss_w"].shape == (6,)
    with pytest.raises(UsageError, match="no point whose losses"):
        joined([loss_data(stand, [])])
    with pytest.raises(UsageError, match="are not separated"):
        loss_data(stand, full, "gearbox")


def test_what_is_refused(separated):
    with pytest.raises(UsageError, match=r"not a loss term.*Did you mean 'threshold'"):
        separate_losses(data(), ["standing", "treshold"])
    small = data(currents=(5.0,), voltages=(400.0,))
    with pytest.raises(UsageError, match="too few points"):
        separate_losses(small)
    with pytest.raises(UsageError, match=r"dc_voltage_v.*all that the loss depends on"):
        predict(separated, {"current_a": np.array([10.0])})
    base = data()
    with pytest.raises(UsageError, match=r"junction_c.*not measured"):
        junction_resistance(replace(base, variables={"current_a": base.variables["current_a"]}))
    hot = {"current_a": [900.0], "dc_voltage_v": [400.0], "switching_frequency_hz": [16e3], "coolant_c": [45.0]}
    with pytest.raises(UsageError, match="may run away"):
        predict(separated, {k: np.array(v) for k, v in hot.items()})
    assert outside_of(base, {"current_a": 60.3}) == ()  # within a hair of the edge
