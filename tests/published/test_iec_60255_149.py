"""Operate times by the formula of IEC 60255-149 (k 1.05, tau 10 min), derived: cold, and hot after 0.9 I_B."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.model.limits import Limit, LimitKind, Severity, ThermalReplica
from benchkit.protect.limits import LimitEngine
from benchkit.protect.predict import replica_time

BASIC_A, K, TAU_S = 80.0, 1.05, 600.0
TABLE = [  # multiple of I_B, minutes cold, minutes hot
    (1.2, "14.508", "6.242"),
    (2.0, "3.224", "0.962"),
    (5.0, "0.451", "0.122"),
]
CASES = [(m, share, t) for m, cold, hot in TABLE for share, t in ((0.0, cold), ((0.9 / K) ** 2, hot))]


def replica(share: float) -> ThermalReplica:
    return ThermalReplica(K, TAU_S, 2.0 * TAU_S, share)


@pytest.mark.parametrize(("multiple", "share", "printed"), CASES)
def test_operate_time(published, multiple, share, printed):
    seconds = replica_time(BASIC_A, replica(share), share, multiple * BASIC_A)
    published(f"{multiple} I_B from {share:.3f}, min", seconds / 60.0, printed)


@pytest.mark.parametrize(("multiple", "share", "printed"), CASES)
def test_the_engine_trips_then_and_not_before(multiple, share, printed):
    half = 0.0005  # half the last printed digit
    limit = Limit("x", "i", LimitKind.THERMAL_REPLICA, Severity.TRIP, BASIC_A, detail=replica(share))
    engine = LimitEngine([limit], {"s": ("i",)}, {"s": 1e4}, 0)
    minutes = np.array([0.0, 0.3 * float(printed), float(printed) - half, float(printed) + half])
    times = np.round(minutes * 60e9).astype(np.int64)
    found = engine.feed("s", times, np.full((4, 1), multiple * BASIC_A))
    assert [(c.time_ns, c.acts) for c in found] == [(times[3], True)]


def test_a_current_that_may_flow_for_ever():
    assert math.isnan(replica_time(BASIC_A, replica(0.0), 0.5, K * BASIC_A))


def test_it_cools_with_its_own_time_constant():
    """exact: from 0.8 for one cooling time constant without current: 0.8 / e."""
    limit = Limit("x", "i", LimitKind.THERMAL_REPLICA, Severity.TRIP, BASIC_A, detail=replica(0.8))
    engine = LimitEngine([limit], {"s": ("i",)}, {"s": 1e4}, 0)
    engine.feed("s", np.array([0, round(2 * TAU_S * 1e9)]), np.zeros((2, 1)))
    assert engine.watched["x"] == pytest.approx(0.8 / math.e, rel=1e-12)
