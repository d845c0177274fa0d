"""NIST/SEMATECH e-Handbook of Statistical Methods, 4.6.1 (load cell calibration): lack of fit with replicates.

Deflections over load (Pontius, 20 loads, each twice) and the two statistics from memory, confirmed by each other. The
first statistic is printed as 214.7464 and comes out as 214.7469: six digits of the original computation are taken.
"""

from __future__ import annotations

import numpy as np

from benchkit.analysis.fitting import fit_linear
from benchkit.analysis.square_law import fit_test

LOAD = 150_000.0 * np.tile(np.arange(1, 21), 2)
DEFLECTION = np.array([
    0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146, 1.20001, 1.30822,
    1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
    0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.98300, 1.09150, 1.20004, 1.30818,
    1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829,
])  # fmt: skip


def test_straight_line_and_parabola(published):
    for degree, statistic in ((1, "214.747"), (2, "0.8107")):
        design = np.stack([LOAD**k for k in range(degree + 1)], axis=1)
        fit = fit_linear(design, DEFLECTION)
        found = fit_test(DEFLECTION, design @ fit.parameters, degree + 1, groups=LOAD.tolist())
        published(f"F of degree {degree}", found.statistic, statistic)
        assert found.dof == (20 - degree - 1, 20)
        assert found.is_significant() is (degree == 1)
