"""Duty averages: by hand on an exact map, against Monte Carlo, and refusing what was not measured."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.analysis.duty import duty_average, duty_averages
from benchkit.analysis.efficiency_map import fit_map
from benchkit.analysis.map_points import MapPoints, map_points
from benchkit.analysis.power import INPUT_ROLES
from benchkit.cli.duty_file import read_duty
from benchkit.errors import UsageError
from benchkit.model.results_maps import Duty
from benchkit.model.stand import Role
from tests.analysis.map_truths import OMEGA, measure, stand_pool
from tests.analysis.test_losses_and_map import inverter_loss, motor_loss, points

LOADS = np.array([1000.0, 2000.0, 3000.0]), np.array([40.0, 80.0, 120.0]), np.array([60.0, 30.0, 10.0])


def both_ways() -> MapPoints:
    """Exact points of a law that is the same in both directions of power."""
    n, t = (x.ravel() for x in np.meshgrid(np.linspace(800, 3600, 6), np.linspace(-140, 140, 8)))
    ac = OMEGA * n * t + motor_loss(n, np.abs(t))
    means = {
        Role.DC_VOLTAGE: np.full(n.shape, 400.0),
        Role.DC_CURRENT: (ac + inverter_loss(n, np.abs(t))) / 400.0,
        Role.AC_POWER: ac,
        Role.SPEED: n,
        Role.TORQUE: t,
    }
    u = np.full(n.shape, 1.0)
    return MapPoints(means, {"drive": u, "inverter": u, "motor": u}, {})


def test_by_hand(stand):
    balances = points(stand, np.random.default_rng(0))
    fit = fit_map(map_points(stand, [b.point for b in balances], INPUT_ROLES), "drive")
    found = duty_average(fit, *LOADS)
    n, t, seconds = LOADS
    loss = float(np.sum(seconds * (motor_loss(n, t) + inverter_loss(n, t))))
    out = float(np.sum(seconds * OMEGA * n * t))
    assert found.energy_loss_j.value == pytest.approx(loss, rel=1e-6)
    assert found.energy_out_j.value == pytest.approx(out, rel=1e-9)
    assert found.weighted_efficiency.value == pytest.approx(out / (out + loss), rel=1e-7)
    assert found.covered == 1.0
    # the shaft energy is given by the loads: loss and input share their uncertainty, the output has none
    assert found.energy_in_j.u == pytest.approx(found.energy_loss_j.u, rel=1e-9)
    assert found.energy_out_j.u == 0.0
    expected = found.energy_loss_j.u * out / (out + loss) ** 2
    assert found.weighted_efficiency.u == pytest.approx(expected, rel=1e-6)


def test_generating_counts_the_shaft_as_input():
    fit = fit_map(both_ways(), "drive")
    n, t, seconds = np.array([2000.0, 2000.0]), np.array([80.0, -80.0]), np.array([10.0, 10.0])
    found = duty_average(fit, n, t, seconds)
    shaft = OMEGA * 2000.0 * 80.0
    loss = float(motor_loss(2000.0, 80.0) + inverter_loss(2000.0, 80.0))
    assert found.energy_in_j.value == pytest.approx(10.0 * (shaft + loss) + 10.0 * shaft, rel=1e-6)
    assert found.energy_out_j.value == pytest.approx(10.0 * shaft + 10.0 * (shaft - loss), rel=1e-6)
    assert found.energy_loss_j.value == pytest.approx(20.0 * loss, rel=1e-6)


@pytest.mark.parametrize("subject", ["drive", "inverter", "motor"])
def test_in_less_out_is_the_loss_in_any_flow(subject):
    fit = fit_map(both_ways(), subject)
    found = duty_average(fit, [1000.0, 2000.0, 3000.0], [100.0, -90.0, 1.0], [5.0, 6.0, 7.0])
    difference = found.energy_in_j.value - found.energy_out_j.value
    assert found.energy_loss_j.value == pytest.approx(difference, rel=1e-9)
    assert found.energy_loss_j.value == pytest.approx(sum(p.loss_w.value * p.time_s for p in found.points), rel=1e-9)


def test_interval_holds_the_truth_of_the_simulated_stand():
    pool = stand_pool()
    z = []
    for seed in range(25):
        run = measure(pool, seed)
        fit = fit_map(run.points, "drive")
        held = run.held_out
        weight = np.random.default_rng(seed).uniform(0, 10, held.size)
        found = duty_average(fit, pool.speed[held], pool.torque[held], weight)
        kept = np.array([p.loss_w is not None for p in found.points])
        true = float(np.sum((weight * pool.drive_loss[held])[kept]))
        z.append((found.energy_loss_j.value - true) / found.energy_loss_j.u)
    assert np.mean(np.abs(z) < 1.96) >= 0.8
    assert 0.5 < np.std(z) < 1.5


def test_loads_outside_are_named_and_left_out(stand):
    balances = points(stand, np.random.default_rng(0))
    duty = Duty((1000.0, 4500.0), (40.0, 50.0), (60.0, 20.0))
    results, findings = duty_averages(stand, balances, duty)
    assert [r.subject for r in results] == ["drive", "inverter", "motor"]
    assert results[0].covered == 0.75
    assert results[0].points[1].loss_w is None
    assert [f.code for f in findings] == ["duty_outside"]
    assert "4500 rpm 50 N·m" in findings[0].message
    assert math.isfinite(results[0].weighted_efficiency.value)


def test_nothing_inside_is_refused(stand):
    balances = points(stand, np.random.default_rng(0))
    results, findings = duty_averages(stand, balances, Duty((4500.0,), (50.0,), (20.0,)))
    assert results == ()
    assert "no load of the duty lies inside" in findings[0].message
    assert duty_averages(stand, balances, None) == ((), ())


def test_bad_duties():
    fit = fit_map(both_ways(), "drive")
    with pytest.raises(UsageError, match="differ in number"):
        duty_average(fit, [1.0], [1.0, 2.0], [1.0])
    with pytest.raises(UsageError, match="not all 0"):
        duty_average(fit, [1000.0], [20.0], [0.0])


def test_a_duty_file(tmp_path):
    path = tmp_path / "duty.csv"
    path.write_text("speed_rpm,torque_nm,time_s\n1000,40,60\n2000,-80,30\n")
    assert read_duty(path) == Duty((1000.0, 2000.0), (40.0, -80.0), (60.0, 30.0))
    path.write_text("rpm,torque\n1,2\n")
    with pytest.raises(UsageError, match="names its columns"):
        read_duty(path)
    path.write_text("speed_rpm,torque_nm,time_s\n1000,40\n")
    with pytest.raises(UsageError, match="three numbers"):
        read_duty(path)
    path.write_text("speed_rpm,torque_nm,time_s\n1000,40,-1\n")
    with pytest.raises(UsageError, match="not negative"):
        read_duty(path)
    path.write_text("speed_rpm,torque_nm,time_s\n")
    with pytest.raises(UsageError, match="no load"):
        read_duty(path)
    with pytest.raises(UsageError, match="cannot be read"):
        read_duty(tmp_path / "none.csv")
