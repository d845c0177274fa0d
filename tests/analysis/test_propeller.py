"""Static thrust of an operating point: uncertainty with everything in it, and when there is none."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from uncertainties import ufloat

from benchkit.analysis import propeller as p
from benchkit.analysis.air import moist_air_density
from benchkit.model.results import Estimate, OperatingPoint
from benchkit.model.stand import Role

VALUES = {
    "shaft_speed": (2800.0, 0.2, "rpm"),
    "shaft_torque": (118.0, 0.08, "N·m"),
    "thrust": (820.0, 1.0, "N"),
    "air_temp": (22.0, 0.2, "°C"),
    "air_pressure": (100200.0, 30.0, "Pa"),
    "air_humidity": (0.55, 0.02, "1"),
}


def point(**changes):
    means = {name: Estimate(*v) for name, v in (VALUES | changes).items() if v is not None}
    return OperatingPoint(0, "rack", 0, 10, 0.0, 10.0, means)


def test_same_as_the_library_uncertainties(stand):
    from uncertainties import wrap

    found = p.static_thrust(stand, point())
    n, Q, T, t, pa, rh = (ufloat(v[0], v[1]) for v in VALUES.values())
    rho = wrap(lambda a, b, c: float(moist_air_density(a, b, c)))(t, pa, rh)
    D = ufloat(stand.propeller.diameter_m, stand.propeller.u_diameter_m)
    ct = T / (rho * (n / 60) ** 2 * D**4)
    cp = 2 * math.pi * Q / (rho * (n / 60) ** 2 * D**5)
    fm = math.sqrt(2 / math.pi) * ct**1.5 / cp
    # ours has the 22 ppm of the density formula as well: it shows in the sixth digit only
    for ours, theirs in ((found.ct, ct), (found.cp, cp), (found.figure_of_merit, fm), (found.density_kgm3, rho)):
        assert ours.value == pytest.approx(theirs.nominal_value, rel=1e-12)
        assert ours.u == pytest.approx(theirs.std_dev, rel=1e-3)
    assert found.thrust_per_watt == pytest.approx(820.0 / (2 * math.pi * 2800 / 60 * 118.0))
    assert {line.name for line in found.ct.budget} >= {"thrust", "diameter", "speed", "air temperature"}


def test_figure_of_merit_from_forces_alone(stand):
    # exact: FM = T v_i / P with v_i of momentum theory
    found = p.static_thrust(stand, point())
    power = 2 * math.pi * 2800 / 60 * 118.0
    assert found.figure_of_merit.value == pytest.approx(820.0 * found.induced_velocity_mps / power, rel=1e-12)


@pytest.mark.parametrize(
    "changes",
    [
        {"thrust": (0.4, 0.3, "N")},  # a motor without propeller
        {"thrust": (-50.0, 0.3, "N")},
        {"thrust": (math.nan, math.nan, "N")},
        {"shaft_speed": (0.0, 0.2, "rpm")},
        {"shaft_torque": (-5.0, 0.1, "N·m")},
        {"air_pressure": None},
    ],
)
def test_no_static_thrust(stand, changes):
    assert p.static_thrust(stand, point(**changes)) is None


def test_stand_without_propeller(stand):
    assert p.static_thrust(dataclasses.replace(stand, propeller=None), point()) is None


def test_unmeasured_humidity_is_shown_in_the_budget(stand):
    roles = {r: c for r, c in stand.roles.items() if r is not Role.AIR_HUMIDITY}
    found = p.static_thrust(dataclasses.replace(stand, roles=roles), point())
    with_sensor = p.static_thrust(stand, point())
    assert found.density_kgm3.budget[0].name == "relative humidity"
    assert found.ct.u > with_sensor.ct.u
    assert abs(found.ct.value - with_sensor.ct.value) < 2 * found.ct.u


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan])
def test_bad_inputs_are_nan(bad):
    assert math.isnan(float(p.ct(10.0, bad, 0.3, 1.2)))
    assert math.isnan(float(p.cq(10.0, 3000.0, bad, 1.2)))
    assert math.isnan(float(p.cp(10.0, 3000.0, 0.3, bad)))
    assert math.isnan(float(p.figure_of_merit(0.1, bad)))
    assert math.isnan(float(p.momentum_bound_efficiency(0.1, bad)))
    assert math.isnan(float(p.disc_loading(10.0, bad)))
    assert math.isnan(float(p.tip_mach(bad, 0.3, 340.0)))


def test_negative_thrust_has_a_coefficient_and_no_merit():
    assert float(p.ct(-10.0, 3000.0, 0.3, 1.2)) < 0
    assert math.isnan(float(p.figure_of_merit(-0.1, 0.05)))
    assert math.isnan(float(p.induced_velocity(-1.0, 0.3, 1.2)))


def test_standard_day_keeps_the_coefficients():
    rho, n, D = 1.13478, 3000.0, 0.5
    speed = p.standard_day_same_speed(7.5, 85.0, rho)
    power = p.standard_day_same_power(7.5, 85.0, rho)
    for day in (speed, power):
        rpm = n * float(day.speed_ratio)
        assert float(p.ct(day.thrust_n, rpm, D, 1.225)) == pytest.approx(float(p.ct(7.5, n, D, rho)), rel=1e-12)
        assert float(p.cp(day.power_w, rpm, D, 1.225)) == pytest.approx(float(p.cp(85.0, n, D, rho)), rel=1e-12)
    assert p.standard_day_same_power(np.array([7.5, 8.0]), 85.0, rho).power_w.shape == (2,)
