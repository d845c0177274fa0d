"""NIST StRD, nonlinear regression, dataset Misra1a (D. Misra, NIST 1978): certified values and both starts."""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.analysis.fitting import fit_nonlinear

Y = np.array([10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78])
X = np.array([77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0])


@pytest.mark.parametrize("start", [(500.0, 0.0001), (250.0, 0.0005)], ids=["start 1", "start 2"])
def test_certified_values(start, published):
    fit = fit_nonlinear(lambda b: b[0] * (1.0 - np.exp(-b[1] * X)), start, Y)
    published("b1", fit.parameters[0], "2.3894212918E+02")
    published("b2", fit.parameters[1], "5.5015643181E-04")
    published("sd of b1", fit.u[0], "2.7070075241E+00")
    published("sd of b2", fit.u[1], "7.2668688436E-06")
    published("residual standard deviation", fit.residual_sd, "1.0187876330E-01")
    assert fit.dof == 12
