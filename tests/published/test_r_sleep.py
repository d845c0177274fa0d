"""R, data set ``sleep`` (Cushny and Peebles; Student, Biometrika 6 (1908) 1), as printed by ``t.test`` in R."""

from __future__ import annotations

import numpy as np

from benchkit.analysis.compare.statistics import paired, two_samples

FIRST = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
SECOND = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])


def test_paired(published):
    found = paired(SECOND, FIRST)  # R takes the first group less the second
    published("t", found.t, "-4.0621")
    published("degrees of freedom", found.dof, "9")
    published("p-value", found.p_value, "0.002833")
    published("lower bound", found.low, "-2.4599")
    published("upper bound", found.high, "-0.7001")


def test_welch(published):
    found = two_samples(SECOND, FIRST)
    published("t", found.t, "-1.8608")
    published("degrees of freedom", found.dof, "17.776")
    published("p-value", found.p_value, "0.07939")
