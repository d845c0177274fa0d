"""``[limits.NAME]`` and ``[limit_set]`` as TOML writes them: one section class for the kinds that need the same keys.

Every key that decides when a limit acts must be written; there are no defaults here.
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Discriminator, Field, Tag

from benchkit.model.limits import CurveName, Direction, Reset, Severity
from benchkit.profiles.base import Finite, Measure, Section

SeverityField = Annotated[Severity, Field(strict=False)]
DirectionField = Annotated[Direction, Field(strict=False)]
CurveField = Annotated[CurveName, Field(strict=False)]
ResetField = Annotated[Reset, Field(strict=False)]


class LimitSetSection(Section):
    """``[limit_set]``. ``starting_time`` is needed where a set point depends on the phase of operation."""

    name: str
    revision: str
    starting_time: Measure | None = None


# -- set points


def _off(value: Any) -> Any:
    return None if value == "off" else value


PhaseValue = Annotated[Finite | None, BeforeValidator(_off)]
"""A number, or the word ``off``."""


class FixedPoint(Measure):
    """``{ value = 140.0, unit = "°C" }``."""

    FORM: ClassVar[str] = "fixed"


class PhasePoint(Section):
    """``{ at_rest = "off", starting = 150.0, running = 120.0, stopping = 150.0, unit = "A" }``."""

    FORM: ClassVar[str] = "by phase"
    at_rest: PhaseValue
    starting: PhaseValue
    running: PhaseValue
    stopping: PhaseValue
    unit: str


class LinePoint(Section):
    """``{ along = "coolant_temp", along_unit = "°C", points = [[20.0, 160.0], [80.0, 90.0]], unit = "A" }``."""

    FORM: ClassVar[str] = "along a line"
    along: str
    along_unit: str
    points: Annotated[
        list[Annotated[list[Finite], Field(min_length=2, max_length=2)]], Field(min_length=2, max_length=100)
    ]
    unit: str


def _form(value: Any) -> str:
    """Which of the three forms is meant: by the keys that only one of them has."""
    if isinstance(value, Section):
        return str(getattr(value, "FORM", FixedPoint.FORM))
    keys = set(value) if isinstance(value, dict) else set()
    if keys & {"along", "along_unit", "points"}:
        return LinePoint.FORM
    return PhasePoint.FORM if keys & {"at_rest", "starting", "running", "stopping"} else FixedPoint.FORM


MovablePoint = Annotated[
    Annotated[FixedPoint, Tag("fixed")]
    | Annotated[PhasePoint, Tag("by phase")]
    | Annotated[LinePoint, Tag("along a line")],
    Discriminator(_form),
]


# -- kinds


class _LimitSection(Section):
    """What every kind has."""

    channel: str
    severity: SeverityField
    on_delay: Measure
    off_delay: Measure
    deadband: Measure
    latching: bool
    action: str = ""


class SideSection(_LimitSection):
    """``above``, ``below``."""

    kind: Literal["above", "below"]
    set_point: MovablePoint


class StaleSection(_LimitSection):
    """``stale``: the set point is a time."""

    kind: Literal["stale"]
    set_point: Measure


class BandSection(_LimitSection):
    """``outside``, ``inside``."""

    kind: Literal["outside", "inside"]
    low: MovablePoint
    high: MovablePoint


class RateSection(_LimitSection):
    """``rate``: the unit of the set point is that of the change; it counts per second."""

    kind: Literal["rate"]
    set_point: MovablePoint
    window: Measure
    direction: DirectionField


class FrozenSection(_LimitSection):
    """``frozen``."""

    kind: Literal["frozen"]
    set_point: Measure
    window: Measure
    partner: str
    partner_change: Measure


class DeviationSection(_LimitSection):
    """``deviation``."""

    kind: Literal["deviation"]
    set_point: MovablePoint
    partner: str


class SpreadSection(_LimitSection):
    """``spread``."""

    kind: Literal["spread"]
    set_point: MovablePoint
    partners: Annotated[list[str], Field(min_length=1, max_length=50)]


class InverseTimeSection(_LimitSection):
    """``inverse_time``: the set point is the start value."""

    kind: Literal["inverse_time"]
    set_point: Measure
    curve: CurveField
    time_multiplier: Finite
    reset: ResetField
    reset_time: Measure


def _cold(value: Any) -> Any:
    return 0.0 if value == "cold" else value


InitialShare = Annotated[Finite, BeforeValidator(_cold)]
"""The word ``cold``, or the used share as a number."""


class ThermalReplicaSection(_LimitSection):
    """``thermal_replica``: the set point is the basic current."""

    kind: Literal["thermal_replica"]
    set_point: Measure
    k: Finite
    heating_time_constant: Measure
    cooling_time_constant: Measure
    initial_share: InitialShare


class SquareIntegralSection(_LimitSection):
    """``i2t``."""

    kind: Literal["i2t"]
    set_point: Measure
    continuous: Measure
    initial_share: InitialShare


class EnergySection(_LimitSection):
    """``energy_in_time``."""

    kind: Literal["energy_in_time"]
    set_point: Measure
    window: Measure


AnyLimitSection = (
    SideSection
    | StaleSection
    | BandSection
    | RateSection
    | FrozenSection
    | DeviationSection
    | SpreadSection
    | InverseTimeSection
    | ThermalReplicaSection
    | SquareIntegralSection
    | EnergySection
)
LimitSection = Annotated[AnyLimitSection, Field(discriminator="kind")]
