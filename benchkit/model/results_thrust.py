"""What the tests of static thrust say: zeros before and after, air that comes back, up against down, outliers."""

from __future__ import annotations

from dataclasses import dataclass

from benchkit.model.results import Estimate, OperatingPoint


@dataclass(frozen=True, slots=True)
class ZeroCheck:
    """Zero of one channel at the first rest and at the last, the shaft turning between them."""

    channel: str
    unit: str
    before: Estimate
    after: Estimate
    drift: Estimate
    has_moved: bool


@dataclass(frozen=True, slots=True)
class ZeroedPoint:
    """Thrust and torque of one point less the zero drawn straight between two rests; None: its zero was not seen."""

    point: OperatingPoint
    thrust_n: Estimate | None
    torque_nm: Estimate | None


@dataclass(frozen=True, slots=True)
class Recirculating:
    """Thrust over n² at the end of one point against its start."""

    point: OperatingPoint
    change: Estimate
    """Relative (1), negative: it fell."""
    falls: bool


@dataclass(frozen=True, slots=True)
class UpAndDown:
    """CT on the way down less CT on the way up, over the speeds they share."""

    speeds: int
    difference: Estimate
    p_value: float
    is_significant: bool


@dataclass(frozen=True, slots=True)
class OutlierCheck:
    """The point farthest from the straight line of a coefficient over speed (Grubbs' test)."""

    coefficient: str
    point: OperatingPoint
    points: int
    distance: float
    """In standard deviations."""
    critical: float
    is_outlier: bool


@dataclass(frozen=True, slots=True)
class ThrustTests:
    """Of one stream; a part that could not be tested is empty."""

    zeros: tuple[ZeroCheck, ...]
    zeroed: tuple[ZeroedPoint, ...]
    recirculation: tuple[Recirculating, ...]
    up_and_down: UpAndDown | None
    outliers: tuple[OutlierCheck, ...]


@dataclass(frozen=True, slots=True)
class PropellerRow:
    """B less A of one coefficient at one speed of A."""

    coefficient: str
    speed_rpm: float
    a: Estimate
    b: Estimate
    difference: Estimate
    relative: float
    is_significant: bool
