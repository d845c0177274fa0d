"""First-order response: 63.2 % of the step at one time constant, 10-90 % rise in ln 9 time constants (exact)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.analysis.thermal import first_order, fit_heating, rise_time_10_90


def test_one_time_constant(published):
    published("share at tau", float(first_order(300.0, 0.0, 1.0, 300.0)), "0.632")
    published("10-90 rise over tau", float(rise_time_10_90(1.0)), "2.197")
    # exact: 1 - exp(-t/tau) = 0.1 and 0.9 at t/tau = ln(10/9) and ln 10
    low, high = math.log(10 / 9), math.log(10)
    assert first_order([low, high], 0.0, 1.0, 1.0).tolist() == pytest.approx([0.1, 0.9], rel=1e-14)
    assert float(rise_time_10_90(1.0)) == pytest.approx(high - low, rel=1e-14)


def test_fit_finds_the_constants_of_an_exact_rise():
    t = np.arange(0.0, 1500.0, 0.5)
    fit = fit_heating(t, first_order(t, 24.0, 118.0, 345.0), channel="winding")
    assert fit.tau_s.value == pytest.approx(345.0, rel=1e-7)
    # block means of an exponential are not the exponential at the mean time: 4 s blocks, (4/345)^2/24 of the rise
    assert fit.final_c.value == pytest.approx(118.0, abs=1e-3)
    assert fit.start_c.value == pytest.approx(24.0, abs=1e-3)
    assert fit.fast_tau_s is None


def test_fit_says_how_far_it_reaches():
    t = np.arange(0.0, 600.0, 0.5)
    rng = np.random.default_rng(11)
    fit = fit_heating(t, first_order(t, 24.0, 118.0, 345.0) + 0.1 * rng.standard_normal(t.size))
    assert fit.covered == pytest.approx(600.0 / 345.0, rel=0.02)
    assert abs(fit.final_c.value - 118.0) < 4.0 * fit.final_c.u
    assert abs(fit.tau_s.value - 345.0) < 4.0 * fit.tau_s.u
