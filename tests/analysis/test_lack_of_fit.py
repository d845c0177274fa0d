"""Lack of fit and hysteresis: found where they were put, not found where they were not."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from benchkit.analysis.fitting import fit_linear
from benchkit.analysis.lack_of_fit import approach, hysteresis, lack_of_fit

N, T = (x.ravel() for x in np.meshgrid(np.linspace(800, 3600, 6), np.linspace(15, 140, 6)))
X = np.stack([np.ones(36), N / 3600, (T / 140) ** 2], axis=1)
U = np.full(36, 5.0)


def test_against_stated_scatter_the_p_value_is_uniform_where_the_model_is_right():
    rng = np.random.default_rng(0)
    p = []
    for _ in range(200):
        fit = fit_linear(X, 100.0 + 5.0 * rng.standard_normal(36), U)
        found = lack_of_fit(N, T, fit.residuals, U, 3)
        assert (found.method, found.dof) == ("stated scatter", 33)
        p.append(found.p_value)
    assert stats.kstest(p, "uniform").pvalue > 0.01


def test_against_replicates_as_an_analysis_of_variance_does():
    """One-way layout: with one term the test is the classical F of the group means (scipy.stats.f_oneway)."""
    rng = np.random.default_rng(1)
    n, t = np.repeat(N[:6], 4), np.repeat(T[:6], 4)
    y = rng.standard_normal(24)
    groups = y.reshape(6, 4)
    found = lack_of_fit(n, t, y - y.mean(), None, 1)
    reference = stats.f_oneway(*groups)
    assert found.method == "replicates"
    assert (found.dof, found.dof_error) == (5, 18)
    assert found.statistic == pytest.approx(reference.statistic, rel=1e-9)
    assert found.p_value == pytest.approx(reference.pvalue, rel=1e-9)


def test_a_missing_term_is_seen():
    rng = np.random.default_rng(2)
    y = 100.0 + 80.0 * (N / 3600) ** 2 * (T / 140) + 5.0 * rng.standard_normal(36)
    assert lack_of_fit(N, T, fit_linear(X, y, U).residuals, U, 3).p_value < 1e-3


def test_without_scatter_and_replicates_nothing_is_tested():
    found = lack_of_fit(N, T, np.ones(36), None, 3, beyond_w=[3.0, 4.0])
    assert found.method == "not tested"
    assert math.isnan(found.p_value)
    assert found.beyond_model_w == pytest.approx(math.sqrt(12.5))


def test_side_of_approach():
    assert approach([10, 50, 50, 50, 20, 20.5]).tolist() == [0, 1, 1, 1, -1, -1]


def there_and_back():
    n = np.tile(N, 2)
    t = np.concatenate([T, T[::-1]])
    n[36:] = N[::-1]
    return n, t


def test_hysteresis_by_pairs():
    rng = np.random.default_rng(3)
    n, t = there_and_back()
    design = np.stack([np.ones(72), n / 3600, (t / 140) ** 2], axis=1)
    loss = design @ [100.0, 200.0, 900.0] + 5.0 * rng.standard_normal(72)
    flat = hysteresis(n, t, loss, np.full(72, 5.0), design)
    assert flat.method == "pairs"
    assert flat.p_value > 0.05
    warm = hysteresis(n, t, loss + np.where(approach(t) < 0, 8.0, 0.0), np.full(72, 5.0), design)
    assert warm.p_value < 1e-3
    assert warm.difference_w is not None
    assert abs(warm.difference_w.value - 8.0) < 3.0 * warm.difference_w.u


def test_hysteresis_by_regression_where_no_set_point_was_reached_twice():
    rng = np.random.default_rng(4)
    order = rng.permutation(36)
    n, t, design = N[order], T[order], X[order]
    loss = design @ [100.0, 200.0, 900.0] + 5.0 * rng.standard_normal(36) + np.where(approach(t) < 0, 20.0, 0.0)
    found = hysteresis(n, t, loss, U, design)
    assert found.method == "regression"
    assert found.difference_w is not None
    assert abs(found.difference_w.value - 20.0) < 3.0 * found.difference_w.u
    assert found.p_value < 0.01


def test_one_way_only_is_not_tested():
    found = hysteresis(N, T, N, U, X)  # torque only rises
    assert found.method == "not tested"
    assert "35 points" not in found.reason
    assert "approached from lower torque" in found.reason
