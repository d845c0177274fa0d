"""IEC 60255-151 operate times, time multiplier 1, as a relay manual's table prints them (second-hand)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.model.limits import CURVES, CurveName, InverseTime, Limit, LimitKind, Reset, Severity
from benchkit.protect.limits import LimitEngine
from benchkit.protect.predict import operate_time

TABLE = [("A", 2.0, "10.029"), ("A", 10.0, "2.971"), ("B", 10.0, "1.500"), ("C", 10.0, "0.808")]


def limit(curve: str, reset: Reset = Reset.DEFINITE, reset_s: float = 0.0) -> Limit:
    detail = InverseTime(CurveName(curve), 1.0, reset, reset_s)
    return Limit("x", "i", LimitKind.INVERSE_TIME, Severity.TRIP, 50.0, detail=detail)


@pytest.mark.parametrize(("curve", "multiple", "printed"), TABLE)
def test_operate_time(published, curve, multiple, printed):
    detail = limit(curve).detail
    published(f"{curve} at {multiple}", operate_time(50.0, detail, 50.0 * multiple), printed)


@pytest.mark.parametrize(("curve", "multiple", "printed"), TABLE)
def test_the_engine_trips_then_and_not_before(curve, multiple, printed):
    half = 0.0005  # half the last printed digit
    times = np.array([0, round((float(printed) - half) * 1e9), round((float(printed) + half) * 1e9)])
    engine = LimitEngine([limit(curve)], {"s": ("i",)}, {"s": 60.0}, 0)
    found = engine.feed("s", times, np.full((3, 1), 50.0 * multiple))
    assert [(c.time_ns, c.acts) for c in found] == [(times[2], True)]


def test_curves_d_to_f_at_two_points():
    """exact: at G = 2 the fraction is k / (4 - 1) for alpha 2, and for D k / (2**0.02 - 1)."""
    assert operate_time(1.0, limit("E").detail, 2.0) == pytest.approx(19.61 / 3.0 + 0.491, rel=1e-14)
    assert operate_time(1.0, limit("F").detail, 2.0) == pytest.approx(28.2 / 3.0 + 0.1217, rel=1e-14)
    assert operate_time(1.0, limit("D").detail, 2.0) == pytest.approx(0.0515 / (2.0**0.02 - 1.0) + 0.114, rel=1e-14)
    assert set(CURVES) == set(CurveName)


def test_outside_its_range():
    assert math.isnan(operate_time(50.0, limit("A").detail, 50.0))
    # beyond G_D = 20 (from memory) the time stays
    assert operate_time(1.0, limit("C").detail, 40.0) == operate_time(1.0, limit("C").detail, 20.0)


def test_dependent_reset_takes_its_time():
    """exact: half used, then no current: falls by 1 in TMS t_r = 8 s, so it is gone after 4 s."""
    engine = LimitEngine([limit("B", Reset.DEPENDENT, 8.0)], {"s": ("i",)}, {"s": 60.0}, 0)
    # at 2 x: t = 13.5 s; half of it, then 0 for 2 s: a quarter is left
    rows = [(0.0, 100.0), (6.75, 0.0), (8.75, 0.0)]
    engine.feed("s", np.array([round(t * 1e9) for t, _ in rows]), np.array([[i] for _, i in rows]))
    assert engine.watched["x"] == pytest.approx(0.25, rel=1e-12)
    engine.feed("s", np.array([10_750_000_000]), np.array([[0.0]]))
    assert engine.watched["x"] == 0.0
