"""Losses from seven and eight standard points. Points and equation are from memory of the standards."""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.analysis.standard_points import (
    DRIVE_POINTS,
    MOTOR_POINTS,
    standard_design,
    standard_loss_at,
    standard_losses,
)
from benchkit.errors import UsageError
from benchkit.simulate.conditions import Conditions
from benchkit.simulate.drives import drive_of
from benchkit.simulate.truth import settled
from tests.analysis.map_truths import stand_of_maps

C = np.array([40.0, 90.0, 260.0, 300.0, 150.0, 120.0, 800.0])


@pytest.mark.parametrize("points", [MOTOR_POINTS, DRIVE_POINTS])
def test_points_determine_the_coefficients(points):
    n, T = np.array(points).T
    assert np.linalg.matrix_rank(standard_design(n, T)) == 7
    found = standard_losses(n, T, standard_design(n, T) @ C, np.full(n.size, 1.0))
    np.testing.assert_allclose(found.coefficients, C, rtol=1e-9)
    loss, u = standard_loss_at(found, 0.6, 0.7)
    # by hand: 40 + 54 + 93.6 + 300*0.6*0.49 + 150*0.36*0.49 + 84 + 392
    assert float(loss) == pytest.approx(40 + 54 + 93.6 + 88.2 + 26.46 + 84 + 392, rel=1e-9)
    assert 0.0 < float(u) < 3.0


def test_nothing_outside_the_points():
    n, T = np.array(MOTOR_POINTS).T
    found = standard_losses(n, T, standard_design(n, T) @ C, np.full(7, 1.0))
    loss, u = standard_loss_at(found, [1.0, 0.1, 0.5], [1.0, 0.5, 0.5])
    assert np.isnan(loss).tolist() == [True, True, False]
    assert np.isnan(u).tolist() == [True, True, False]


def test_uncertainty_against_monte_carlo():
    rng = np.random.default_rng(0)
    n, T = np.array(MOTOR_POINTS).T
    u = np.linspace(2.0, 6.0, 7)
    exact = standard_design(n, T) @ C
    drawn = [
        float(standard_loss_at(standard_losses(n, T, exact + u * rng.standard_normal(7), u), 0.7, 0.8)[0])
        for _ in range(800)
    ]
    stated = float(standard_loss_at(standard_losses(n, T, exact, u), 0.7, 0.8)[1])
    assert np.std(drawn) == pytest.approx(stated, rel=0.1)


def test_predicts_the_simulated_motor_between_its_points():
    """Seven settled points of the simulated motor foretell its losses elsewhere to 3 %."""
    drive = drive_of(stand_of_maps())
    n, T = np.array(MOTOR_POINTS).T

    def loss(share_n: float, share_t: float) -> float:
        # 3000 rpm and 120 N·m stand for rated: below field weakening
        return settled(drive, 3000.0 * share_n, 120.0 * share_t, Conditions())[0].motor_loss_w

    found = standard_losses(n, T, [loss(a, b) for a, b in MOTOR_POINTS], np.full(7, 1.0))
    rng = np.random.default_rng(1)
    errors = []
    for a, b in rng.uniform([0.25, 0.25], [0.9, 1.0], (60, 2)):
        predicted = float(standard_loss_at(found, a, b)[0])
        if np.isfinite(predicted):
            errors.append(abs(predicted / loss(a, b) - 1.0))
    assert len(errors) > 30
    assert max(errors) < 0.03


def test_too_few():
    with pytest.raises(UsageError, match="seven standard points or more"):
        standard_losses([0.9, 0.5], [1.0, 1.0], [1.0, 1.0], [1.0, 1.0])
