"""Margins: exact straight lines, and what is not one."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.model.limits import Limit, LimitKind, Severity
from benchkit.model.stand import Channel
from benchkit.protect.margins import margins, time_to_limit
from benchkit.units import Quantity

CHANNEL = Channel("q", "q", Quantity.FLOW, "s", "q", 0.0, 20.0)
HIGH = Limit("high", "q", LimitKind.ABOVE, Severity.TRIP, 16.0)
LOW = Limit("low", "q", LimitKind.BELOW, Severity.TRIP, 4.0)
HIGH_CAUTION = Limit("rather_high", "q", LimitKind.ABOVE, Severity.CAUTION, 12.0)
LOW_CAUTION = Limit("rather_low", "q", LimitKind.BELOW, Severity.CAUTION, 8.0)
STALE = Limit("lost", "q", LimitKind.STALE, Severity.TRIP, 1.0)
TIMES = np.arange(11) / 10.0


def one(value, *limits):
    (margin,) = margins(limits, {"q": CHANNEL}, {"q": (np.array([0.0]), np.array([value]))})
    return margin


@pytest.mark.parametrize(
    ("limit", "slope", "expected"),
    [
        (HIGH, 2.0, 2.0),  # at 12 after 1 s: 4 left at 2 per s
        (LOW, -2.0, 2.0),  # at 8: 4 left
        (HIGH, -2.0, math.nan),
        (LOW, 2.0, math.nan),
        (HIGH, 0.0, math.nan),
    ],
)
def test_straight_line(limit, slope, expected):
    assert time_to_limit(limit, TIMES, 10.0 + slope * TIMES) == pytest.approx(expected, abs=1e-9, nan_ok=True)


def test_beyond_the_limit_no_time_is_left():
    assert time_to_limit(HIGH, TIMES, np.full(11, 16.5)) == 0.0
    assert time_to_limit(LOW, TIMES, np.full(11, 3.5)) == 0.0


def test_gaps_are_left_out_and_the_time_counts_from_the_last_row():
    values = 10.0 + 2.0 * TIMES
    values[[3, 10]] = np.nan
    assert time_to_limit(HIGH, TIMES, values) == pytest.approx(2.0, abs=1e-9)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_too_few_values_give_no_line(count):
    assert math.isnan(time_to_limit(HIGH, TIMES[:count], 10.0 + TIMES[:count]))


def test_noise_is_no_approach():
    """Two standard errors of the slope, in the older and in the newer half of the time: chance passes that rarely."""
    rng = np.random.default_rng(5)
    times = np.arange(100) / 10.0
    hits = sum(not math.isnan(time_to_limit(HIGH, times, 10.0 + rng.normal(size=100))) for _ in range(2000))
    # binomial, n 2000, p 0.0256 squared (Student t with 48 degrees of freedom): mean 1.3, standard deviation 1.1
    assert hits < 6


@pytest.mark.parametrize(
    ("value", "limits", "limit", "fraction", "caution", "caution_fraction"),
    [
        (8.0, (HIGH,), "high", 0.5, math.nan, math.nan),  # from 0 to 16
        (8.0, (LOW,), "low", 0.75, math.nan, math.nan),  # from 20 down to 4: 12 of 16
        (20.0, (HIGH,), "high", 1.25, math.nan, math.nan),  # not clamped
        (6.0, (HIGH, LOW), "low", 0.875, math.nan, math.nan),  # the nearest of both
        (14.0, (HIGH, LOW), "high", 0.875, math.nan, math.nan),
        (8.0, (HIGH, HIGH_CAUTION, LOW_CAUTION), "high", 0.5, 12.0, 0.75),
        (8.0, (LOW, HIGH_CAUTION, LOW_CAUTION), "low", 0.75, 8.0, 0.75),
        (9.0, (HIGH_CAUTION, STALE), "rather_high", 0.75, 12.0, 1.0),  # no trip limit: the caution stands for it
    ],
)
def test_bar(value, limits, limit, fraction, caution, caution_fraction):
    found = one(value, *limits)
    assert (found.limit, found.value, found.fraction) == (limit, value, fraction)
    assert (found.caution, found.caution_fraction) == pytest.approx((caution, caution_fraction), nan_ok=True)


def test_not_measured_has_no_margin():
    found = one(math.nan, HIGH, LOW)
    assert math.isnan(found.fraction)
    assert math.isnan(found.time_to_limit_s)
    (absent,) = margins((HIGH,), {"q": CHANNEL}, {})
    assert math.isnan(absent.value)


def test_channels_without_a_limit_have_no_bar():
    assert margins((STALE,), {"q": CHANNEL}, {}) == ()
