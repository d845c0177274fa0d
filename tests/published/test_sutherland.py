"""Sutherland's law with the constants of the U.S. Standard Atmosphere 1976 and ICAO Doc 7488/3 (derived values)."""

from __future__ import annotations

import pytest

from benchkit.analysis.air import viscosity


@pytest.mark.parametrize(("kelvin", "printed"), [(288.15, "1.78938e-5"), (293.15, "1.81341e-5"), (300.0, "1.84600e-5")])
def test_viscosity(kelvin, printed, published):
    published(f"viscosity Pa·s at {kelvin} K", viscosity(kelvin - 273.15), printed)
