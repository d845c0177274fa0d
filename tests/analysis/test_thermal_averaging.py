"""Ends averaged over networks: products that say what direct sums say, weights of orders, an end that is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import cholesky, solve_triangular, toeplitz
from scipy.signal import lfilter

from benchkit.analysis.thermal.averaging import Columns, HeldRun, average_ends, left_over, weighted_quantile
from benchkit.analysis.thermal.extrapolate import predict_steady
from benchkit.analysis.thermal.memory import Memory, memory_of
from benchkit.analysis.thermal.runs import thermal_run

T = np.arange(0.0, 3600.0, 8.0)
NOISE_K = 0.05


def held(parts, noise=NOISE_K, seed=1):
    """Rise of a constant drive: sum of A (1 - exp(-t/tau)) over parts (A, tau)."""
    rise = sum(A * -np.expm1(-T / tau) for A, tau in parts)
    error = noise * np.random.default_rng(seed).standard_normal(T.size)
    return HeldRun(T, rise + error, np.ones(T.size), np.zeros(T.size))


def ends_of(run):
    columns = Columns(run)
    left, begin = left_over(columns)
    return average_ends(columns, memory_of(left[np.isfinite(left)]), 1.0, begin)


@pytest.fixture(scope="module")
def two():
    return ends_of(held([(20.0, 60.0), (60.0, 900.0)]))


def test_orders_are_weighed_by_what_the_readings_say(two):
    assert 1 not in two.probability  # one lag misses this curve by kelvins
    assert two.probability[2] > 0.9
    assert sum(two.probability.values()) == pytest.approx(1.0)
    # exact: 20 + 60 K in the end
    low, high = two.quantile(0.025), two.quantile(0.975)
    assert low < 80.0 < high
    assert high - low < 1.0
    # three slow parts that two cannot follow
    three = ends_of(held([(15.0, 40.0), (15.0, 500.0), (50.0, 2500.0)]))
    assert three.probability[3] > 0.9
    assert three.quantile(0.025) < 80.0 < three.quantile(0.975)


def test_an_early_end_is_less_certain_upwards():
    run = held([(20.0, 60.0), (60.0, 900.0)])
    early = T < 480.0
    ends = ends_of(HeldRun(T[early], run.rise_k[early], run.drive[early], run.moving_k[early]))
    low, middle, high = (ends.quantile(share) for share in (0.025, 0.5, 0.975))
    assert low < 80.0 < high
    assert high - middle > middle - low


def test_the_same_readings_give_the_same_answer(two):
    assert ends_of(held([(20.0, 60.0), (60.0, 900.0)])).quantile(0.5) == two.quantile(0.5)


def test_missing_readings_and_cooling():
    run = held([(-20.0, 60.0), (-60.0, 900.0)])
    holes = run.rise_k.copy()
    holes[100:150] = np.nan
    ends = ends_of(HeldRun(T, holes, run.drive, run.moving_k))
    assert ends.quantile(0.5) == pytest.approx(-80.0, abs=0.5)
    assert ends.between_k() < 0.3


@pytest.mark.parametrize("name", ["still", "straight", "runaway"])
def test_what_does_not_bend_has_no_end(name):
    curves = {"still": 0.0 * T, "straight": T / 100.0, "runaway": 20.0 * np.expm1(T / 2500.0)}
    temp = 40.0 + curves[name] + NOISE_K * np.random.default_rng(2).standard_normal(T.size)
    found = predict_steady(thermal_run(T, temp, 40.0, 1.0))
    assert np.isnan(found.final_c.value)
    assert found.pays
    assert "nearly straight" in found.reason


def test_a_noisy_loss_does_not_get_into_the_end():
    """The same readings, driven by a loss that grows with them and scatters by 10 %, or by a held load: one end."""
    rise = 80.0 * -np.expm1(-T / 900.0)
    temp = 40.0 + rise + NOISE_K * np.random.default_rng(5).standard_normal(T.size)
    loss = (1000.0 + 3.0 * rise) * (1.0 + 0.1 * np.random.default_rng(6).standard_normal(T.size))
    held, driven = (predict_steady(thermal_run(T, temp, 40.0, one)).final_c for one in (1.0, loss))
    assert driven.value == pytest.approx(held.value, abs=0.02)
    assert held.value == pytest.approx(120.0, abs=0.1)


def test_whitened_columns_are_those_of_the_cholesky_factor():
    """exact: for an autoregression ``L⁻¹ X`` of the whole covariance is the recursion; here by the dense factor."""
    e = lfilter([1.0], [1.0, -0.7], np.random.default_rng(3).standard_normal(400))
    memory = memory_of(e)
    X = np.random.default_rng(4).standard_normal((400, 3))
    dense = solve_triangular(cholesky(toeplitz(memory.gamma), lower=True), X, lower=True)
    assert memory.whiten(X) == pytest.approx(dense, rel=1e-6, abs=1e-6)
    assert Memory(3, np.array([4.0]), 1.0).whiten(X) == pytest.approx(X / 2.0)


def test_quantile_of_weighted_values():
    # exact: weights 1, 1, 2 of 4: half of it lies at or below the second
    values, weight = np.array([3.0, 1.0, 2.0]), np.array([2.0, 1.0, 1.0])
    assert [weighted_quantile(values, weight, share) for share in (0.2, 0.5, 0.51)] == [1.0, 2.0, 3.0]
