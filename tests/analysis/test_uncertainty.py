"""Type A of readings that remember, propagation against the library uncertainties, budgets, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter
from scipy.stats import t as student

from benchkit.analysis.uncertainty import (
    combine,
    correlation_time,
    coverage_factor,
    expanded,
    interval,
    propagate,
    propagate_many,
    scatter_only,
    type_a,
    type_a_columns,
)
from benchkit.errors import UsageError
from benchkit.model.results import Contribution, Estimate


def records(n, memory, count, seed):
    """First-order records of true mean 0: each reading is ``exp(-1/memory)`` of the one before, plus noise."""
    rng = np.random.default_rng(seed)
    keep = math.exp(-1.0 / memory) if memory else 0.0
    kicks = rng.standard_normal((n + 10 * memory + 10, count))
    return lfilter([1.0], [1.0, -keep], kicks, axis=0)[-n:]


class TestTypeA:
    def test_independent_readings_are_the_textbook_case(self):
        # exact: GUM 4.2.3, u = s/sqrt(n); these readings alternate, so no memory is seen
        y = np.array([1.0, 3.0, 2.0, 4.0, 0.0])
        mean, u, dof = type_a(y)
        assert mean == pytest.approx(2.0)
        assert u == pytest.approx(np.std(y, ddof=1) / math.sqrt(5))
        assert dof == 4

    @pytest.mark.parametrize(
        ("n", "memory", "least"),
        [(50, 0, 0.92), (200, 0, 0.93), (200, 3, 0.91), (200, 10, 0.90), (1000, 30, 0.91), (10000, 30, 0.91)],
    )
    def test_95_percent_intervals_hold_the_mean_of_lagging_sensors(self, n, memory, least):
        y = records(n, memory, 400, seed=n + memory)
        mean, u, dof = type_a_columns(y)
        held = np.abs(mean) <= student.ppf(0.975, np.maximum(np.floor(dof), 1)) * u
        assert least <= held.mean() <= 0.985

    def test_naive_standard_error_would_not_hold_it(self):
        # what the correlation time is for: s/sqrt(n) of the same records holds the mean in half the cases or fewer
        y = records(1000, 30, 400, seed=3)
        naive = np.abs(y.mean(axis=0)) <= 1.96 * y.std(axis=0, ddof=1) / math.sqrt(1000)
        assert naive.mean() < 0.5

    def test_correlation_time_of_a_first_order_record(self):
        # exact: 1 + 2 sum a^k = (1 + a)/(1 - a)
        a = math.exp(-1 / 10)
        found = np.mean([correlation_time(column) for column in records(20000, 10, 20, seed=1).T])
        assert found == pytest.approx((1 + a) / (1 - a), rel=0.1)

    def test_columns_and_single_records_agree(self):
        y = records(700, 5, 4, seed=9)
        y[::50, 2] = np.nan
        columns = type_a_columns(y)
        for k in range(4):
            assert type_a(y[:, k]) == pytest.approx([float(c[k]) for c in columns], rel=1e-12)

    def test_nan_is_left_out_not_filled(self):
        y = np.array([1.0, np.nan, 3.0, np.nan, 2.0, 4.0, 0.0])
        assert type_a(y) == type_a(y[~np.isnan(y)])

    def test_equal_readings_have_no_scatter(self):
        assert type_a(np.full(100, 0.1)) == (pytest.approx(0.1), pytest.approx(0.0, abs=1e-15), pytest.approx(99.0))

    def test_nothing_and_one_reading(self):
        assert all(math.isnan(v) for v in type_a([]))
        assert all(math.isnan(v) for v in type_a([np.nan]))
        mean, u, dof = type_a([5.0])
        assert (mean, dof) == (5.0, 0.0)
        assert math.isnan(u)

    def test_a_ramp_is_not_many_readings(self):
        _, u, dof = type_a(np.linspace(0.0, 1.0, 1000))
        assert u > 0.1
        assert dof < 5

    def test_wrong_shape(self):
        with pytest.raises(UsageError, match="two axes"):
            type_a_columns([1.0, 2.0])


finite = st.floats(0.5, 20.0)


class TestPropagation:
    @given(finite, finite, finite, st.floats(1e-4, 0.02), st.floats(-0.99, 0.99))
    def test_same_as_the_library_uncertainties(self, a, b, c, relative, r):
        import uncertainties
        from uncertainties import umath

        u = np.array([a, b, c]) * relative * [1.0, 0.7, 0.3]
        R = np.array([[1, r, 0], [r, 1, 0], [0, 0, 1]])
        x, y, z = uncertainties.correlated_values([a, b, c], R * np.outer(u, u))
        theirs = [x * y / z, umath.sqrt(x) * umath.log(y + 2.0) - z**2]
        inputs = [Estimate(v, float(s), "1") for v, s in zip((a, b, c), u, strict=True)]
        ours = propagate_many(lambda x, y, z: (x * y / z, math.sqrt(x) * math.log(y + 2) - z**2), inputs, R)
        expected = np.array(uncertainties.covariance_matrix(theirs))
        scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
        # a correlation near -1 cancels: compare on the scale of the parts
        parts = float(np.max(np.abs(expected))) + float((a * b / c * relative) ** 2)
        np.testing.assert_allclose(ours.covariance, expected, atol=1e-5 * parts, rtol=1e-5)
        assert scale.shape == (2, 2)

    def test_step_that_leaves_the_domain_is_not_hidden(self):
        result = propagate(lambda x: math.sqrt(x) if x >= 0 else math.nan, [Estimate(0.0, 0.1, "1")])
        assert result.value == 0.0
        assert math.isnan(result.u)

    def test_nan_reaches_only_what_uses_it(self):
        inputs = [Estimate(2.0, 0.1, "1"), Estimate(math.nan, math.nan, "1"), Estimate(3.0, math.nan, "1")]
        a, b, c = propagate_many(lambda x, y, z: (x * x, x + y, x + z), inputs).estimates
        assert a.u == pytest.approx(0.4)
        assert math.isnan(b.value)
        assert math.isnan(b.u)
        assert c.value == 5.0
        assert math.isnan(c.u)

    def test_budget_is_ranked_and_carries_through(self):
        volts = combine(400.0, 0.01, 20.0, 0.12, unit="V", name="udc")
        amps = combine(100.0, 0.02, 20.0, 0.05, unit="A", name="idc")
        power = propagate(lambda v, i: v * i, [volts, amps], names=["udc", "idc"], unit="W")
        assert [line.name for line in power.budget] == [
            "idc calibration",
            "udc calibration",
            "idc scatter",
            "udc scatter",
        ]
        # exact: c_i u_i
        assert [line.u for line in power.budget] == pytest.approx([20.0, 12.0, 8.0, 1.0], rel=1e-9)
        assert math.hypot(*(line.u for line in power.budget)) == pytest.approx(power.u, rel=1e-12)

    def test_welch_satterthwaite(self):
        # GUM G.4.1 worked in H.1 as well; exact: u^4 / sum(u_i^4/nu_i)
        result = propagate(lambda a, b: a + b, [Estimate(0.0, 3.0, "1", 9.0), Estimate(0.0, 4.0, "1", 4.0)])
        assert result.u == pytest.approx(5.0)
        assert result.dof == pytest.approx(625 / (81 / 9 + 256 / 4))
        assert combine(0.0, 3.0, 9.0, 4.0, unit="1").dof == pytest.approx(625 / 9)

    @pytest.mark.parametrize(
        ("r", "text"),
        [
            ([[1, 0.5]], "wrong shape"),
            ([[1, 0.5], [0.4, 1]], "no correlation matrix"),
            ([[1, 2], [2, 1]], "no correlation matrix"),
            ([[2, 0], [0, 2]], "no correlation matrix"),
        ],
    )
    def test_bad_correlation(self, r, text):
        with pytest.raises(UsageError, match=text):
            propagate(lambda a, b: a + b, [Estimate(0.0, 1.0, "1")] * 2, r)

    def test_one_name_each(self):
        with pytest.raises(UsageError, match="one name for each input"):
            propagate(lambda a: a, [Estimate(0.0, 1.0, "1")], names=["a", "b"])


class TestIntervals:
    def test_student_and_normal(self):
        # from tables of Student's t (GUM table G.2): t95(4) = 2.78, t95(inf) = 1.960
        assert coverage_factor(4.0) == pytest.approx(2.78, abs=0.005)
        assert coverage_factor(math.inf) == pytest.approx(1.960, abs=0.0005)
        assert interval(Estimate(10.0, 1.0, "W")) == pytest.approx((8.04, 11.96), abs=0.001)

    def test_zero_uncertainty_and_unknown_dof(self):
        assert expanded(Estimate(1.0, 0.0, "1", math.nan)) == 0.0
        assert math.isnan(expanded(Estimate(1.0, 0.1, "1", 0.5)))

    def test_probability_is_a_probability(self):
        with pytest.raises(UsageError, match="between 0 and 1"):
            coverage_factor(3.0, 95.0)

    def test_scatter_alone(self):
        e = combine(20.0, 0.3, 9.0, 0.4, unit="N", name="thrust")
        assert scatter_only(e, "thrust").u == 0.3
        assert math.isnan(scatter_only(Estimate(1.0, 1.0, "N", budget=(Contribution("x", 1.0),)), "thrust").u)
