"""Coolant heat balance with properties from the library CoolProp (glycol MEG 50 % by mass at 65 °C; derived).

Each property twice: as the library has it, and as the analysis has it, which does not load the library.
"""

from __future__ import annotations

from benchkit.analysis.coolant import coolant_density, coolant_specific_heat
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


def test_as_the_analysis_has_them(published):
    rho, c = float(coolant_density(65.0, 0.5)), float(coolant_specific_heat(65.0, 0.5))
    published("glycol density kg/m³", rho, "1037.06")
    published("glycol specific heat J/(kg K)", c, "3524.0")
    published("heat W", coolant_heat_w(8.0, 2.00, rho, c), "974.55", tolerance=0.02)
    published("water density kg/m³", float(coolant_density(20.0)), "998.21")
    published("water specific heat J/(kg K)", float(coolant_specific_heat(20.0)), "4184.1")
