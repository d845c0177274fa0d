"""What the analysis says: estimates with their uncertainty, operating points, and the parts of a report."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from benchkit.model.results_endurance import EnduranceResult
from benchkit.model.results_heat import Calorimetry
from benchkit.model.results_maps import DutyResult, EfficiencyMap, PropulsiveCurve

if TYPE_CHECKING:  # they hold estimates and points of here
    from benchkit.model.results_motor import MotorConstants
    from benchkit.model.results_thermal import ThermalLimits
    from benchkit.model.results_thrust import ThrustTests


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of an uncertainty budget. ``u`` is the part of the standard uncertainty, in the unit of the result."""

    name: str
    u: float


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard uncertainty (k = 1), unit, effective degrees of freedom and ranked budget."""

    value: float
    u: float
    unit: str
    dof: float = math.inf
    budget: tuple[Contribution, ...] = ()
    interval95: tuple[float, float] | None = None
    """95 % interval where it is not value ± k u: the linear form failed, the Monte Carlo method gave this."""

    @property
    def is_measured(self) -> bool:
        """False where the value is NaN, that is: not measured."""
        return not math.isnan(self.value)


class Settled(StrEnum):
    """The three answers of a test with an uncertainty."""

    STEADY = "steady"
    NOT_STEADY = "not steady"
    NOT_SHOWN = "not shown"
    """The record is too short or too noisy to show the one or the other."""


@dataclass(frozen=True, slots=True)
class SteadyLabel:
    """Whether the channels of one criterion held still, by the channel that decides.

    ``change`` is what the channel moved, or would move at this rate, over ``over_s``; ``allowed`` what it may, in its
    unit. ``decided_by`` is "drift", "scatter" or "length" (the record is too short).
    """

    state: Settled
    channel: str
    decided_by: str
    slope: Estimate
    """Per second, of the fitted line (electrical) or of the change between the ends (thermal)."""
    change: Estimate
    scatter: float
    """Standard deviation of block means about the line, in the unit of the channel."""
    allowed: float
    over_s: float
    reason: str
    """One sentence."""


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """Steady averages at one set-point.

    ``time_start_s`` and ``time_end_s`` are stream time since the start of the run. ``means`` holds, by channel name,
    the mean with its standard uncertainty (type A of the mean and type B of the calibration together).
    ``electrical`` (speed and torque) and ``thermal`` say whether it was steady; None: the stand names no channels.
    ``whole_periods`` counts the electrical periods to which the window was cut, 0 where it was not; ``periods_note``
    says why not, and is empty where the stand names no channel of electrical frequency.
    """

    index: int
    stream: str
    row_start: int
    row_stop: int
    time_start_s: float
    time_end_s: float
    means: Mapping[str, Estimate] = field(default_factory=dict)
    excluded_reason: str = ""
    """Why a person excluded this point from maps and fits; empty for a point that counts."""
    excluded_by: str = ""
    electrical: SteadyLabel | None = None
    thermal: SteadyLabel | None = None
    whole_periods: int = 0
    periods_note: str = ""

    @property
    def is_excluded(self) -> bool:
        """True where the point goes into no map and no fit."""
        return bool(self.excluded_reason)


@dataclass(frozen=True, slots=True)
class PowerBalance:
    """Powers, losses and efficiencies of one operating point; motoring is positive, loss = P_in - P_out.

    An estimate is NaN where the stand does not measure what it needs (no AC power: no split of the drive).
    Efficiencies are ratios (1): what comes out over what goes in, so shaft over DC power while motoring and DC over
    shaft power while generating; NaN where both sides feed the losses.
    """

    point: OperatingPoint
    speed_rpm: Estimate
    torque_nm: Estimate
    dc_power_w: Estimate
    ac_power_w: Estimate
    shaft_power_w: Estimate
    inverter_loss_w: Estimate
    motor_loss_w: Estimate
    drive_loss_w: Estimate
    inverter_efficiency: Estimate
    motor_efficiency: Estimate
    drive_efficiency: Estimate


@dataclass(frozen=True, slots=True)
class HeatBalance:
    """Where the loss of one operating point went: into the coolant, and what is left (air, storage, error)."""

    point: OperatingPoint
    loss_w: Estimate
    """DC link power less shaft power."""
    coolant_heat_w: Estimate
    residual_w: Estimate
    residual_share: Estimate
    """Residual over loss (1)."""


@dataclass(frozen=True, slots=True)
class StaticThrust:
    """Static propeller coefficients of one operating point (propeller notation, n in rev/s)."""

    point: OperatingPoint
    speed_rpm: Estimate
    thrust_n: Estimate
    torque_nm: Estimate
    density_kgm3: Estimate
    ct: Estimate
    cq: Estimate
    cp: Estimate
    figure_of_merit: Estimate
    tip_mach: float
    reynolds_75: float
    induced_velocity_mps: float
    thrust_per_watt: float
    """N of thrust per W of shaft power."""
    disc_loading_nm2: float = math.nan
    """Thrust over disc area, N/m²."""
    power_loading_wm2: float = math.nan
    """Shaft power over disc area, W/m²."""


@dataclass(frozen=True, slots=True)
class SquareLaw:
    """Thrust or torque of all points against n² through zero, n in 1/s, and the test whether that line is enough."""

    quantity: str
    """"thrust" or "torque"."""
    slope: Estimate
    points: int
    test: str
    """"F" with replicates, "chi2" (over its degrees of freedom) without."""
    statistic: float
    p_value: float
    is_curved: bool
    """True where the points leave the line by more than they scatter."""


@dataclass(frozen=True, slots=True)
class HeatingFit:
    """First-order heating of one temperature channel over one steady load:

    ``T(t) = T_inf - (T_inf - T_start) exp(-t / tau)``, fitted over stream time ``time_start_s … time_end_s``.
    """

    channel: str
    time_start_s: float
    time_end_s: float
    tau_s: Estimate
    final_c: Estimate
    start_c: Estimate
    reference_c: float
    """Coolant inlet (or air) temperature, mean over the stretch."""
    residual_rms_k: float
    covered: float
    """(end - start) / tau: below about 1.5 the end is extrapolated and the report says so."""
    fast_tau_s: Estimate | None = None
    """Second, faster time constant where the record shows two; ``tau_s`` is then the slow one."""
    fast_rise_k: float | None = None
    """Part of ``T_inf - T_start`` that goes with ``fast_tau_s``; the rest goes with the slow one."""


@dataclass(frozen=True, slots=True)
class ContinuousRating:
    """What may be held for ever before ``channel`` reaches ``limit_c``, scaled with loss ~ torque² at that speed."""

    channel: str
    limit_c: float
    speed_rpm: float
    reference_c: float
    torque_nm: Estimate
    current_a: Estimate
    shaft_power_w: Estimate
    is_extrapolated: bool
    """True where the rating lies outside 0.5 … 1.5 times the loss that was tested."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One open flag of data quality, with its evidence."""

    severity: str
    """"note", "caution" or "error"."""
    code: str
    message: str
    channel: str = ""
    row_start: int = 0
    row_stop: int = 0
    numbers: Mapping[str, float] = field(default_factory=dict)
    """Numbers of the evidence by name, such as the factor between two units."""


@dataclass(frozen=True, slots=True)
class NotRun:
    """Checks that could not be made on a stream, by the codes they would have given, and what they lack."""

    codes: tuple[str, ...]
    stream: str
    reason: str


@dataclass(frozen=True, slots=True)
class LookedAt:
    """What the checks looked at of a stream that was too long to be looked at as a whole."""

    stream: str
    rows: int
    """Of the whole stream."""
    text: str


@dataclass(frozen=True, slots=True)
class RunResult:
    """Everything the analysis says about one run."""

    points: tuple[OperatingPoint, ...]
    balances: tuple[PowerBalance, ...]
    thrust: tuple[StaticThrust, ...]
    maps: tuple[EfficiencyMap, ...]
    heating: tuple[HeatingFit, ...]
    ratings: tuple[ContinuousRating, ...]
    findings: tuple[Finding, ...]
    propulsion: tuple[PropulsiveCurve, ...] = ()
    duties: tuple[DutyResult, ...] = ()
    heat_balances: tuple[HeatBalance, ...] = ()
    square_laws: tuple[SquareLaw, ...] = ()
    not_run: tuple[NotRun, ...] = ()
    looked_at: tuple[LookedAt, ...] = ()
    motor: tuple[MotorConstants, ...] = ()
    thrust_tests: tuple[ThrustTests, ...] = ()
    thermal: tuple[ThermalLimits, ...] = ()
    """One a stream."""
    calorimetry: tuple[Calorimetry, ...] = ()
    endurance: tuple[EnduranceResult, ...] = ()
