"""Counting intervals that hold the truth; bounds against scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import binomtest

from benchkit.analysis.coverage import clopper_pearson, coverage
from benchkit.errors import UsageError
from benchkit.model.results import Estimate


@pytest.mark.parametrize(("inside", "count"), [(0, 10), (10, 10), (7, 10), (380, 400), (1, 3)])
def test_bounds_are_those_of_scipy(inside, count):
    theirs = binomtest(inside, count).proportion_ci(0.95, "exact")
    assert clopper_pearson(inside, count) == pytest.approx((theirs.low, theirs.high), rel=1e-9)


def test_honest_and_dishonest_estimates():
    rng = np.random.default_rng(0)
    truths = rng.uniform(10, 20, 400)
    seen = truths + rng.standard_normal(400)
    honest = coverage([Estimate(float(v), 1.0, "W") for v in seen], truths.tolist())
    assert honest.agrees
    assert 0.92 < honest.fraction < 0.98
    assert not coverage([Estimate(float(v), 0.5, "W") for v in seen], truths.tolist()).agrees
    assert not coverage([Estimate(float(v), 3.0, "W") for v in seen], truths.tolist()).agrees


def test_what_was_not_measured_is_not_counted():
    found = coverage(
        [Estimate(math.nan, 1.0, "W"), Estimate(1.0, math.nan, "W"), Estimate(1.0, 1.0, "W")], [1, 1, math.nan]
    )
    assert (found.count, found.inside) == (0, 0)
    assert math.isnan(found.fraction)
    assert clopper_pearson(0, 0) == (0.0, 1.0)


def test_refusals():
    with pytest.raises(UsageError, match="one truth for each estimate"):
        coverage([], [1.0])
    with pytest.raises(UsageError, match="between 0 and the count"):
        clopper_pearson(3, 2)
