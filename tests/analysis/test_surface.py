"""The smooth surface against an independent computation of the same formulas, and on laws whose answer is known."""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.analysis.fitting import fit_linear
from benchkit.analysis.surface import Member, Surface, fit_surface, matern, mean_at, moved, predict

RNG = np.random.default_rng(3)
PLACES = RNG.uniform(0, 1, (40, 2))
U = RNG.uniform(0.5, 1.5, 40)


def terms(p):
    return np.stack([np.ones(len(p)), p[:, 0], p[:, 1] ** 2], axis=1)


def straight(p):
    return 100.0 + 40.0 * p[:, 0] + 60.0 * p[:, 1] ** 2


def bent(p):
    return straight(p) + 12.0 * np.sin(5.0 * p[:, 0]) * p[:, 1]


NEW = np.random.default_rng(5).uniform(0.05, 0.95, (60, 2))


def test_matern_by_hand():
    # r = 1: (1 + √5 + 5/3) exp(-√5) = 4.902735 * 0.106878
    assert matern([[0.0]], [[2.0]], [2.0])[0, 0] == pytest.approx(0.523994, abs=1e-6)
    assert matern([[0.1, 0.7]], [[0.1, 0.7]], [0.3, 2.0])[0, 0] == 1.0


def test_one_member_is_conditioning_of_one_joint_normal():
    """Same mean and variance as from the joint normal of points and places with a wide prior on the coefficients."""
    y = bent(PLACES) + U * RNG.standard_normal(40)
    surface = Surface(terms(PLACES), PLACES, y, U, (Member((0.5, 0.8), 9.0, 1.2, 1.0),))
    found = predict(surface, terms(NEW), NEW, joint=True)
    wide = 1e4**2 * np.eye(3)
    both = np.concatenate([PLACES, NEW])
    K = 81.0 * matern(both, both, (0.5, 0.8)) + terms(both) @ wide @ terms(both).T
    noisy = K[:40, :40] + np.diag((1.2 * U) ** 2)
    gain = np.linalg.solve(noisy, K[:40, 40:]).T
    np.testing.assert_allclose(found.mean, gain @ y, rtol=1e-4)
    np.testing.assert_allclose(found.variance, K[40:, 40:] - gain @ K[:40, 40:], atol=2e-3)
    alone = predict(surface, terms(NEW), NEW)
    np.testing.assert_allclose(alone.variance, np.diag(found.variance), rtol=1e-9)
    assert np.all(alone.scatter <= alone.variance)
    np.testing.assert_allclose(mean_at(surface, terms(NEW), NEW), found.mean)


def test_without_a_process_it_is_weighted_least_squares():
    y = straight(PLACES) + U * RNG.standard_normal(40)
    surface = Surface(terms(PLACES), PLACES, y, U, (Member((0.5, 0.5), 0.0, 1.0, 1.0),))
    fit = fit_linear(terms(PLACES), y, U)
    found = predict(surface, terms(NEW), NEW)
    np.testing.assert_allclose(found.mean, terms(NEW) @ fit.parameters, rtol=1e-9)
    bare = fit.covariance / max(1.0, fit.residual_sd**2)
    np.testing.assert_allclose(found.variance, np.einsum("mi,ij,mj->m", terms(NEW), bare, terms(NEW)), rtol=1e-8)


def test_a_right_model_is_left_alone_and_a_wrong_one_is_mended():
    noise = U * np.random.default_rng(11).standard_normal(40)
    right = fit_surface(terms(PLACES), PLACES, straight(PLACES) + noise, U)
    wrong = fit_surface(terms(PLACES), PLACES, bent(PLACES) + noise, U)
    error = {}
    for name, surface, law in (("right", right, straight), ("wrong", wrong, bent)):
        found = predict(surface, terms(NEW), NEW)
        error[name] = np.sqrt(np.mean((found.mean - law(NEW)) ** 2))
        assert np.mean(np.abs(found.mean - law(NEW)) < 2.0 * np.sqrt(found.variance)) > 0.85
    assert error["right"] < 0.7
    plain = terms(NEW) @ fit_linear(terms(PLACES), bent(PLACES) + noise, U).parameters
    assert error["wrong"] < 0.4 * np.sqrt(np.mean((plain - bent(NEW)) ** 2))


def test_scatter_larger_than_stated_is_seen():
    y = straight(PLACES) + 6.0 * U * np.random.default_rng(12).standard_normal(40)
    surface = fit_surface(terms(PLACES), PLACES, y, U)
    assert sum(m.weight * m.kappa for m in surface.members) > 3.0
    free = fit_surface(terms(PLACES), PLACES, y, np.ones(40), u_is_known=False)
    np.testing.assert_allclose(predict(free, terms(NEW), NEW).mean, predict(surface, terms(NEW), NEW).mean, rtol=0.06)


def test_a_shift_of_all_points_moves_the_surface_by_as_much():
    surface = fit_surface(terms(PLACES), PLACES, bent(PLACES), U)
    up = moved(surface, terms(PLACES), PLACES, bent(PLACES) + 7.0)
    base = moved(surface, terms(PLACES), PLACES, bent(PLACES))
    change = mean_at(up, terms(NEW), NEW) - mean_at(base, terms(NEW), NEW)
    np.testing.assert_allclose(change, 7.0, atol=1e-6)


def test_weights_sum_to_one():
    surface = fit_surface(terms(PLACES), PLACES, bent(PLACES), U)
    assert sum(m.weight for m in surface.members) == pytest.approx(1.0)


def test_many_points_are_weighed_by_some_and_used_by_all():
    rng = np.random.default_rng(13)
    places = rng.uniform(0, 1, (900, 2))
    y = bent(places) + 4.0 * rng.standard_normal(900)
    surface = fit_surface(terms(places), places, y, np.full(900, 4.0))
    assert surface.y.size == 900
    found = predict(surface, terms(NEW), NEW)
    z = (found.mean - bent(NEW)) / np.sqrt(found.variance)
    assert np.sqrt(np.mean(z**2)) < 1.6
    assert np.sqrt(np.mean((found.mean - bent(NEW)) ** 2)) < 1.0
