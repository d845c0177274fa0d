"""Distributions, intervals, the adaptive procedure, and the judgement on linear results."""

from __future__ import annotations

import math

import numpy as np
import pytest
import uncertainties
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchkit.analysis import monte_carlo as mc
from benchkit.analysis.linear_checks import check_balances, check_coefficients
from benchkit.analysis.power import INPUT_ROLES, balance_arrays, balance_formulas, power_balance
from benchkit.analysis.propeller import coefficient_formulas, coefficients
from benchkit.analysis.uncertainty import combine, expanded, interval, propagate
from benchkit.errors import UsageError
from benchkit.model.results import Estimate, OperatingPoint
from benchkit.model.stand import Role


def identity(x):
    return (x,)


SHAPES = [
    (mc.normal(2.0, 0.5), stats.norm(2.0, 0.5)),
    (mc.student(2.0, 0.5, 5.0), stats.t(5.0, 2.0, 0.5)),
    (mc.rectangular(-1.0, 3.0), stats.uniform(-1.0, 4.0)),
    (mc.triangular(-1.0, 3.0), stats.triang(0.5, -1.0, 4.0)),
    (mc.arcsine(-1.0, 3.0), stats.arcsine(-1.0, 4.0)),
]


@pytest.mark.parametrize(("ours", "theirs"), SHAPES, ids=[d.shape.value for d, _ in SHAPES])
def test_draws_follow_the_distribution(ours, theirs):
    drawn = ours.draw(np.random.default_rng(5), 20_000)
    assert stats.kstest(drawn, theirs.cdf).pvalue > 0.001
    assert ours.u == pytest.approx(theirs.std(), rel=1e-12)
    (found,) = mc.propagate_distributions(identity, [ours], seed=7)
    assert found.symmetric == pytest.approx(theirs.ppf([0.025, 0.975]).tolist(), abs=0.03 * found.u)


def test_limits_known_to_a_width_only():
    # exact (JCGM 101, 6.4.3): variance (b - a)²/12 + d²/9; no value beyond a - d and b + d
    ours = mc.curvilinear_trapezoid(-1.0, 3.0, 0.5)
    drawn = ours.draw(np.random.default_rng(5), 400_000)
    assert ours.u == pytest.approx(math.sqrt(16.0 / 12.0 + 0.25 / 9.0))
    assert drawn.std() == pytest.approx(ours.u, rel=3e-3)
    assert drawn.mean() == pytest.approx(1.0, abs=5e-3)
    assert drawn.min() >= -1.5
    assert drawn.max() <= 3.5
    # exact: flat between the limits moved inwards, ln((w + d)/(w - d))/(4 d) high (w half of b - a)
    flat = np.mean((drawn > 0.5) & (drawn < 1.5))
    assert flat == pytest.approx(math.log(2.5 / 1.5) / (4.0 * 0.5), rel=1e-2)
    assert mc.curvilinear_trapezoid(0.0, 2.0, 0.0).u == pytest.approx(mc.rectangular(0.0, 2.0).u)
    with pytest.raises(UsageError, match="less exact than they are apart"):
        mc.curvilinear_trapezoid(0.0, 2.0, 1.5)


def test_half_widths_over_roots():
    # exact: JCGM 101, 6.4: a/√3, a/√6, a/√2
    assert mc.rectangular(0.0, 2.0).u == pytest.approx(1 / math.sqrt(3))
    assert mc.triangular(0.0, 2.0).u == pytest.approx(1 / math.sqrt(6))
    assert mc.arcsine(0.0, 2.0).u == pytest.approx(1 / math.sqrt(2))
    assert math.isinf(mc.student(0.0, 1.0, 2.0).u)
    assert mc.student(0.0, 1.0, math.inf).shape is mc.Shape.NORMAL


def test_shortest_is_never_longer_and_holds_its_share():
    y = np.sort(np.random.default_rng(1).exponential(size=50_000))
    short, even = mc.shortest_interval(y), mc.symmetric_interval(y)
    assert short[1] - short[0] < even[1] - even[0]
    for low, high in (short, even):
        assert np.mean((y >= low) & (y <= high)) == pytest.approx(0.95, abs=1e-3)
    # exact: the shortest interval of an exponential starts at zero and ends at -ln 0.05
    assert short == pytest.approx((0.0, -math.log(0.05)), abs=0.06)


def test_same_seed_same_numbers_other_seed_others():
    a, b, c = (mc.propagate_distributions(identity, [mc.normal(0, 1)], seed=s)[0] for s in (1, 1, 2))
    assert a == b
    assert a.value != c.value


def test_more_trials_for_more_digits_and_an_end_all_the_same():
    one, two = (mc.propagate_distributions(identity, [mc.normal(0, 0.9)], seed=1, digits=d)[0] for d in (1, 2))
    assert one.trials < two.trials
    assert one.has_settled
    cut = mc.propagate_distributions(identity, [mc.normal(0, 0.9)], seed=1, fraction=0.01, most_trials=30_000)[0]
    assert cut.trials == 30_000
    assert not cut.has_settled


def test_correlated_inputs_as_the_library_uncertainties():
    r = [[1.0, 0.8, 0.0], [0.8, 1.0, -0.3], [0.0, -0.3, 1.0]]
    u = np.array([0.1, 0.2, 0.15])
    x, y, z = uncertainties.correlated_values([10.0, 20.0, 15.0], np.array(r) * np.outer(u, u))
    theirs = x * y / z
    inputs = [mc.normal(10.0, 0.1), mc.normal(20.0, 0.2), mc.normal(15.0, 0.15)]
    (found,) = mc.propagate_distributions(lambda a, b, c: (a * b / c,), inputs, r, seed=11)
    assert found.value == pytest.approx(theirs.n, abs=0.02 * theirs.s)
    assert found.u == pytest.approx(theirs.s, rel=0.02)


def test_fully_correlated_inputs_cancel():
    (found,) = mc.propagate_distributions(lambda a, b: (a - b,), [mc.normal(3, 1)] * 2, [[1, 1], [1, 1]], seed=1)
    assert found.u == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: mc.normal(math.nan, 1.0), "finite centre"),
        (lambda: mc.rectangular(2.0, 1.0), "wrong order"),
        (lambda: mc.student(0.0, 1.0, 0.0), "degrees of freedom are positive"),
        (
            lambda: mc.propagate_distributions(
                lambda a, b: (a + b,), [mc.normal(0, 1), mc.rectangular(0, 1)], [[1, 0.5], [0.5, 1]], seed=1
            ),
            "correlated and not normal",
        ),
        (
            lambda: mc.propagate_distributions(
                lambda a, b, c: (a,), [mc.normal(0, 1)] * 3, [[1, 0.9, -0.9], [0.9, 1, 0.9], [-0.9, 0.9, 1]], seed=1
            ),
            "eigenvalue",
        ),
        (lambda: mc.propagate_distributions(identity, [mc.normal(0, 1)], seed=1, probability=95.0), "between 0 and 1"),
    ],
)
def test_refusals(call, text):
    with pytest.raises(UsageError, match=text):
        call()


def test_a_formula_without_value_in_the_tail_gives_no_interval():
    def root(x):
        with np.errstate(invalid="ignore"):
            return (np.sqrt(x),)

    few = mc.propagate_distributions(root, [mc.normal(3.0, 1.0)], seed=1)[0]
    assert 0.0 < few.undefined < 0.005
    assert math.isfinite(few.symmetric[0])
    many = mc.propagate_distributions(root, [mc.normal(1.0, 1.0)], seed=1)[0]
    assert many.undefined == pytest.approx(stats.norm.cdf(-1.0), abs=0.01)  # exact: share of negative trials
    assert math.isnan(many.symmetric[0])
    linear = propagate(lambda x: math.sqrt(x) if x >= 0.0 else math.nan, [Estimate(1.0, 1.0, "1")])
    assert not mc.validate_linear(linear, many).is_valid


def test_tolerance_is_half_a_unit_of_the_last_digit():
    # exact: JCGM 101, 7.9.2, note: 0.00035 to two digits is 35e-5 -> 5e-6; to one digit 4e-4 -> 5e-5
    assert mc.numerical_tolerance(0.00035) == pytest.approx(5e-6)
    assert mc.numerical_tolerance(0.00035, 1) == pytest.approx(5e-5)
    assert mc.numerical_tolerance(9.96) == pytest.approx(0.5)  # rounds to 10
    assert math.isnan(mc.numerical_tolerance(0.0))


@settings(deadline=None)
@given(
    st.integers(-450, 450),
    st.integers(-200, 200),
    st.integers(-60_000, 60_000),
    st.integers(0, 4000),
    st.integers(-150, 150),
)
def test_array_form_of_the_balance_is_the_scalar_one(u_dc, i_dc, p_ac, n, torque):
    ours = [float(y) for y in balance_arrays(*(np.asarray(x) for x in (u_dc, i_dc, p_ac, n, torque)))]
    np.testing.assert_allclose(ours, balance_formulas(u_dc, i_dc, p_ac, n, torque), rtol=1e-12, atol=1e-9)


@settings(max_examples=10, deadline=None)
@given(st.floats(0.0005, 0.004), st.integers(8, 60))
def test_linear_and_monte_carlo_agree_where_they_should(relative, dof):
    values = (400.0, 50.0, 19_300.0, 2400.0, 72.0)
    inputs = [combine(v, 0.5 * relative * v, dof, relative * v, unit="1") for v in values]
    linear = propagate(lambda *x: balance_formulas(*x)[8], inputs)
    (found,) = mc.propagate_distributions(lambda *x: (balance_arrays(*x)[8],), inputs, seed=dof, digits=2)
    check = mc.validate_linear(linear, found)
    assert check.largest_share < 0.05
    assert not np.any(mc.bending(balance_arrays, inputs) > 0.1)


def point_of(stand, means):
    return OperatingPoint(0, "rack", 0, 10, 0.0, 10.0, means)


def balance_with(stand, u_dc, i_dc, p_ac, n, torque, shares):
    means = {}
    for role, value, u in zip(INPUT_ROLES, (u_dc, i_dc, p_ac, n, torque), shares, strict=True):
        channel = stand.channel_for(role)
        means[channel.name] = combine(value, 0.01 * u, 20.0, u, unit=channel.unit, name=channel.name)
    return power_balance(stand, point_of(stand, means))


def test_an_efficiency_of_two_powers_near_zero_is_flagged_and_gets_its_real_interval(stand):
    # 400 V x 0.5 A = 200 W in, known to 52 W because the current sensor is made for 200 A
    balance = balance_with(stand, 400.0, 0.5, 180.0, 300.0, 4.0, (0.4, 0.13, 5.0, 0.5, 0.1))
    (checked,), findings = check_balances(stand, [balance])
    assert {f.code for f in findings} == {"linear_uncertainty_fails"}
    assert any("drive efficiency" in f.message for f in findings)
    eta = checked.drive_efficiency
    assert eta.interval95 is not None
    assert interval(eta) == eta.interval95
    low, high = eta.interval95
    # exact: eta = 125.66 W/(400 V x I): its quantiles are those of 1/I (torque adds 2.5 %)
    quantile = 125.6637 / (400.0 * stats.norm(0.5, 0.13).ppf([0.975, 0.025]))
    assert (low, high) == pytest.approx(quantile.tolist(), rel=0.05)
    assert high - eta.value > 2.0 * (eta.value - low)
    assert checked.shaft_power_w.interval95 is None  # a product of well-known things is linear


def test_where_the_input_power_may_be_none_at_all_no_interval_is_stated(stand):
    balance = balance_with(stand, 400.0, 0.5, 180.0, 300.0, 4.0, (0.4, 0.22, 5.0, 0.5, 0.1))
    (checked,), findings = check_balances(stand, [balance])
    assert any("no 95 % interval can be stated" in f.message for f in findings)
    assert math.isnan(checked.drive_efficiency.u)
    assert checked.drive_efficiency.value == balance.drive_efficiency.value


def test_a_good_point_is_left_alone(stand):
    balance = balance_with(stand, 400.0, 50.0, 19_300.0, 2400.0, 72.0, (0.2, 0.05, 30.0, 0.5, 0.15))
    checked, findings = check_balances(stand, [balance])
    assert checked == (balance,)
    assert findings == ()


def test_figure_of_merit_of_a_tiny_thrust_is_flagged(stand):
    from dataclasses import replace

    from benchkit.analysis.propeller import diameter_of, static_thrust

    means = {
        stand.roles[role]: combine(value, 1e-3 * u, 20.0, u, unit="1", name=stand.roles[role])
        for role, value, u in [
            (Role.SPEED, 300.0, 0.5), (Role.TORQUE, 1.0, 0.2), (Role.THRUST, 10.0, 1.6),
            (Role.AIR_TEMP, 20.0, 0.2), (Role.AIR_PRESSURE, 1e5, 30.0), (Role.AIR_HUMIDITY, 0.5, 0.02),
        ]
    }  # fmt: skip
    row = static_thrust(stand, point_of(stand, means))
    (checked,), findings = check_coefficients(stand, [row])
    assert any("figure of merit" in f.message for f in findings)
    assert checked.ct.interval95 is None  # linear in thrust, however badly that is known
    low, high = checked.figure_of_merit.interval95
    # independent: 400 000 trials by hand
    rng = np.random.default_rng(8)
    inputs = [checked.thrust_n, checked.torque_nm, checked.speed_rpm, diameter_of(stand), checked.density_kgm3]
    by_hand = coefficient_formulas(*(rng.normal(e.value, e.u, 400_000) for e in inputs))[3]
    assert (low, high) == pytest.approx(np.nanquantile(by_hand, [0.025, 0.975]).tolist(), rel=0.02)
    fine = replace(row, thrust_n=replace(row.thrust_n, u=0.01), torque_nm=replace(row.torque_nm, u=0.002))
    found = coefficients(fine.thrust_n, fine.torque_nm, fine.speed_rpm, diameter_of(stand), fine.density_kgm3)
    fine = replace(fine, ct=found.ct, cq=found.cq, cp=found.cp, figure_of_merit=found.figure_of_merit)
    assert check_coefficients(stand, [fine]) == ((fine,), ())


def test_bending():
    one = Estimate(1.0, 0.05, "1")
    bent = mc.bending(lambda a, b: (a + 2 * b, a * a, a * b), [one, one])
    # exact: h = 2u = 0.1: 2h²/(2·2u) = 0.1; pairs along a ± b move a·b by ±u², twice 2·2u²... /(2 u √2)
    assert bent[:2] == pytest.approx([0.0, 0.1])
    assert bent[2] == pytest.approx(4 * 0.05**2 / (2 * 0.05 * math.sqrt(2)))
    with np.errstate(invalid="ignore"):
        assert mc.bending(lambda a: (np.sqrt(a),), [Estimate(0.05, 0.05, "1")]) == [math.inf]
    assert mc.bending(lambda a: (a,), [Estimate(1.0, 0.0, "1")]) == [0.0]


def test_an_interval_of_its_own_is_only_for_95_percent():
    e = Estimate(1.0, 0.1, "1", interval95=(0.9, 1.5))
    assert interval(e) == (0.9, 1.5)
    assert interval(e, 0.99) == pytest.approx((1 - 2.5758 * 0.1, 1 + 2.5758 * 0.1), abs=1e-4)
    assert expanded(e) == pytest.approx(0.196, abs=1e-3)
