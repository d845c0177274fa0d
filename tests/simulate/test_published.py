"""Parts of the simulation against values from outside.

Propeller: J. B. Brandt and M. S. Selig, AIAA 2011-1255, UIUC Propeller Data Site, file apcsf_10x4.7_static_kt0835
(10 x 4.7 in, 6528 rpm, CT 0.1299, CP 0.0531); R. W. Deters et al., AIAA 2014-2151, da4022_9x6.75_4b_static
(4938.333 rpm, 0.247589, 0.148435). Thrust and torque are derived from the printed CT and CP with air of 1.225 kg/m³.
Winding temperature from resistance: IEC 60034-1 method, K = 234.5 (80 to 100 ohm from 20 °C).
Coolant: CoolProp, MEG 50 % by mass at 65 °C: 1037.06 kg/m³, 3524.0 J/(kg K).
"""

from __future__ import annotations

from math import pi

import pytest

from benchkit.simulate import pmsm, propeller, thermal
from benchkit.simulate.drives import PropellerParameters

INCH_M = 0.0254


@pytest.mark.parametrize(
    ("inches", "rpm", "ct", "cp", "thrust_n", "torque_nm"),
    [
        (10.0, 6528.0, 0.1299, 0.0531, 7.84039, 0.129562),
        (11.0, 6473.0, 0.0903, 0.0323, 7.84582, 0.124796),
        (9.0, 4938.333, 0.247589, 0.148435, 5.61087, 0.122386),
    ],
)
def test_thrust_and_torque_of_measured_propellers(
    inches: float, rpm: float, ct: float, cp: float, thrust_n: float, torque_nm: float
) -> None:
    p = PropellerParameters("published", inches * INCH_M, ct, cp, inertia_kgm2=1.0)
    omega = rpm * 2.0 * pi / 60.0
    assert propeller.thrust(p, omega, 1.225) == pytest.approx(thrust_n, abs=5e-6)
    assert propeller.torque(p, omega, 1.225) == pytest.approx(torque_nm, abs=5e-7)


def test_copper_resistance_gives_the_winding_temperature() -> None:
    assert pmsm.copper_resistance(80.0, 83.625) == pytest.approx(100.0, abs=1e-9)


def test_heat_that_the_coolant_carries() -> None:
    # 8 L/min and 2.00 K carry 974.55 W. Half a digit of the printed 3524.0 J/(kg K) is 0.014 W here.
    assert pytest.approx(974.55, abs=0.015) == thermal.COOLANT_W_PER_K_LPM * 8.0 * 2.0
