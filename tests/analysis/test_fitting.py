"""Weighted fits, covariance rules and refusals (certified values are in tests/published)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit

from benchkit.analysis.fitting import fit_linear, fit_nonlinear
from benchkit.errors import UsageError

X = np.linspace(0.0, 4.0, 40)


def test_weighted_line_is_that_of_scipy():
    rng = np.random.default_rng(0)
    u = 0.05 + 0.1 * X
    y = 1.0 + 2.0 * X + u * rng.standard_normal(X.size)
    ours = fit_linear(np.stack([np.ones(X.size), X], axis=1), y, u)
    theirs, covariance = curve_fit(lambda x, a, b: a + b * x, X, y, sigma=u, absolute_sigma=True)
    np.testing.assert_allclose(ours.parameters, theirs, rtol=1e-7)
    np.testing.assert_allclose(ours.covariance, covariance * max(1.0, ours.residual_sd**2), rtol=1e-5)


def test_covariance_grows_with_the_scatter_and_never_shrinks():
    rng = np.random.default_rng(1)
    y = 1.0 + 2.0 * X + 0.3 * rng.standard_normal(X.size)
    design = np.stack([np.ones(X.size), X], axis=1)
    unknown = fit_linear(design, y)
    too_small = fit_linear(design, y, np.full(X.size, 0.01))
    too_large = fit_linear(design, y, np.full(X.size, 3.0))
    np.testing.assert_allclose(too_small.u, unknown.u, rtol=1e-9)
    np.testing.assert_allclose(too_large.u, unknown.u / unknown.residual_sd * 3.0, rtol=1e-9)


def test_nonlinear_is_that_of_scipy():
    rng = np.random.default_rng(2)
    y = 3.0 * np.exp(-X / 1.3) + 0.01 * rng.standard_normal(X.size)
    ours = fit_nonlinear(lambda b: b[0] * np.exp(-X / b[1]), [1.0, 1.0], y)
    theirs, covariance = curve_fit(lambda x, a, tau: a * np.exp(-x / tau), X, y, p0=[1.0, 1.0])
    np.testing.assert_allclose(ours.parameters, theirs, rtol=1e-6)
    np.testing.assert_allclose(ours.u, np.sqrt(np.diag(covariance)), rtol=1e-4)


@pytest.mark.parametrize(
    ("design", "y", "u", "text"),
    [
        (np.ones((3, 1)), np.ones(4), None, "shapes do not fit"),
        (np.ones((1, 2)), np.ones(1), None, "fewer observations than parameters"),
        (np.ones((3, 1)), np.array([1.0, np.nan, 1.0]), None, "NaN or infinite"),
        (np.ones((3, 1)), np.ones(3), np.zeros(3), "must be positive"),
        (np.ones((3, 2)), np.ones(3), None, "not independent"),
    ],
)
def test_refusals(design, y, u, text):
    with pytest.raises(UsageError, match=text):
        fit_linear(design, y, u)


def test_parameters_that_do_not_matter():
    with pytest.raises(UsageError, match="do not determine every parameter"):
        fit_nonlinear(lambda b: b[0] + 0.0 * b[1] + X, [1.0, 1.0], X)
