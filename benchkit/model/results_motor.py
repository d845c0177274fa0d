"""What a run says of the motor itself: constants, drag over speed, inertia."""

from __future__ import annotations

from dataclasses import dataclass

from benchkit.model.results import Estimate, OperatingPoint


@dataclass(frozen=True, slots=True)
class Constant:
    """One constant of the motor, with how it was found in words."""

    name: str
    estimate: Estimate
    how: str


@dataclass(frozen=True, slots=True)
class DragPart:
    """One term of the drag: torque ``coefficient · w^power``, w in rad/s."""

    name: str
    power: int
    coefficient: Estimate
    is_identified: bool
    """False where the data do not tell it from zero or from the other terms."""


@dataclass(frozen=True, slots=True)
class DragPoint:
    """Drag torque of one idling point, and what the fit says there (with the u of the fit)."""

    point: OperatingPoint
    speed_rpm: Estimate
    drag_nm: Estimate
    fitted_nm: Estimate
    is_driven: bool
    """True: gates off, driven by the load; False: it idles by its own current."""


@dataclass(frozen=True, slots=True)
class MotorConstants:
    """Of one stream; empty tuples where the run has no such data."""

    stream: str
    constants: tuple[Constant, ...]
    drag_parts: tuple[DragPart, ...] = ()
    drag_points: tuple[DragPoint, ...] = ()
    notes: tuple[str, ...] = ()
    """What was assumed, and what could not be said and why."""
