"""Correction of a static thrust test to standard air at constant CT and CP.

Derived from the definitions in J. B. Brandt and M. S. Selig, AIAA 2011-1255.
"""

from __future__ import annotations

from benchkit.analysis.air import moist_air_density
from benchkit.analysis.propeller import standard_day_same_power, standard_day_same_speed


def test_hot_and_humid_day(published):
    rho = moist_air_density(30.0, 100e3, 0.8)
    published("density kg/m³", rho, "1.13478")
    speed = standard_day_same_speed(7.500, 85.00, rho)
    published("thrust N at the same speed", speed.thrust_n, "8.0963")
    published("power W at the same speed", speed.power_w, "91.758")
    power = standard_day_same_power(7.500, 85.00, rho)
    published("thrust N at the same power", power.thrust_n, "7.6937")
    published("speed ratio at the same power", power.speed_ratio, "0.97482")
    assert float(power.power_w) == 85.0
