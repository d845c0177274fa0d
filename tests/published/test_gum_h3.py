"""JCGM 100:2008 (GUM), example H.3: calibration of a thermometer, straight line with correlated parameters."""

from __future__ import annotations

import numpy as np

from benchkit.analysis.fitting import fit_linear
from benchkit.analysis.uncertainty import propagate
from benchkit.model.results import Estimate

T = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
B = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def test_line_and_predicted_correction(published):
    t = np.array(T) - 20.0
    fit = fit_linear(np.column_stack([np.ones_like(t), t]), B)
    published("y1, °C", fit.parameters[0], "-0.1712")
    published("u(y1), °C", fit.u[0], "0.0029")
    published("y2", fit.parameters[1], "0.00218")
    published("u(y2)", fit.u[1], "0.00067")
    r = float(fit.covariance[0, 1] / (fit.u[0] * fit.u[1]))
    published("r(y1, y2)", r, "-0.930")
    published("s, °C", fit.residual_sd, "0.0035")
    inputs = [Estimate(float(p), float(u), "1", fit.dof) for p, u in zip(fit.parameters, fit.u, strict=True)]
    at_30 = propagate(lambda a, b: a + b * 10.0, inputs, [[1.0, r], [r, 1.0]], unit="°C")
    published("b(30 °C), °C", at_30.value, "-0.1494")
    published("u(b(30 °C)), °C", at_30.u, "0.0041")
