"""NASA/TM-2018-219758, C. Russell et al., hover tests of multicopter rotors, run 22 (rotor alone).

Second-hand transcription (project meierkilian/WEMUAV), rotor diameter 0.2388 m second-hand as well, rho 1.221;
powers, efficiency and coefficients derived from the printed thrust, torque, voltage and current.
"""

from __future__ import annotations

import math

import pytest

from benchkit.analysis.power import efficiency, shaft_power
from benchkit.analysis.propeller import cp, ct, figure_of_merit

ROWS = [
    # rpm, T, Q, V, A, shaft W, electrical W, efficiency, CT, CP, FM
    (3000, 1.1387, 0.0197, 16.729, 0.614, "6.189", "10.272", "0.6025", "0.11471", "0.05222", "0.5937"),
    (5000, 3.3228, 0.0531, 16.707, 2.284, "27.803", "38.159", "0.7286", None, None, "0.6587"),
]


@pytest.mark.parametrize("row", ROWS, ids=["3000 rpm", "5000 rpm"])
def test_row(row, published):
    rpm, T, Q, V, A, shaft, electrical, eta, ct_printed, cp_printed, merit = row
    P = shaft_power(rpm, Q)
    published("shaft power W", P, shaft)
    published("electrical power W", V * A, electrical)
    published("efficiency", efficiency(V * A, P), eta)
    CT, CP = ct(T, rpm, 0.2388, 1.221), cp(P, rpm, 0.2388, 1.221)
    if ct_printed:
        published("CT", CT, ct_printed)
        published("CP", CP, cp_printed)
    published("figure of merit", figure_of_merit(CT, CP), merit)
    assert float(P) == pytest.approx(2 * math.pi * rpm / 60 * Q, rel=1e-14)
