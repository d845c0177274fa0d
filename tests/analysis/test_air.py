"""Moist air: ends of the range, impossible states, uncertainty, speed of sound against the library CoolProp."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.analysis import air
from benchkit.model.results import Estimate


def test_broadcasts():
    rho = air.moist_air_density(np.array([[15.0], [20.0]]), 101325.0, np.array([0.0, 0.5, 1.0]))
    assert rho.shape == (2, 3)
    assert np.all(np.diff(rho, axis=1) < 0)  # moist air is lighter


@pytest.mark.parametrize(
    ("t", "p", "rh"),
    [
        (-300.0, 1e5, 0.5),
        (20.0, 0.0, 0.5),
        (20.0, -1.0, 0.0),
        (20.0, 1e5, 1.2),
        (20.0, 1e5, -0.2),
        (math.nan, 1e5, 0.5),
    ],
)
def test_impossible_is_nan_and_not_in_range(t, p, rh):
    assert math.isnan(float(air.moist_air_density(t, p, rh)))
    assert not bool(air.in_range(t, p, rh))


def test_sensor_near_saturation_still_has_an_uncertainty():
    rho = air.air_density(Estimate(20.0, 0.2, "°C"), Estimate(101325.0, 30.0, "Pa"), Estimate(1.0, 0.02, "1"))
    assert rho.value == pytest.approx(1.19409, abs=5e-6)
    assert 0.0009 < rho.u < 0.0012


def test_more_carbon_dioxide_is_heavier():
    # exact: M_a grows by 12.011e-6 kg/mol per 1000 ppm of 28.96546e-3
    ratio = float(air.moist_air_density(20.0, 101325.0, 0.0, 1400e-6) / air.moist_air_density(20.0, 101325.0))
    assert ratio == pytest.approx(1.0 + 12.011e-6 / 28.96546e-3, rel=1e-9)


def test_isa_outside_is_nan():
    state = air.isa([-6000.0, 30000.0, math.nan])
    assert np.all(np.isnan(state.density_kgm3))
    assert np.all(np.isnan(state.temp_c))


@pytest.mark.parametrize("t", [-20.0, 0.0, 20.0, 40.0])
def test_speed_of_sound_of_dry_air(t):
    """CoolProp's real air; the ideal gas is within 0.1 %."""
    from CoolProp.CoolProp import PropsSI  # a second or two to load

    assert float(air.speed_of_sound(t)) == pytest.approx(PropsSI("A", "T", t + 273.15, "P", 101325.0, "Air"), rel=1e-3)


def test_speed_of_sound_of_moist_air():
    # common practice, no source: saturated air at 20 °C carries sound about 0.35 % faster than dry
    ratio = float(air.speed_of_sound(20.0, 101325.0, 1.0) / air.speed_of_sound(20.0))
    assert 1.0025 < ratio < 1.0045


@pytest.mark.parametrize("t", [-20.0, 20.0, 60.0])
def test_viscosity_near_coolprop(t):
    from CoolProp.CoolProp import PropsSI  # a second or two to load

    assert float(air.viscosity(t)) == pytest.approx(PropsSI("V", "T", t + 273.15, "P", 101325.0, "Air"), rel=0.01)
    assert math.isnan(float(air.viscosity(-250.0)))
