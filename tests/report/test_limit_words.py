"""Every kind of limit in the words of the report, with the unit of its set point."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchkit.model.limits import (
    Against,
    ByPhase,
    DeratingLine,
    Direction,
    Limit,
    LimitKind,
    RateWindow,
    Severity,
    SumWindow,
    WhileMoving,
    deadband_unit,
    set_point_unit,
)
from benchkit.report.sections_protection import condition

BASE = Limit("x", "a", LimitKind.ABOVE, Severity.TRIP, 5.0, low=2.0)


@pytest.mark.parametrize("kind", LimitKind)
def test_no_kind_is_without_words(kind: LimitKind) -> None:
    assert condition(replace(BASE, kind=kind))


def test_some_in_full() -> None:
    rate = replace(BASE, kind=LimitKind.RATE, detail=RateWindow(1.0, Direction.FALL))
    assert condition(rate) == "falling by more than"
    frozen = replace(BASE, kind=LimitKind.FROZEN, detail=WhileMoving(5.0, "b", 1.0))
    assert condition(frozen) == "moving less than, within 5 s, while b moves"
    assert condition(replace(BASE, kind=LimitKind.SPREAD, detail=Against(("b", "c")))) == "with b, c further apart than"
    assert condition(replace(BASE, kind=LimitKind.OUTSIDE)) == "above, or below the lower edge 2"
    line = DeratingLine("t", ((0.0, 1.0), (1.0, 0.0)))
    assert condition(replace(BASE, course=line)) == "above (moves along a line over t)"
    assert condition(replace(BASE, course=ByPhase(1.0, 1.0, 1.0, 1.0))) == "above (moves by phase of operation)"


@pytest.mark.parametrize(
    ("kind", "unit", "of_set_point", "of_deadband"),
    [
        (LimitKind.ABOVE, "°C", "°C", "K"),
        (LimitKind.RATE, "°C", "K/s", "K/s"),
        (LimitKind.DEVIATION, "°C", "K", "K"),
        (LimitKind.STALE, "°C", "s", "s"),
        (LimitKind.THERMAL_REPLICA, "A", "A", "1"),
        (LimitKind.I2T, "A", "A²·s", "A²·s"),
        (LimitKind.ENERGY_IN_TIME, "W", "J", "J"),
    ],
)
def test_units(kind: LimitKind, unit: str, of_set_point: str, of_deadband: str) -> None:
    limit = replace(BASE, kind=kind, detail=SumWindow(1.0))
    assert (set_point_unit(limit, unit), deadband_unit(limit, unit)) == (of_set_point, of_deadband)
