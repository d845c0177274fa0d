"""Least squares with signs: against closed forms, and its draws against scipy and against plain rejection."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import truncnorm

from benchkit.analysis.bounded import covariance_of, fit_bounded
from benchkit.analysis.fitting import fit_linear
from benchkit.errors import UsageError


def test_far_from_the_bounds_it_is_least_squares():
    rng = np.random.default_rng(1)
    X = rng.uniform(0.5, 2.0, (40, 3))
    u = rng.uniform(0.5, 1.5, 40)
    y = X @ [50.0, 80.0, 30.0] + u * rng.standard_normal(40)
    plain = fit_linear(X, y, u)
    found = fit_bounded(X, y, np.diag(u**2), [True] * 3)
    # the broad prior moves them by (u / (2 · largest y))², some millionths
    assert found.best == pytest.approx(plain.parameters, rel=1e-4)
    assert found.chi2 / found.dof == pytest.approx(plain.residual_sd**2, rel=1e-4)
    assert found.covariance == pytest.approx(plain.covariance, rel=0.15, abs=0.02)
    assert found.gain @ X == pytest.approx(np.eye(3), abs=1e-4)  # exact: H X = I
    assert not found.at_bound.any()


@pytest.mark.parametrize("centre", [-1.0, 0.3, 2.0])
def test_one_coefficient_has_the_truncated_normal_law(centre):
    # four readings of u = 2 about the centre: a normal law of u = 1, cut off at 0. The far reading of another
    # coefficient only makes the broad prior broad.
    X = np.vstack([np.column_stack([np.ones(4), np.zeros(4)]), [0.0, 1.0]])
    found = fit_bounded(X, [centre] * 4 + [500.0], np.diag([4.0] * 4 + [1.0]), [True, False], draws=8000)
    law = truncnorm(-centre, np.inf, loc=centre)
    draws = found.draws[:, 0]
    assert draws.min() >= 0.0
    assert draws.mean() == pytest.approx(law.mean(), abs=0.03)
    assert draws.std() == pytest.approx(law.std(), abs=0.03)
    assert np.quantile(draws, [0.025, 0.5, 0.975]) == pytest.approx(law.ppf([0.025, 0.5, 0.975]), abs=0.08)
    assert found.at_bound.tolist() == [centre < 0.0, False]


def test_correlated_draws_are_those_of_rejection():
    rng = np.random.default_rng(0)
    A = rng.standard_normal((5, 3))
    A[:, 1] = A[:, 0] + 0.1 * A[:, 1]
    y = A @ [0.3, 0.1, 0.0] + 0.1 * rng.standard_normal(5)
    found = fit_bounded(A, y, 0.09 * np.eye(5), [True] * 3, prior_mean=[0.0] * 3, prior_u=[1e3] * 3, draws=4000)
    covariance = 0.09 * found.inflated * np.linalg.inv(A.T @ A)
    centre = np.linalg.lstsq(A, y, rcond=None)[0]
    kept = rng.multivariate_normal(centre, covariance, 400_000)
    kept = kept[np.all(kept > 0.0, axis=1)]
    assert kept.shape[0] > 1500
    assert found.draws.min() > -1e-9
    assert found.mean == pytest.approx(kept.mean(axis=0), abs=0.012)
    assert found.draws.std(axis=0) == pytest.approx(kept.std(axis=0), abs=0.012)
    assert np.corrcoef(found.draws.T) == pytest.approx(np.corrcoef(kept.T), abs=0.08)


def test_columns_that_look_alike_share_their_sum():
    x = np.linspace(1.0, 10.0, 12)
    found = fit_bounded(np.column_stack([x, x]), 4.0 * x, 0.01 * np.eye(12), [True, True])
    total = found.draws.sum(axis=1)
    assert total.mean() == pytest.approx(4.0, abs=0.01)
    assert total.std() < 0.02
    assert found.draws.std(axis=0).min() > 0.8  # each alone: anything from 0 to 4
    assert found.draws.min() >= 0.0
    assert found.draws.max() < 4.1


def test_a_common_error_does_not_average_out():
    n = 400
    V = covariance_of(np.ones(n), [np.full(n, 2.0)])
    found = fit_bounded(np.ones((n, 1)), np.full(n, 100.0), V, [True])
    # exact: u² = 1/n + 2²
    assert np.sqrt(found.covariance[0, 0]) == pytest.approx(np.sqrt(1.0 / n + 4.0), rel=0.05)


def test_scatter_beyond_what_is_stated_widens():
    rng = np.random.default_rng(3)
    found = fit_bounded(np.ones((200, 1)), 100.0 + 3.0 * rng.standard_normal(200), np.eye(200), [True])
    assert found.inflated == pytest.approx(9.0, rel=0.25)
    assert found.p_value < 1e-9


def test_same_data_same_numbers():
    X, y = np.column_stack([np.ones(6), np.arange(6.0)]), np.arange(6.0)
    first, again = (fit_bounded(X, y, np.eye(6), [True, True], draws=100).draws for _ in range(2))
    assert np.array_equal(first, again)


def test_what_is_refused():
    with pytest.raises(UsageError, match="shapes do not fit"):
        fit_bounded(np.ones((3, 1)), np.ones(2), np.eye(3), [True])
    with pytest.raises(UsageError, match="NaN"):
        fit_bounded(np.ones((3, 1)), [1.0, np.nan, 1.0], np.eye(3), [True])
    with pytest.raises(UsageError, match="not positive definite"):
        fit_bounded(np.ones((3, 1)), np.ones(3), np.zeros((3, 3)), [True])
