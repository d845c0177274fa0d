"""What the analysis says over speed and torque: loss models, maps, duties, thrust per electrical watt."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchkit.model.battery import Mission
    from benchkit.model.results import Estimate

Rows = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class LossModel:
    """Loss fitted over speed and torque by weighted least squares: ``loss_w = sum coefficient_i * term_i``.

    ``terms`` names the terms as products of powers, such as ``"1"``, ``"n"``, ``"n^2"``, ``"T^2"``, ``"n*|T|"`` with n
    and T scaled by ``speed_scale_rpm`` and ``torque_scale_nm``; ``"T"`` without bars changes sign with the flow of
    power. A term that ends in a condition (``"T^2*winding_temp"``) is zero where that condition is as usual.
    ``covariance`` is that of the coefficients. ``cross_validated_rms_w`` is the RMS error at points left out.
    """

    terms: tuple[str, ...]
    coefficients: tuple[float, ...]
    covariance: Rows
    speed_scale_rpm: float
    torque_scale_nm: float
    residual_rms_w: float
    dof: int
    chi2_per_dof: float
    cross_validated_rms_w: float = math.nan


@dataclass(frozen=True, slots=True)
class LackOfFit:
    """Do the terms of the loss model describe the points to within their scatter?

    ``method`` is "replicates" (F test against points measured again), "stated scatter" (chi² test against the scatter
    of the means) or "not tested". ``beyond_model_w`` is the RMS of what the map adds to the model at the points.
    """

    method: str
    statistic: float
    dof: int
    dof_error: int
    p_value: float
    beyond_model_w: float


@dataclass(frozen=True, slots=True)
class Hysteresis:
    """Loss of points approached from higher torque less that of points approached from lower torque.

    ``method`` is "pairs" (the same set-point from both sides), "regression" (points approached from either side) or
    "not tested", then with the reason in ``reason``.
    """

    method: str
    from_above: int
    from_below: int
    difference_w: Estimate | None
    p_value: float
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Contour:
    """One line of equal efficiency, ``level`` as a ratio."""

    level: float
    speed_rpm: tuple[float, ...]
    torque_nm: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class BestPoint:
    """Best node of a map for one direction of power."""

    speed_rpm: float
    torque_nm: float
    efficiency: Estimate


@dataclass(frozen=True, slots=True)
class EfficiencyMap:
    """Efficiency of drive, inverter or motor over speed and torque. The loss is fitted, the efficiency follows.

    ``efficiency``, ``u_efficiency``, ``loss_w``, ``u_loss_w`` and ``model_loss_w`` are rows of torque by columns of
    speed; NaN outside the hull of the measured points. ``hull`` is the closed polygon of (speed_rpm, torque_nm).
    While motoring the efficiency is mechanical over electrical power, while generating electrical over mechanical.
    ``loss_w`` is the loss model plus a smooth surface of what the model leaves; ``model_loss_w`` is the model alone.

    ``best_…`` is the best motoring node (the best generating one where nothing was motoring), ``best_generating`` the
    best generating node of a map of both. ``point_…`` are the measured points, in the order in which they were taken.
    """

    subject: str
    """"drive", "inverter" or "motor"."""
    model: LossModel
    speed_rpm: tuple[float, ...]
    torque_nm: tuple[float, ...]
    efficiency: Rows
    u_efficiency: Rows
    loss_w: Rows
    hull: tuple[tuple[float, float], ...]
    best_speed_rpm: float
    best_torque_nm: float
    best_efficiency: Estimate
    best_generating: BestPoint | None = None
    u_loss_w: Rows = ()
    model_loss_w: Rows = ()
    point_speed_rpm: tuple[float, ...] = ()
    point_torque_nm: tuple[float, ...] = ()
    point_loss_w: tuple[float, ...] = ()
    point_residual_w: tuple[float, ...] = ()
    """Measured less shown."""
    contours: tuple[Contour, ...] = ()
    lack_of_fit: LackOfFit | None = None
    hysteresis: Hysteresis | None = None


@dataclass(frozen=True, slots=True)
class Duty:
    """Loads that a drive is to run, each with its time (or a weight in proportion to it)."""

    speed_rpm: tuple[float, ...]
    torque_nm: tuple[float, ...]
    time_s: tuple[float, ...]
    mission: Mission | None = None
    """The battery that feeds the loads; a mission of thrusts or powers has no speeds and torques."""


@dataclass(frozen=True, slots=True)
class DutyPoint:
    """One load of a duty; ``loss_w`` is None where it lies outside the measured points, and was refused."""

    speed_rpm: float
    torque_nm: float
    time_s: float
    loss_w: Estimate | None


@dataclass(frozen=True, slots=True)
class DutyResult:
    """What a drive takes over a duty, from its map. Energies count only the points inside the hull.

    ``energy_in_j`` is what flows in at either end (DC link or shaft), ``energy_out_j`` what flows out; their difference
    is the loss. ``covered`` is the share of the time that lies inside the hull: below 1 the rest is not known.
    """

    subject: str
    points: tuple[DutyPoint, ...]
    covered: float
    energy_in_j: Estimate
    energy_out_j: Estimate
    energy_loss_j: Estimate
    weighted_efficiency: Estimate


@dataclass(frozen=True, slots=True)
class PropulsiveCurve:
    """Static thrust per electrical watt of the whole powertrain over speed, inside the measured speeds.

    The curve has ``speed_rpm`` as its axis; ``point_…`` are the measured points. ``point_overall_merit`` is the ideal
    power of the momentum theory over the DC power: figure of merit times efficiency of the drive.
    """

    speed_rpm: tuple[float, ...]
    thrust_per_electrical_watt: tuple[float, ...]
    u_thrust_per_electrical_watt: tuple[float, ...]
    point_speed_rpm: tuple[float, ...]
    point_thrust_per_electrical_watt: tuple[Estimate, ...]
    point_overall_merit: tuple[Estimate, ...]
