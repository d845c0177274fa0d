"""What the analysis says of the loss measured as heat: a second way to an efficiency."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchkit.model.results import Estimate, OperatingPoint


@dataclass(frozen=True, slots=True)
class HeatLoss:
    """Drive loss of one operating point by two ways, and both together.

    ``electrical_w`` is DC power less shaft power. ``calorimetric_w`` is the heat that left: ``coolant_w`` with the
    coolant, ``air_w`` to the air by the stated conductances, ``stored_w`` what the warming parts took.
    ``air_by_difference_w`` is the electrical loss less coolant and storage: what the air must have taken.
    """

    point: OperatingPoint
    electrical_w: Estimate
    coolant_w: Estimate
    stored_w: Estimate
    air_w: Estimate
    air_by_difference_w: Estimate
    calorimetric_w: Estimate
    combined_w: Estimate
    calorimetric_weight: float
    """Weight of the calorimetric loss of this point in its combined loss (1)."""
    z: float
    """Electrical less calorimetric loss over the standard uncertainty of that difference."""
    electrical_efficiency: Estimate
    calorimetric_efficiency: Estimate
    """From DC power and heat alone: no torque in it."""
    combined_efficiency: Estimate


@dataclass(frozen=True, slots=True)
class Calorimetry:
    """All points of one stream by both ways, and the test whether the two agree."""

    points: tuple[HeatLoss, ...]
    chi2: float
    dof: int
    p_value: float
    widened: float
    """Factor on the uncertainty of the combined losses, above 1 where the two ways contradict each other."""
    verdict: str
