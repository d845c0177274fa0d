"""Predicted times against exact lines and exponentials, and against the engine itself."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.model.limits import (
    CurveName,
    InverseTime,
    Limit,
    LimitKind,
    Reset,
    Severity,
    SquareIntegral,
    SumWindow,
    ThermalReplica,
)
from benchkit.model.stand import Channel
from benchkit.protect.limits import LimitEngine
from benchkit.protect.margins import margins, time_to_limit
from benchkit.protect.predict import along_exponential
from benchkit.units import Quantity

TIMES = np.arange(101) / 10.0
HOT = Limit("hot", "t", LimitKind.ABOVE, Severity.TRIP, 80.0)


def rise(end: float, tau: float) -> np.ndarray:
    return end + (20.0 - end) * np.exp(-TIMES / tau)


def test_an_exponential_approach_is_followed_to_its_crossing():
    """exact: from 20 towards 100 with tau 8 s, 80 is reached at tau ln(80/20) = 11.0904 s; the window ends at 10 s."""
    exact = 8.0 * math.log(4.0) - 10.0
    assert time_to_limit(HOT, TIMES, rise(100.0, 8.0), thermal=True) == pytest.approx(exact, rel=2e-2)
    assert time_to_limit(HOT, TIMES, rise(100.0, 8.0)) < 0.9 * exact  # the line is too early


def test_an_approach_that_ends_below_the_limit_has_no_time():
    assert math.isnan(time_to_limit(HOT, TIMES, rise(75.0, 3.0), thermal=True))
    assert time_to_limit(HOT, TIMES, rise(75.0, 8.0)) > 0.0  # a line would have said one


def test_a_straight_line_stays_one():
    """exact: 60 to go at 3 per s from 20, of which 10 s are over."""
    noise = np.random.default_rng(4).normal(0.0, 0.05, TIMES.size)
    assert time_to_limit(HOT, TIMES, 20.0 + 3.0 * TIMES + noise, thermal=True) == pytest.approx(10.0, rel=0.03)


@pytest.mark.parametrize("at_s", [0.5, 3.0, 5.0, 7.0, 9.5])
def test_a_step_that_is_over_predicts_nothing(at_s: float):
    """A new set-point within the window: the whole of it rises, but nothing goes on rising."""
    noise = np.random.default_rng(5).normal(0.0, 0.05, TIMES.size)
    stepped = np.where(at_s > TIMES, 20.0, 60.0) + noise
    assert math.isnan(time_to_limit(HOT, TIMES, stepped))


def test_what_cannot_be_told_is_not():
    few = TIMES[:7]
    assert along_exponential(few, rise(100.0, 8.0)[:7], 80.0, 1.0) is None
    still = np.random.default_rng(6).normal(50.0, 0.1, TIMES.size)
    assert math.isnan(time_to_limit(HOT, TIMES, still, thermal=True))
    assert math.isnan(time_to_limit(HOT, TIMES, np.full(TIMES.size, math.nan), thermal=True))


INTEGRALS = [
    (LimitKind.THERMAL_REPLICA, 50.0, ThermalReplica(1.05, 300.0, 600.0, 0.2)),
    (LimitKind.INVERSE_TIME, 50.0, InverseTime(CurveName.C, 0.5, Reset.DEFINITE, 0.0)),
    (LimitKind.I2T, 40000.0, SquareIntegral(60.0, 0.1)),
    (LimitKind.ENERGY_IN_TIME, 5000.0, SumWindow(200.0)),
]


@pytest.mark.parametrize(("kind", "point", "detail"), INTEGRALS)
def test_the_engine_trips_when_it_was_predicted(kind, point, detail):
    limit = Limit("x", "i", kind, Severity.TRIP, point, detail=detail)
    channel = Channel("i", "i", Quantity.CURRENT, "s", "i", 0.0, 300.0)
    engine = LimitEngine([limit], {"s": ("i",)}, {"s": 1e4}, 0)
    assert engine.feed("s", np.array([0, 2_000_000_000]), np.array([[90.0], [90.0]])) == []
    recent = {"i": (np.array([0.0]), np.array([90.0]))}
    (bar,) = margins([limit], {"i": channel}, recent, engine.watched)
    assert 0.0 < bar.fraction < 1.0
    due = 2.0 + bar.time_to_limit_s
    times = np.round(np.array([due - 1e-3, due + 1e-3]) * 1e9).astype(np.int64)
    (change,) = engine.feed("s", times, np.full((2, 1), 90.0))
    assert change.time_ns == times[1]
    (bar,) = margins([limit], {"i": channel}, recent, engine.watched)
    assert bar.time_to_limit_s == 0.0
    assert bar.fraction > 1.0


@pytest.mark.parametrize(("kind", "point", "detail"), INTEGRALS)
def test_a_value_that_never_gets_there_has_no_time(kind, point, detail):
    limit = Limit("x", "i", kind, Severity.TRIP, point, detail=detail)
    channel = Channel("i", "i", Quantity.CURRENT, "s", "i", 0.0, 300.0)
    (bar,) = margins([limit], {"i": channel}, {"i": (np.array([0.0]), np.array([20.0]))}, {"x": 0.1})
    assert math.isnan(bar.time_to_limit_s)
    (bar,) = margins([limit], {"i": channel}, {"i": (np.array([0.0]), np.array([math.nan]))}, {"x": 0.1})
    assert math.isnan(bar.fraction)  # not measured now: an old integral says nothing


@pytest.mark.parametrize(
    ("kind", "value", "fraction", "edge"),
    [
        (LimitKind.OUTSIDE, 40.0, 1.0, 40.0),  # middle 30: 10 of 10
        (LimitKind.OUTSIDE, 25.0, 0.5, 20.0),
        (LimitKind.INSIDE, 10.0, 0.5, 20.0),  # from 0 up to 20
        (LimitKind.INSIDE, 70.0, 0.5, 40.0),  # from 100 down to 40
    ],
)
def test_bars_of_bands(kind, value, fraction, edge):
    limit = Limit("x", "i", kind, Severity.TRIP, 40.0, low=20.0)
    channel = Channel("i", "i", Quantity.SPEED, "s", "i", 0.0, 100.0)
    (bar,) = margins([limit], {"i": channel}, {"i": (np.array([0.0]), np.array([value]))})
    assert (bar.fraction, bar.set_point) == (fraction, edge)
