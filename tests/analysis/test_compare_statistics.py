"""Statistics of comparisons against scipy, statsmodels and arithmetic."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats import multitest, weightstats

from benchkit.analysis.compare.blocked import (
    Order,
    block_by_block,
    difference_of_sides,
    interaction,
    random_blocks,
    rearranged,
    within_blocks,
)
from benchkit.analysis.compare.counted import equal_rates, equal_shares, ratio_of_rates
from benchkit.analysis.compare.history import control_chart
from benchkit.analysis.compare.statistics import (
    benjamini_hochberg,
    equivalence,
    holm,
    one_way,
    paired,
    power_of,
    smallest_shown,
    two_samples,
)
from benchkit.analysis.compare.verdict import Word, verdicts
from benchkit.errors import UsageError


def order_of(letters: str, blocks: str) -> Order:
    """Runs by letters, one digit of ``blocks`` each, an hour apart."""
    return Order(
        np.array([x == "B" for x in letters]), np.array([int(b) for b in blocks]), np.arange(len(letters)) * 1.0
    )


def test_tests_of_means_agree_with_scipy() -> None:
    rng = np.random.default_rng(11)
    a, b = rng.normal(5.0, 1.0, 9), rng.normal(5.6, 2.0, 9)
    for ours, theirs in (
        (paired(a, b), stats.ttest_rel(b, a)),
        (two_samples(a, b), stats.ttest_ind(b, a, equal_var=False)),
        (two_samples(a, b[:6], equal_variance=True), stats.ttest_ind(b[:6], a)),
    ):
        interval = theirs.confidence_interval(0.95)
        assert (ours.t, ours.p_value, ours.dof) == pytest.approx((theirs.statistic, theirs.pvalue, theirs.df), rel=1e-9)
        assert (ours.low, ours.high) == pytest.approx((interval.low, interval.high), rel=1e-9)
    found = one_way(np.concatenate([a, b]), np.repeat([0, 1], 9))
    theirs = stats.f_oneway(a, b)
    assert (found.f, found.p_value) == pytest.approx((theirs.statistic, theirs.pvalue), rel=1e-9)


def test_adjusted_p_values_agree_with_scipy_and_statsmodels() -> None:
    p = np.random.default_rng(12).uniform(0.0, 0.2, (4, 9))
    assert np.allclose(benjamini_hochberg(p), [stats.false_discovery_control(row) for row in p])
    for row, ours in zip(p, holm(p), strict=True):
        assert np.allclose(ours, multitest.multipletests(row, method="holm")[1])
    gone = np.array([0.01, math.nan, 0.04])  # what was not tested does not count
    assert np.allclose(holm(gone), [0.02, math.nan, 0.04], equal_nan=True)


def test_equivalence_agrees_with_statsmodels() -> None:
    rng = np.random.default_rng(13)
    a, b = rng.normal(0.0, 1.0, 12), rng.normal(0.1, 1.0, 12)
    found = paired(a, b)
    p, low, high = weightstats.ttost_paired(b, a, -0.8, 1.1)
    ours = equivalence(found.difference, found.u, found.dof, -0.8, 1.1)
    assert (ours.p_value, ours.p_low, ours.p_high) == pytest.approx((p, low[1], high[1]), rel=1e-9)


@pytest.mark.parametrize("dof", [1.0, 2.0, 5.0, 8.5, 30.0])
def test_power_is_that_of_the_noncentral_t(dof: float) -> None:
    for shift in (0.5, 2.0, 5.0):
        for alpha in (0.05, 0.05 / 9):
            critical = stats.t.ppf(1.0 - alpha / 2.0, dof)
            theirs = stats.nct.sf(critical, dof, shift) + stats.nct.cdf(-critical, dof, shift)
            assert power_of(shift, 1.0, dof, alpha) == pytest.approx(theirs, abs=2e-5)
    least = smallest_shown(0.3, dof)
    assert power_of(least, 0.3, dof) == pytest.approx(0.8, abs=1e-5)


# --------------------------------------------------------------------------------------------- blocks
def test_days_and_straight_drift_drop_out_exactly() -> None:
    order = order_of("ABBABAAB", "00001111")
    # exact: day effect 3 and -2, drift 0.7 and -0.4 an hour, side effect 0.25, no noise
    y = np.where(order.block == 0, 3.0 + 0.7 * order.time_h, -2.0 - 0.4 * order.time_h) + 0.25 * order.is_b
    found = within_blocks(y[:, None], order, slopes=True)
    assert found.difference[0] == pytest.approx(0.25, abs=1e-12)
    assert found.dof == 8 - 2 - 2 - 1
    assert found.sd[0] == pytest.approx(0.0, abs=1e-9)


def test_pairs_in_blocks_are_the_paired_test() -> None:
    y = np.random.default_rng(14).normal(0.0, 1.0, 10)
    order = order_of("AB" * 5, "0011223344")
    theirs = paired(y[::2], y[1::2])
    for found in (within_blocks(y[:, None], order), block_by_block(y[:, None], order)):
        assert (found.difference[0], found.u[0], found.dof) == pytest.approx((theirs.difference, theirs.u, theirs.dof))
        assert found.p_value[0] == pytest.approx(theirs.p_value)


def test_blocks_of_one_side_are_the_units() -> None:
    y = np.random.default_rng(15).normal(0.0, 1.0, 12)
    order = order_of("AABBAABBAABB", "001122334455")
    means = y.reshape(6, 2).mean(axis=1)
    found = difference_of_sides(y[:, None], order)
    theirs = two_samples(means[::2], means[1::2], equal_variance=True)
    assert found.method == "between blocks"
    assert (found.difference[0], found.u[0], found.dof) == pytest.approx((theirs.difference, theirs.u, theirs.dof))


def test_random_blocks_agree_with_statsmodels() -> None:
    pandas = pytest.importorskip("pandas")
    mixed = pytest.importorskip("statsmodels.regression.mixed_linear_model")
    rng = np.random.default_rng(16)
    order = order_of("ABBAABABBAAABB", "00001112233334")
    y = rng.normal(0.0, 1.0, 5)[order.block] + 0.5 * order.is_b + rng.normal(0.0, 0.4, 14)
    ours = random_blocks(y, order)
    frame = pandas.DataFrame({"y": y, "b": order.is_b.astype(float), "day": order.block})
    theirs = mixed.MixedLM.from_formula("y ~ b", frame, groups="day").fit(reml=True)
    assert ours.difference == pytest.approx(theirs.params["b"], rel=1e-3)
    assert ours.u == pytest.approx(theirs.bse["b"], rel=1e-2)
    assert ours.sd_run == pytest.approx(math.sqrt(theirs.scale), rel=1e-2)
    assert ours.sd_block == pytest.approx(math.sqrt(float(theirs.cov_re.iloc[0, 0])), rel=2e-2)
    assert 7.0 < ours.dof < 12.0  # 14 runs less 5 days less the side would be 8


def test_random_blocks_of_a_balanced_design_are_the_exact_test() -> None:
    rng = np.random.default_rng(17)
    order = order_of("ABBA" * 4, "0000111122223333")
    y = 2.0 * rng.normal(0.0, 1.0, 4)[order.block] + rng.normal(0.0, 0.3, 16)
    exact, reml = within_blocks(y[:, None], order), random_blocks(y, order)
    assert reml.difference == pytest.approx(exact.difference[0], rel=1e-6)
    assert reml.u == pytest.approx(exact.u[0], rel=1e-4)
    assert reml.dof == pytest.approx(exact.dof, rel=1e-2)


def test_a_side_that_goes_with_the_days_is_refused() -> None:
    with pytest.raises(UsageError, match="cannot be told from that of the days"):
        within_blocks(np.zeros((4, 1)), order_of("AABB", "0011"))


def test_exchanged_labels_count_all_arrangements() -> None:
    order = order_of("ABBABAAB", "00001111")
    y = np.where(order.is_b, 1.0, 0.0) + np.array([0.01, -0.02, 0.03, 0.0, -0.01, 0.02, 0.0, -0.03])
    found = rearranged(y[:, None], order)
    assert found is not None
    # exact: 6 x 6 arrangements; the true one and its mirror give the largest t
    assert (found.arrangements, found.is_exact) == (36, True)
    assert found.p_value[0] == pytest.approx(2.0 / 36.0)
    assert rearranged(y[:, None], order_of("AABBAABB", "00112233")) is None


def test_difference_that_changes_from_day_to_day_is_seen() -> None:
    order = order_of("ABBA" * 3, "000011112222")
    noise = 0.01 * np.random.default_rng(18).normal(0.0, 1.0, 12)
    assert interaction(noise + 0.3 * order.is_b, order) > 0.01
    assert interaction(noise + np.array([0.3, -0.3, 0.0])[order.block] * order.is_b, order) < 1e-6
    assert math.isnan(interaction(noise[:4], order_of("ABAB", "0011")))


# ------------------------------------------------------------------------------------------- verdicts, charts
def test_verdicts_say_the_five_words() -> None:
    found = verdicts([-0.5, 0.5, 0.01, 0.05, 0.4], [0.05, 0.05, 0.02, 0.3, math.nan], 8.0, margin=0.2)
    assert [v.word for v in found] == [Word.BETTER, Word.WORSE, Word.EQUIVALENT, Word.NOT_SHOWN, Word.NOT_SHOWN]
    assert found[0].text.startswith("better by 0.50 % (95 % interval −0.62 … −0.38 %)")
    assert found[2].text.startswith("equivalent within 0.2 %")
    assert "would have been" in found[3].text
    assert "no repeated runs" in found[4].text
    assert verdicts([-0.5], [0.05], 8.0, lower_is_better=False)[0].word is Word.WORSE
    refused = verdicts([-0.5], [0.05], 8.0, refused=["motor"])[0]
    assert (refused.word, refused.text) == (Word.REFUSED, "refused: motor differs between the sides")


def test_verdicts_refuse_unclear_questions() -> None:
    with pytest.raises(UsageError, match="margin of equivalence is above zero"):
        verdicts([0.0], [1.0], 5.0, margin=-0.1)
    with pytest.raises(UsageError, match=r"no such rule.*Did you mean 'holm'"):
        verdicts([0.0], [1.0], 5.0, rule="hol")


def test_a_margin_of_equivalence_is_not_a_difference_hidden() -> None:
    small = verdicts([-0.05], [0.01], 20.0, margin=0.2)[0]
    assert small.word is Word.BETTER
    assert "yet less than 0.2 %" in small.text


def test_control_chart_marks_jumps_and_shifts() -> None:
    values = [0.1, -0.1, 0.1, -0.1, 0.1, -0.1, *[0.2] * 8, 3.0]
    chart = control_chart(values, base=6)
    assert chart.outside == (14,)
    assert 14 in chart.jumps
    assert 13 in chart.shifts
    with pytest.raises(UsageError, match="three values or more"):
        control_chart([1.0, math.nan, 2.0])


@pytest.mark.parametrize(
    ("k1", "n1", "k2", "n2"), [(3, 20, 9, 18), (0, 5, 5, 5), (7, 7, 40, 41), (0, 9, 0, 4), (50, 400, 80, 300)]
)
def test_equal_shares_as_scipy(k1: int, n1: int, k2: int, n2: int) -> None:
    expected = stats.fisher_exact(np.array([[k1, n1 - k1], [k2, n2 - k2]])).pvalue
    assert equal_shares(k1, n1, k2, n2) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("k1", "t1", "k2", "t2"), [(3, 10.0, 9, 12.0), (0, 1.0, 4, 7.5), (5, 2.0, 0, 2.0), (60, 9.0, 40, 8.0)]
)
def test_equal_rates_as_scipy(k1: int, t1: float, k2: int, t2: float) -> None:
    expected = stats.binomtest(k1, k1 + k2, t1 / (t1 + t2))
    assert equal_rates(k1, t1, k2, t2) == pytest.approx(expected.pvalue, rel=1e-9)
    low, high = ratio_of_rates(k1, t1, k2, t2)
    shares = stats.binomtest(k2, k1 + k2, 0.5).proportion_ci(method="exact")
    assert low == pytest.approx(shares.low / (1.0 - shares.low) * t1 / t2, rel=1e-6)
    assert high == (math.inf if k1 == 0 else pytest.approx(shares.high / (1.0 - shares.high) * t1 / t2, rel=1e-6))


def test_no_counts_say_nothing_and_wrong_ones_are_refused() -> None:
    assert equal_rates(0, 1.0, 0, 3.0) == 1.0
    assert ratio_of_rates(0, 1.0, 0, 3.0) == (0.0, math.inf)
    with pytest.raises(UsageError, match="not a count out of a count"):
        equal_shares(3, 2, 0, 1)
    with pytest.raises(UsageError, match="not a count in a time"):
        equal_rates(1, 0.0, 1, 1.0)
