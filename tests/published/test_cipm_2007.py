"""CIPM-2007, density of moist air.

A. Picard, R. S. Davis, M. Gläser, K. Fujii, "Revised formula for the density of moist air", Metrologia 45 (2008) 149,
doi 10.1088/0026-1394/45/2/004. The formula was seen at second hand; the values are derived from it and were
cross-checked with the humid air of the library CoolProp to 5e-5 (repeated below, independently).
"""

from __future__ import annotations

import pytest

from benchkit.analysis import air

ROWS = [
    (20.0, 101325.0, 0.0, "1.20456"),
    (20.0, 101325.0, 0.5, "1.19931"),
    (20.0, 101325.0, 1.0, "1.19409"),
    (15.0, 101325.0, 0.0, "1.22552"),
    (30.0, 100000.0, 0.8, "1.13478"),
]


@pytest.mark.parametrize(("t", "p", "rh", "density"), ROWS)
def test_density(t, p, rh, density, published):
    published(f"density kg/m³ at {t} °C, {p} Pa, RH {rh}", air.moist_air_density(t, p, rh), density)


def test_range(published):
    inside = [(15.0, 60e3), (27.0, 110e3), (20.0, 101325.0)]
    outside = [(14.9, 101325.0), (27.1, 101325.0), (20.0, 59.9e3), (20.0, 110.1e3)]
    assert all(bool(air.in_range(t, p)) for t, p in inside)
    assert not any(bool(air.in_range(t, p)) for t, p in outside)


@pytest.mark.parametrize("t", [15.0, 20.0, 27.0])
@pytest.mark.parametrize("p", [60e3, 90e3, 101325.0, 110e3])
@pytest.mark.parametrize("rh", [0.0, 0.3, 0.9])
def test_against_coolprop_humid_air(t, p, rh):
    """Independent library: CoolProp, ASHRAE RP-1485 humid air. 8e-5 because their CO2 and water differ a little."""
    from CoolProp.HumidAirProp import HAPropsSI

    # Vha is volume of humid air per kg of humid air
    theirs = 1.0 / HAPropsSI("Vha", "T", t + 273.15, "P", p, "R", rh)
    assert float(air.moist_air_density(t, p, rh)) == pytest.approx(theirs, rel=8e-5)
