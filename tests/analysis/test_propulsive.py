"""Thrust per electrical watt from points whose thrust and power are known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.analysis.power import power_balance
from benchkit.analysis.propeller import static_thrust
from benchkit.analysis.propulsive import overall_merit, propulsive_curves, thrust_per_watt
from benchkit.analysis.uncertainty import combine
from benchkit.model.results import Estimate, OperatingPoint
from benchkit.model.stand import Role

DENSITY = 1.199


def truth(n):
    """Thrust of CT 0.125 at 1.30 m, power of CP 0.055 and a loss that grows with speed."""
    turns = n / 60.0
    thrust = 0.125 * DENSITY * turns**2 * 1.30**4
    torque = 0.055 / (2 * math.pi) * DENSITY * turns**2 * 1.30**5
    return thrust, torque, 2 * math.pi * turns * torque + 120.0 + 0.1 * n + 0.02 * torque**2


def rows(stand, speeds, rng=None):
    balances, static = [], []
    for k, n in enumerate(speeds):
        thrust, torque, power = truth(n)
        values = {
            "shaft_speed": n, "shaft_torque": torque, "thrust": thrust, "dc_voltage": 400.0,
            "dc_current": power / 400.0,
            "air_temp": 20.0, "air_pressure": 101325.0, "air_humidity": 0.5,
        }  # fmt: skip
        means = {}
        for name, value in values.items():
            channel = stand.channels[name]
            u_a = 1e-4 * value
            seen = value + (0.0 if rng is None else u_a * rng.standard_normal())
            u_b = channel.calibration.accuracy.standard_uncertainty(seen)
            means[name] = combine(seen, u_a, 99.0, u_b, unit=channel.unit, name=name)
        point = OperatingPoint(k, "rack", 0, 10, 0.0, 9.0, means)
        balances.append(power_balance(stand, point))
        found = static_thrust(stand, point)
        assert found is not None
        static.append(found)
    return balances, static


def test_by_hand():
    # 7.84039 N, 88.5698 W (a 10 x 4.7 propeller, UIUC): 0.0885222 N/W; relative u: 0.01 and 0.02 in squares
    found = thrust_per_watt(Estimate(7.84039, 0.0784039, "N"), Estimate(88.5698, 1.771396, "W"))
    assert found.value == pytest.approx(0.0885222, abs=1e-7)
    assert found.u / found.value == pytest.approx(math.hypot(0.01, 0.02), rel=1e-3)
    assert found.unit == "N/W"
    # figure of merit 0.703492 with the shaft power in place of the electrical
    merit = overall_merit(
        Estimate(7.84039, 0.0, "N"),
        Estimate(88.5698, 0.0, "W"),
        Estimate(1.225, 0.0, "kg/m³"),
        Estimate(0.254, 0.0, "m"),
    )
    assert merit.value == pytest.approx(0.703492, abs=1e-5)


def test_curve_between_the_points(stand):
    speeds = np.linspace(1000.0, 3200.0, 9)
    (curve,) = propulsive_curves(stand, *rows(stand, speeds, np.random.default_rng(0)))
    n, found, u = (
        np.array(v) for v in (curve.speed_rpm, curve.thrust_per_electrical_watt, curve.u_thrust_per_electrical_watt)
    )
    thrust, _, power = truth(n)
    assert (n[0], n[-1]) == pytest.approx((1000.0, 3200.0), rel=1e-3)
    assert np.all(np.abs(found - thrust / power) < 2.5 * u)
    np.testing.assert_allclose(found, thrust / power, rtol=0.005)
    stated = np.array([e.u for e in curve.point_thrust_per_electrical_watt])
    at_points = np.interp(curve.point_speed_rpm, n, u)
    # what all points share does not average out: the curve is hardly surer than its points
    assert np.all(at_points > 0.6 * stated)
    assert np.all(at_points < 1.5 * stated)


def test_few_speeds_give_points_without_a_curve(stand):
    (curve,) = propulsive_curves(stand, *rows(stand, [1000.0, 2000.0, 3000.0]))
    assert curve.speed_rpm == ()
    assert len(curve.point_overall_merit) == 3


def test_no_thrust_no_curve(stand):
    balances, _ = rows(stand, [1000.0])
    assert propulsive_curves(stand, balances, ()) == ()


def test_many_points_over_speed_alone(stand):
    from benchkit.analysis.map_points import LEAST_FOR_CONDITIONS, map_points

    roles = (Role.DC_VOLTAGE, Role.DC_CURRENT, Role.SPEED, Role.THRUST)
    names = {role: stand.channel_for(role).name for role in roles}
    points = [
        OperatingPoint(
            k, "rack", 0, 1, 0.0, 1.0, {name: Estimate(1000.0 + 50.0 * k, 0.1, "1") for name in names.values()}
        )
        for k in range(LEAST_FOR_CONDITIONS + 5)
    ]
    found = map_points(stand, points, roles)
    assert found.means[Role.SPEED].size == len(points)
    assert found.conditions == {}
