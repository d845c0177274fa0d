"""Coolant heat balance with properties from the library CoolProp (glycol MEG 50 % by mass at 65 °C; derived)."""

from __future__ import annotations

from benchkit.analysis.thermal import coolant_heat_w


def test_glycol(published):
    from CoolProp.CoolProp import PropsSI  # a second or two to load

    rho = PropsSI("D", "T", 338.15, "P", 101325.0, "INCOMP::MEG[0.5]")
    c = PropsSI("C", "T", 338.15, "P", 101325.0, "INCOMP::MEG[0.5]")
    published("density kg/m³", rho, "1037.06")
    published("specific heat J/(kg K)", c, "3524.0")
    published("heat W", coolant_heat_w(8.0, 2.00, rho, c), "974.55", tolerance=0.02)


def test_water(published):
    from CoolProp.CoolProp import PropsSI  # a second or two to load

    published("density kg/m³", PropsSI("D", "T", 293.15, "P", 101325.0, "Water"), "998.21")
    published("specific heat J/(kg K)", PropsSI("C", "T", 293.15, "P", 101325.0, "Water"), "4184.1")
