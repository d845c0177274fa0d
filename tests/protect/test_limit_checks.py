"""What is refused of the further kinds of limit, each with what to do; a sound limit of each kind is not."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from benchkit.model.limits import (
    Against,
    ByPhase,
    CurveName,
    DeratingLine,
    Direction,
    InverseTime,
    Limit,
    LimitKind,
    LimitSet,
    RateWindow,
    Reset,
    Severity,
    SquareIntegral,
    SumWindow,
    ThermalReplica,
    WhileMoving,
)
from benchkit.model.stand import Channel
from benchkit.protect.configuration import check_limits
from benchkit.units import Quantity

K = LimitKind


@pytest.fixture
def told(stand):
    """Faults of limits on a stand with two currents, a power and the channels of the fixture ``stand``."""
    more = [
        Channel("i_u", "i_u", Quantity.CURRENT, "rack", "i_u", 0.0, 300.0),
        Channel("i_v", "i_v", Quantity.CURRENT, "rack", "i_v", 0.0, 300.0),
        Channel("power", "power", Quantity.POWER, "rack", "power", 0.0, 60000.0),
    ]
    bench = replace(stand, channels={**stand.channels, **{c.name: c for c in more}})

    def check(*limits: Limit, starting_s: float = math.nan) -> list[str]:
        return [
            str(p)
            for p in check_limits(replace(bench, limit_set=LimitSet("x", "1", limits, starting_time_s=starting_s)))
        ]

    return check


def trip(kind: LimitKind, channel: str, point: float, **more) -> Limit:
    return Limit("x", channel, kind, Severity.TRIP, point, action="ramp_down", **more)


SOUND = {
    "outside": trip(K.OUTSIDE, "i_u", 200.0, low=20.0, deadband=5.0),
    "inside": trip(K.INSIDE, "shaft_speed", 2300.0, low=2000.0, deadband=20.0),
    "rate": trip(K.RATE, "i_u", 50.0, detail=RateWindow(0.5, Direction.RISE)),
    "frozen": trip(K.FROZEN, "i_u", 0.1, detail=WhileMoving(5.0, "shaft_speed", 100.0)),
    "deviation": trip(K.DEVIATION, "i_u", 20.0, detail=Against(("i_v",)), deadband=5.0),
    "spread": trip(K.SPREAD, "i_u", 20.0, detail=Against(("i_v",))),
    "inverse": trip(K.INVERSE_TIME, "i_u", 100.0, detail=InverseTime(CurveName.A, 0.1, Reset.DEPENDENT, 9.7)),
    "thermal": trip(K.THERMAL_REPLICA, "i_u", 90.0, detail=ThermalReplica(1.05, 600.0, 900.0, 0.0), deadband=0.1),
    "i2t": trip(K.I2T, "i_u", 5000.0, detail=SquareIntegral(100.0, 0.0)),
    "energy": trip(K.ENERGY_IN_TIME, "power", 1e6, detail=SumWindow(60.0)),
    "line": trip(K.ABOVE, "i_u", 50.0, course=DeratingLine("winding_temp", ((0.0, 200.0), (200.0, 50.0)))),
    "phases": trip(K.ABOVE, "i_u", 150.0, course=ByPhase(None, 250.0, 150.0, 200.0)),
}


def test_sound_limits_have_no_faults(told):
    assert told(*(replace(x, name=name) for name, x in SOUND.items()), starting_s=3.0) == []


@pytest.mark.parametrize(
    ("base", "change", "text"),
    [
        ("outside", {"low": 200.0}, "limits.x.low: the lower edge is not below the upper one (got 200.0; expected bel"),
        ("outside", {"low": math.nan}, "limits.x.low: not a number (got nan; expected a finite number)"),
        ("outside", {"low": -1.0}, "limits.x.low: outside the range of its channel (got -1.0; expected between 0 and"),
        ("outside", {"deadband": 91.0}, "limits.x.deadband: the limit could never clear (got 91.0; expected a return"),
        ("inside", {"deadband": 2701.0}, "limits.x.deadband: the limit could never clear (got 2701.0;"),
        ("rate", {"set_point": 0.0}, "limits.x.set_point: nothing to exceed (got 0.0; expected more than 0 A/s)"),
        (
            "rate",
            {"detail": RateWindow(0.03, Direction.RISE)},
            "limits.x.window: shorter than can be measured (got 0.03; expected 0.032 s or more: arrival times tell no "
            "less). Widen the window",
        ),
        ("rate", {"detail": RateWindow(301.0, Direction.RISE)}, "limits.x.window: longer than is kept (got 301.0;"),
        ("rate", {"deadband": 51.0}, "limits.x.deadband: the limit could never clear (got 51.0; expected not above 50"),
        ("frozen", {"set_point": 300.0}, "limits.x.set_point: wider than the range of its channel (got 300.0;"),
        (
            "frozen",
            {"detail": WhileMoving(5.0, "shaft_speed", 5000.0)},
            "limits.x.partner_change: not a change that its partner can make (got 5000.0; expected 0 or more, less",
        ),
        (
            "frozen",
            {"detail": WhileMoving(5.0, "shaft_sped", 100.0)},
            "limits.x.partner: unknown channel (got 'shaft_sped'; expected one of winding_temp, shaft_speed,",
        ),
        (
            "deviation",
            {"detail": Against(("shaft_speed",))},
            "limits.x.partner: shaft_speed measures speed (expected current, as i_u). Compare channels of one quantity",
        ),
        ("deviation", {"detail": Against(("i_u",))}, "limits.x.partner: the same channel twice (got 'i_u';"),
        ("spread", {"detail": Against(("i_v", "i_v"))}, "limits.x.partners: the same channel twice (got 'i_v';"),
        ("spread", {"deadband": 21.0}, "limits.x.deadband: the limit could never clear (got 21.0;"),
        (
            "inverse",
            {"detail": InverseTime(CurveName.A, 0.0, Reset.DEFINITE, 0.0)},
            "limits.x.time_multiplier: must be above zero (got 0.0; expected a finite number above 0)",
        ),
        (
            "inverse",
            {"detail": InverseTime(CurveName.A, 1.0, Reset.DEPENDENT, 0.0)},
            "limits.x.reset_time: must be above zero (got 0.0;",
        ),
        ("inverse", {"set_point": 300.0}, "limits.x.set_point: it could never act (got 300.0;"),
        ("thermal", {"set_point": 290.0}, "limits.x.set_point: it could never act (got 290.0;"),
        (
            "thermal",
            {"deadband": 1.1},
            "limits.x.deadband: the limit could never clear (got 1.1; expected not above 1)",
        ),
        (
            "thermal",
            {"detail": ThermalReplica(1.0, 1.0, 1.0, 1.0)},
            "limits.x.initial_share: not a share at the start (got 1.0; expected 'cold', or 0 to less than 1)",
        ),
        ("i2t", {"detail": SquareIntegral(-1.0, 0.0)}, "limits.x.continuous: not a size (got -1.0;"),
        ("energy", {"detail": SumWindow(0.0)}, "limits.x.window: shorter than can be measured (got 0.0;"),
        (
            "line",
            {"course": DeratingLine("winding_temp", ((20.0, 200.0), (200.0, 50.0)))},
            "limits.x.set_point.points: the line does not cover the range of winding_temp (got '20 to 200 °C'; "
            "expected from 0 to 200 °C). Add points: beyond its ends a line has no set point",
        ),
        (
            "line",
            {"course": DeratingLine("winding_temp", ((0.0, 200.0), (0.0, 100.0), (200.0, 50.0)))},
            "limits.x.set_point.points: the points do not rise (got [0.0, 0.0, 200.0];",
        ),
        (
            "line",
            {"course": DeratingLine("nowhere", ((0.0, 200.0), (200.0, 50.0)))},
            "limits.x.set_point.along: unknown channel (got 'nowhere';",
        ),
        (
            "phases",
            {"course": ByPhase(100.0, 100.0, None, 100.0)},
            "limits.x.set_point.running: a trip is off while running (got 'off'; expected a set point). Write a number",
        ),
        (
            "phases",
            {"course": ByPhase(None, 400.0, 150.0, None)},
            "limits.x.set_point: outside the range of its channel (got 400.0;",
        ),
    ],
)
def test_one_fault(told, base, change, text):
    (found,) = told(replace(SOUND[base], **change), starting_s=3.0)
    assert found.startswith(text)


def test_phases_need_a_starting_time_once(told):
    first = SOUND["phases"]
    found = told(first, replace(first, name="y"))
    assert found[0].startswith("limit_set.starting_time: missing, and 'x' has set points by phase")
    assert 'Add starting_time = { value = ..., unit = "s" } to [limit_set]' in found[0]


def caution(base: Limit, **change) -> Limit:
    return replace(base, name="early", severity=Severity.CAUTION, action="", **change)


@pytest.mark.parametrize(
    ("base", "change", "is_sound"),
    [
        ("outside", {"set_point": 190.0, "low": 30.0}, True),
        ("outside", {"set_point": 200.0, "low": 30.0}, False),
        ("outside", {"set_point": 190.0, "low": 20.0}, False),
        ("outside", {"kind": K.ABOVE, "set_point": 200.0, "low": math.nan}, False),  # its upper side
        ("outside", {"kind": K.ABOVE, "set_point": 199.0, "low": math.nan}, True),
        ("rate", {"set_point": 50.0}, False),
        ("rate", {"set_point": 50.0, "detail": RateWindow(0.5, Direction.FALL)}, True),  # guards something else
        ("frozen", {"set_point": 0.1}, False),
        ("frozen", {"set_point": 0.2}, True),  # a sensor that moves less and less
        ("thermal", {"set_point": 90.0}, False),
        ("thermal", {"set_point": 80.0}, True),
        ("phases", {"course": ByPhase(None, 240.0, 140.0, 190.0)}, True),
        ("phases", {"course": ByPhase(None, 240.0, 140.0, 200.0)}, False),
        ("phases", {"course": None, "set_point": 140.0}, True),
        ("phases", {"course": None, "set_point": 150.0}, False),
        ("line", {"course": DeratingLine("winding_temp", ((0.0, 190.0), (200.0, 40.0)))}, True),
        ("line", {"course": DeratingLine("winding_temp", ((0.0, 190.0), (200.0, 50.0)))}, False),
    ],
)
def test_a_caution_comes_before_its_trip(told, base, change, is_sound):
    found = told(SOUND[base], caution(SOUND[base], **change), starting_s=3.0)
    assert all("the caution does not come before its trip 'x'" in text for text in found)
    assert bool(found) is not is_sound
