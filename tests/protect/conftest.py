"""A small invented stand: one rack with two temperatures and a speed, and a second source on its own link."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from benchkit.model.limits import Limit, LimitKind, LimitSet, Severity
from benchkit.model.sources import SerialTextSource, TextFormat
from benchkit.model.stand import Channel, Inverter, Motor, Stand, Steadiness
from benchkit.model.stops import StopAction, StopStep
from benchkit.units import Quantity

HOT = Limit(
    "hot", "winding_temp", LimitKind.ABOVE, Severity.TRIP, 140.0, deadband=5.0, latching=True, action="ramp_down"
)
WARM = Limit("warm", "winding_temp", LimitKind.ABOVE, Severity.CAUTION, 120.0, deadband=5.0, latching=False)
FAST = Limit("fast", "shaft_speed", LimitKind.ABOVE, Severity.TRIP, 4300.0, deadband=50.0, action="zero_torque")
SLOW_OIL = Limit("low_flow", "oil_flow", LimitKind.BELOW, Severity.TRIP, 4.0, deadband=0.5, action="ramp_down")


def _source(name: str) -> SerialTextSource:
    return SerialTextSource(name, "loop://", 115200, TextFormat(("a",)), stale_after_s=0.25)


def _channel(name: str, quantity: Quantity, source: str, high: float) -> Channel:
    return Channel(name, name, quantity, source, name, 0.0, high)


STAND = Stand(
    name="reedbed",
    title="invented",
    simulated=True,
    sources={"rack": _source("rack")},
    channels={
        "winding_temp": _channel("winding_temp", Quantity.TEMPERATURE, "rack", 200.0),
        "shaft_speed": _channel("shaft_speed", Quantity.SPEED, "rack", 5000.0),
    },
    roles={},
    limit_set=LimitSet("reedbed", "1", (HOT, WARM, FAST)),
    stop_actions={
        "ramp_down": StopAction("ramp_down", (StopStep("rack", "stop ramp", "ok stop ramp", 0.5, 1),)),
        "zero_torque": StopAction("zero_torque", (StopStep("rack", "stop torque", "ok stop torque", 0.5, 1),)),
    },
    orderly_stop="ramp_down",
    inverter=Inverter("I", "1", "00", 100.0, 450.0, 16000.0),
    motor=Motor("M", 10, 100.0, 100.0, 4000.0, 140.0, 110.0),
    steadiness=Steadiness(("shaft_speed",), 10.0, 10.0, 1.0),
)


@pytest.fixture
def stand() -> Stand:
    """One source."""
    return STAND


@pytest.fixture
def two_links() -> Stand:
    """The same stand with the oil flow on a second link."""
    return replace(
        STAND,
        sources={**STAND.sources, "pump": _source("pump")},
        channels={**STAND.channels, "oil_flow": _channel("oil_flow", Quantity.FLOW, "pump", 20.0)},
        limit_set=replace(STAND.limit_set, limits=(HOT, WARM, FAST, SLOW_OIL)),
    )


@pytest.fixture
def with_limits(stand: Stand) -> Callable[..., Stand]:
    """The one-source stand with other limits."""
    return lambda *limits: replace(stand, limit_set=replace(stand.limit_set, limits=limits))
