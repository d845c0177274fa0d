"""The same numbers from libraries we did not write: statsmodels, uncertainties, fluids.

Their own authors test them against published data; here both get the same input. CoolProp: test_air, test_heat_balance.
"""

from __future__ import annotations

import numpy as np
import pytest
import uncertainties
from fluids.atmosphere import ATMOSPHERE_1976
from statsmodels.regression.linear_model import OLS, WLS
from statsmodels.stats.sandwich_covariance import cov_hac
from statsmodels.tsa.stattools import acf
from uncertainties import umath

from benchkit.analysis import air
from benchkit.analysis.fitting import fit_linear
from benchkit.analysis.lack_of_fit import lack_of_fit
from benchkit.analysis.power import INPUT_ROLES, propagate_balance
from benchkit.analysis.propeller import coefficient_formulas, coefficients
from benchkit.analysis.square_law import fit_square_law, fit_test
from benchkit.analysis.uncertainty import autocorrelation, propagate_many, type_a
from benchkit.model.results import Estimate

MEASURED = [
    Estimate(400.0, 0.4, "V"), Estimate(50.0, 0.1, "A"), Estimate(19_400.0, 40.0, "W"), Estimate(2400.0, 0.5, "rpm"),
    Estimate(72.0, 0.2, "N·m"),
]  # fmt: skip


# ------------------------------------------------------------------------------------------------ statsmodels
def losses(rng, scatter):
    n, T = rng.uniform(0.1, 1.0, 60), rng.uniform(0.0, 1.0, 60)
    X = np.column_stack([np.ones(60), n, n**2, T, T**2, n * T**2])
    u = 1.0 + 3.0 * T
    return X, X @ [40.0, 90.0, 260.0, 120.0, 800.0, 300.0] + scatter * u * rng.standard_normal(60), u


def test_unweighted_fit():
    X, y, _ = losses(np.random.default_rng(1), 1.0)
    ours, theirs = fit_linear(X, y), OLS(y, X).fit()
    np.testing.assert_allclose(ours.parameters, theirs.params, rtol=1e-9)
    np.testing.assert_allclose(ours.covariance, theirs.cov_params(), rtol=1e-9)
    np.testing.assert_allclose(ours.residuals, theirs.resid, atol=1e-9)
    assert ours.residual_sd**2 == pytest.approx(theirs.mse_resid, rel=1e-12)


@pytest.mark.parametrize("scatter", [0.3, 2.5])
def test_weighted_fit(scatter):
    """The scale of the covariance is theirs where the scatter is larger than stated, else 1 (Birge ratio)."""
    X, y, u = losses(np.random.default_rng(2), scatter)
    ours, theirs = fit_linear(X, y, u), WLS(y, X, weights=1.0 / u**2).fit()
    np.testing.assert_allclose(ours.parameters, theirs.params, rtol=1e-9)
    assert ours.residual_sd**2 == pytest.approx(theirs.scale, rel=1e-12)
    np.testing.assert_allclose(ours.covariance, theirs.normalized_cov_params * max(1.0, theirs.scale), rtol=1e-9)
    assert bool(theirs.scale > 1.0) is (scatter > 1.0)


def test_lack_of_fit_of_a_map():
    """Partial F test of the model within the one that has a mean of its own for every set-point."""
    rng = np.random.default_rng(3)
    n, T = (np.repeat(x.ravel(), 3) for x in np.meshgrid([600.0, 1200.0, 1800.0, 2400.0], [20.0, 60.0, 100.0]))
    y = 50.0 + 0.02 * n + 0.03 * T**2 + 0.2 * T + 2.0 * rng.standard_normal(n.size)
    X = np.column_stack([np.ones(n.size), n, T**2])
    cells = (np.repeat(np.arange(12), 3)[:, None] == np.arange(12)).astype(float)
    f, p, difference = OLS(y, cells).fit().compare_f_test(OLS(y, X).fit())
    ours = lack_of_fit(n, T, fit_linear(X, y).residuals, None, 3)
    assert (ours.statistic, ours.p_value, ours.dof) == pytest.approx((f, p, difference), rel=1e-9)
    assert ours.dof_error == 24


def test_lack_of_fit_of_the_square_law():
    rng = np.random.default_rng(4)
    n = np.repeat([900.0, 1500.0, 2100.0, 2700.0], 4)
    y = 0.1 * (n / 60.0) ** 2 * (1.0 + 2e-5 * n) + 0.8 * rng.standard_normal(n.size)
    law = fit_square_law(n, y, unit="N")
    cells = (n[:, None] == np.unique(n)).astype(float)
    f, p, _ = OLS(y, cells).fit().compare_f_test(OLS(y, (n / 60.0)[:, None] ** 2).fit())
    ours = fit_test(y, law.at(n), 1, groups=n.tolist())
    assert (ours.statistic, ours.p) == pytest.approx((f, p), rel=1e-9)


def first_order(rng, count, memory):
    y = np.empty(count)
    y[0] = rng.standard_normal() / np.sqrt(1.0 - memory**2)
    for i in range(1, count):
        y[i] = memory * y[i - 1] + rng.standard_normal()
    return y


def test_autocorrelation():
    y = first_order(np.random.default_rng(5), 400, 0.7)
    np.testing.assert_allclose(autocorrelation(y), acf(y, nlags=399, adjusted=False, fft=False), atol=1e-12)


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.9])
def test_uncertainty_of_a_mean_with_memory(memory):
    """Against a regression on a constant with the covariance of Newey and West, and against theory.

    exact: the mean of a first-order record has u = σ_e/((1 - φ) √n) for n much larger than its memory.
    """
    count = 20_000
    y = first_order(np.random.default_rng(6), count, memory)
    fit = OLS(y, np.ones(count)).fit()
    mean, u, _ = type_a(y)
    theirs = float(np.sqrt(cov_hac(fit, nlags=int(20.0 / (1.0 - memory)))[0, 0]))
    assert mean == pytest.approx(fit.params[0], abs=1e-12)
    assert u == pytest.approx(theirs, rel=0.1)
    assert u == pytest.approx(1.0 / ((1.0 - memory) * np.sqrt(count)), rel=0.1)


# ---------------------------------------------------------------------------------------------- uncertainties
def theirs_of(inputs, correlation):
    u = np.array([e.u for e in inputs])
    return uncertainties.correlated_values([e.value for e in inputs], np.asarray(correlation) * np.outer(u, u))


def test_power_balance():
    ours = propagate_balance(dict(zip(INPUT_ROLES, MEASURED, strict=True)))
    v, i, p_ac, n, torque = theirs_of(MEASURED, np.eye(5))
    p_dc, p_sh = v * i, 2.0 * np.pi / 60.0 * n * torque
    theirs = [p_dc, p_ac, p_sh, p_dc - p_ac, p_ac - p_sh, p_dc - p_sh, p_ac / p_dc, p_sh / p_ac, p_sh / p_dc]
    assert [e.value for e in ours.estimates] == pytest.approx([e.nominal_value for e in theirs], rel=1e-12)
    np.testing.assert_allclose(ours.covariance, uncertainties.covariance_matrix(theirs), rtol=1e-6, atol=1e-12)


def test_coefficients_with_and_without_correlations():
    inputs = [
        Estimate(120.0, 0.6, "N"), Estimate(9.0, 0.05, "N·m"), Estimate(2400.0, 1.0, "rpm"),
        Estimate(0.8, 0.0005, "m"), Estimate(1.19, 0.003, "kg/m³"),
    ]  # fmt: skip
    related = np.eye(5)
    related[0, 1] = related[1, 0] = 0.6  # one amplifier for thrust and torque
    related[2, 4] = related[4, 2] = -0.2
    for correlation in (np.eye(5), related):
        ours = propagate_many(lambda *x: [float(y) for y in coefficient_formulas(*x)], inputs, correlation)
        T, Q, rpm, D, rho = theirs_of(inputs, correlation)
        n = rpm / 60.0
        thrust, torque = T / (rho * n**2 * D**4), Q / (rho * n**2 * D**5)
        power = 2.0 * np.pi * torque
        theirs = [thrust, torque, power, umath.sqrt(2.0 / np.pi) * thrust**1.5 / power]
        np.testing.assert_allclose(ours.covariance, uncertainties.covariance_matrix(theirs), rtol=1e-6)
    plain = coefficients(*inputs)
    T, Q, rpm, D, rho = theirs_of(inputs, np.eye(5))
    assert plain.ct.u == pytest.approx((T / (rho * (rpm / 60.0) ** 2 * D**4)).std_dev, rel=1e-7)


# ----------------------------------------------------------------------------------------------------- fluids
@pytest.mark.parametrize(
    "altitude_m", [-2000.0, -400.0, 0.0, 137.0, 1500.0, 3048.0, 5500.0, 9000.0, 13_000.0, 19_000.0]
)
def test_standard_atmosphere(altitude_m):
    """U.S. Standard Atmosphere 1976: the same as ICAO's up to 20 km but for the rounding of the gas constant."""
    ours, theirs = air.isa(altitude_m), ATMOSPHERE_1976(altitude_m)
    assert float(ours.temp_c) + 273.15 == pytest.approx(theirs.T, rel=1e-6)
    assert float(ours.pressure_pa) == pytest.approx(theirs.P, rel=2e-5)
    assert float(ours.density_kgm3) == pytest.approx(theirs.rho, rel=2e-5)
    assert float(ours.speed_of_sound_mps) == pytest.approx(theirs.v_sonic, rel=1e-5)
    assert float(ours.viscosity_pas) == pytest.approx(theirs.mu, rel=1e-6)
    assert float(air.geopotential_m(altitude_m)) == pytest.approx(theirs.H, abs=0.05)
