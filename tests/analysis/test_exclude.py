"""Excluded points stay in the run, marked, and go into no map."""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.analysis.exclude import kept, mark_excluded
from benchkit.analysis.pipeline import analyse
from benchkit.analysis.power import power_balance
from benchkit.analysis.steady import operating_points
from benchkit.model.events import Event, EventKind

T = np.arange(0.0, 200.0, 0.1)
STEPS = (1500.0, 2000.0, 2500.0, 3000.0)


@pytest.fixture
def stream(stream_of):
    rng = np.random.default_rng(1)
    speed = np.array(STEPS)[np.minimum((T // 50.0).astype(int), 3)]
    torque = np.where(T % 50.0 < 25.0, 40.0, 80.0)
    shaft = speed * torque * 2.0 * np.pi / 60.0
    return stream_of(
        T,
        {
            "shaft_speed": speed + rng.standard_normal(T.size),
            "shaft_torque": torque + 0.1 * rng.standard_normal(T.size),
            "dc_voltage": 400.0 + 0.1 * rng.standard_normal(T.size),
            "dc_current": (shaft + 900.0) / 400.0 + 0.05 * rng.standard_normal(T.size),
            "ac_power": shaft + 500.0 + 5.0 * rng.standard_normal(T.size),
        },
    )


def excluded(start: float, end: float, **data: object) -> Event:
    told = {"from_s": start, "to_s": end, "reason": "hall gate open", "who": "test"} | data
    return Event(150.0, EventKind.EXCLUDED_POINT, "excluded", data=told)


def test_the_point_stays_with_reason_and_author(stand, stream):
    points = operating_points(stand, stream)
    assert len(points) == 8
    marked = mark_excluded(points, stream, [excluded(76.0, 99.0)])
    assert [p.is_excluded for p in marked] == [False, False, False, True, False, False, False, False]
    assert (marked[3].excluded_reason, marked[3].excluded_by) == ("hall gate open", "test")
    assert [p.means for p in marked] == [p.means for p in points]
    balances = [power_balance(stand, p) for p in marked]
    assert [b.point.index for b in kept(balances)] == [0, 1, 2, 4, 5, 6, 7]


def test_less_than_half_a_point_excludes_nothing(stand, stream):
    points = operating_points(stand, stream)
    assert not any(p.is_excluded for p in mark_excluded(points, stream, [excluded(76.0, 80.0)]))


@pytest.mark.parametrize("data", [{"reason": " "}, {"from_s": None}, {"to_s": float("nan")}, {"to_s": "99"}])
def test_an_event_that_does_not_say_enough_excludes_nothing(stand, stream, data):
    points = operating_points(stand, stream)
    assert not any(p.is_excluded for p in mark_excluded(points, stream, [excluded(76.0, 99.0, **data)]))


def test_maps_are_made_without_them(stand, stream):
    whole = analyse(stand, stream)
    without = analyse(stand, stream, [excluded(176.0, 200.0)])  # the point of most speed and torque
    assert len(without.points) == len(whole.points) == len(without.balances)
    corner = max(n for n, _ in without.maps[0].hull), max(t for _, t in without.maps[0].hull)
    assert corner == pytest.approx((3000.0, 80.0), abs=2.0)
    inside = [(n, t) for n, t in without.maps[0].hull if n > 2900.0 and t > 70.0]
    assert inside == []
    assert any(n > 2900.0 and t > 70.0 for n, t in whole.maps[0].hull)
