"""Straight-line calibration with masses: gain and zero with their uncertainty, and what a reading is worth after it.

The readings are fitted over the loads, ``r = a + b L`` (1), because it is the readings that scatter; the instrument
then says ``x = (r - a) / b`` (2). Scatter, nonlinearity and hysteresis are all in the residuals; what is common to
every load (the set of masses, gravity, the arm) is not, and is added after the GUM (JCGM 100:2008).

Source: JCGM 100:2008; H.3 has the same line fitted to a thermometer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from benchkit.analysis.fitting import Fit, fit_linear
from benchkit.analysis.uncertainty import coverage_factor, propagate, propagate_many
from benchkit.errors import UsageError
from benchkit.model.calibration import Accuracy
from benchkit.model.results import Estimate, Finding
from benchkit.model.worksheet import Method, Worksheet

FloatArray = npt.NDArray[np.float64]

FEW_LOADS = 5
"""Fewer different loads than this show little of a curve (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class LineCalibration:
    """A straight line through the loads of a worksheet; loads and values in N or N·m, ``unit`` says which.

    ``value = gain · raw + offset``. ``loads`` and ``residuals`` (value shown less load) belong to the steps, in their
    order. ``hysteresis`` is the largest mean difference, falling less rising, at one load; ``zero_return`` the last
    zero less the first; NaN where the steps do not show them.
    """

    unit: str
    gain: Estimate
    offset: Estimate
    loads: tuple[float, ...]
    is_rising: tuple[bool, ...]
    residuals: tuple[float, ...]
    residual_sd: float
    dof: int
    hysteresis: float
    hysteresis_load: float
    zero_return: float
    indicated: tuple[Estimate, ...]
    """A single reading at each different load, lowest first, with its budget."""
    accuracy: Accuracy
    findings: tuple[Finding, ...]


def load_of(sheet: Worksheet, mass_kg: float) -> float:
    """Load of a mass: ``F = m g (1 - air density / mass density)`` [N], times the arm for a torque [N·m] (1).

    The masses are conventional masses (OIML D 28): air 1.2 kg/m³ and masses 8000 kg/m³ unless the worksheet says
    otherwise; buoyancy takes 150 parts in a million.
    """
    force = mass_kg * sheet.gravity_mps2 * (1.0 - sheet.air_density_kgm3 / sheet.mass_density_kgm3)
    return force if sheet.method is Method.DEAD_WEIGHT else force * sheet.arm_m


def rising(masses: Sequence[float]) -> tuple[bool, ...]:
    """Whether each load was reached from a smaller one; a repeated load keeps the direction, the first is rising."""
    result = [True]
    for before, now in pairwise(masses):
        result.append(result[-1] if abs(now) == abs(before) else abs(now) > abs(before))
    return tuple(result)


def calibrate_line(sheet: Worksheet) -> LineCalibration:
    """Fit the line and say what it is worth.

    Raises:
        UsageError: fewer than three steps, fewer than two different loads, or a reading that does not follow the load.
    """
    masses = [step.mass_kg for step in sheet.steps]
    loads = np.array([load_of(sheet, mass) for mass in masses])
    readings = np.array([step.reading for step in sheet.steps])
    _check(sheet, loads)
    resolution_u = sheet.resolution / math.sqrt(12.0)
    fit = fit_linear(
        np.column_stack([np.ones_like(loads), loads]),
        readings,
        np.full(loads.shape, resolution_u) if resolution_u > 0.0 else None,
    )
    a, b = fit.parameters.tolist()
    if abs(b) <= 4.0 * float(fit.u[1]):
        raise UsageError(
            "the readings do not follow the loads",
            got=f"slope {b:.4g}, standard uncertainty {fit.u[1]:.4g}",
            remedy="Check channel, wiring and the order of the readings.",
        )
    residuals = (readings - a) / b - loads
    directions = rising(masses)
    scatter = max(float(np.sqrt(np.sum(fit.residuals**2) / fit.dof)), resolution_u)
    zero_return = _zero_return(masses, readings) / b
    gain, offset = _line(sheet, fit)
    different = sorted(set(loads.tolist()))
    indicated = tuple(_indicated(sheet, fit, scatter, zero_return * b, load) for load in different)
    hysteresis, at_load = _hysteresis(loads, readings, directions, b)
    return LineCalibration(
        unit=sheet.unit,
        gain=gain,
        offset=offset,
        loads=tuple(loads.tolist()),
        is_rising=directions,
        residuals=tuple(residuals.tolist()),
        residual_sd=scatter / abs(b),
        dof=fit.dof,
        hysteresis=hysteresis,
        hysteresis_load=at_load,
        zero_return=zero_return,
        indicated=indicated,
        accuracy=_accuracy(sheet, fit, indicated),
        findings=tuple(_findings(sheet, loads, readings, hysteresis, zero_return)),
    )


def _check(sheet: Worksheet, loads: FloatArray) -> None:
    if loads.size < 3:
        raise UsageError("too few steps for a line and its scatter", got=loads.size, expected="at least 3")
    if len(set(loads.tolist())) < 2:
        raise UsageError("all steps have the same load", remedy="Put different masses on.")
    if sheet.method is Method.LEVER_ARM and not sheet.arm_m > 0.0:
        raise UsageError("a lever arm needs its length", got=sheet.arm_m, remedy="Give the arm and its uncertainty.")


def _common(sheet: Worksheet) -> dict[str, float]:
    """Relative standard uncertainties that all loads share."""
    common = {"masses": sheet.u_mass_relative, "gravity": sheet.u_gravity_mps2 / sheet.gravity_mps2}
    if sheet.method is Method.LEVER_ARM:
        common["lever arm"] = sheet.u_arm_m / sheet.arm_m
    return common


def _fitted(sheet: Worksheet, fit: Fit, extra: Sequence[Estimate]) -> tuple[list[Estimate], FloatArray, list[str]]:
    """Inputs of the measurement model: intercept and slope (correlated), one factor for each common part, extras."""
    common = _common(sheet)
    inputs = [Estimate(float(p), float(u), "1", fit.dof) for p, u in zip(fit.parameters, fit.u, strict=True)]
    inputs += [Estimate(1.0, u, "1") for u in common.values()]
    inputs += extra
    r = np.eye(len(inputs))
    r[0, 1] = r[1, 0] = float(np.clip(fit.covariance[0, 1] / (fit.u[0] * fit.u[1]), -1.0, 1.0)) if fit.u.all() else 0.0
    return inputs, r, ["intercept", "slope", *common]


def _line(sheet: Worksheet, fit: Fit) -> tuple[Estimate, Estimate]:
    inputs, r, names = _fitted(sheet, fit, ())

    def line(a: float, b: float, *factors: float) -> tuple[float, float]:
        scale = math.prod(factors)
        return scale / b, -scale * a / b

    gain, offset = propagate_many(line, inputs, r, names, units=(f"{sheet.unit}/raw", sheet.unit)).estimates
    return gain, offset


def _indicated(sheet: Worksheet, fit: Fit, scatter: float, zero_return: float, load: float) -> Estimate:
    """A single reading at ``load``: scatter, fit, zero return (a rectangle as wide as it), and the common parts."""
    a, b = fit.parameters.tolist()
    wander = 0.0 if math.isnan(zero_return) else abs(zero_return) / math.sqrt(12.0)
    extra = [Estimate(a + b * load, scatter, "1", fit.dof), Estimate(0.0, wander, "1")]
    inputs, r, names = _fitted(sheet, fit, extra)

    def value(a: float, b: float, *rest: float) -> float:
        *factors, reading, zero = rest
        return math.prod(factors) * (reading + zero - a) / b

    return propagate(value, inputs, r, [*names, "scatter", "zero return"], unit=sheet.unit)


def _accuracy(sheet: Worksheet, fit: Fit, indicated: Sequence[Estimate]) -> Accuracy:
    """``u² = (p x)² + c²`` that is nowhere below the uncertainty of a single reading at any of the loads.

    p holds what is common to the loads and that of the slope; c takes the largest rest.
    """
    slope = float(fit.u[1] / fit.parameters[1])
    p = math.hypot(slope, *_common(sheet).values())
    rest = max(e.u**2 - (p * e.value) ** 2 for e in indicated)
    return Accuracy(p, math.sqrt(max(rest, 0.0)))


def _zero_return(masses: Sequence[float], readings: FloatArray) -> float:
    zeros = [float(r) for m, r in zip(masses, readings, strict=True) if m == 0.0]
    return zeros[-1] - zeros[0] if len(zeros) > 1 and masses[-1] == 0.0 else math.nan


def _hysteresis(loads: FloatArray, readings: FloatArray, is_rising: Sequence[bool], b: float) -> tuple[float, float]:
    """Largest mean difference falling less rising, in the unit of the load, and the load; the zeros are left out."""
    up = np.array(is_rising)
    worst, where = math.nan, math.nan
    for load in sorted(set(loads.tolist()) - {0.0}):
        here = loads == load
        if not (np.any(here & up) and np.any(here & ~up)):
            continue
        difference = float(readings[here & ~up].mean() - readings[here & up].mean()) / b
        if math.isnan(worst) or abs(difference) > abs(worst):
            worst, where = difference, load
    return worst, where


def _findings(
    sheet: Worksheet, loads: FloatArray, readings: FloatArray, hysteresis: float, zero_return: float
) -> list[Finding]:
    found = []
    if not sheet.gravity_is_stated:
        text = f"Local gravity is not stated: {sheet.gravity_mps2} m/s² with {sheet.u_gravity_mps2} m/s² is taken."
        found.append(Finding("caution", "gravity_not_stated", text))
    if len(set(loads.tolist())) < FEW_LOADS:
        text = f"Only {len(set(loads.tolist()))} different loads: a curve may hide between them."
        found.append(Finding("caution", "few_loads", text))
    if math.isnan(hysteresis):
        found.append(Finding("caution", "no_hysteresis", "No load was taken both rising and falling."))
    if math.isnan(zero_return):
        found.append(Finding("caution", "no_zero_return", "The steps do not begin and end without load."))
    if loads.size >= 6 and len(set(loads.tolist())) > 3:
        x = loads / np.abs(loads).max()
        bent = fit_linear(np.column_stack([np.ones_like(x), x, x * x]), readings)
        bow = abs(float(bent.parameters[2]))
        rounding = 1e-9 * abs(float(bent.parameters[1]))
        if bow > max(coverage_factor(bent.dof, 0.99) * float(bent.u[2]), rounding):
            depth = bow / abs(float(bent.parameters[1])) * float(np.abs(loads).max()) / 4.0
            text = f"The readings bend by about {depth:.3g} {sheet.unit}: a straight line leaves that in the residuals."
            found.append(Finding("caution", "curved", text))
    return found


def check_range(result: LineCalibration, low: float, high: float) -> list[Finding]:
    """Where the range of the channel (bench unit) goes beyond the loads: what is stated there is extrapolated."""
    first, last = min(result.loads), max(result.loads)
    slack = 0.02 * (last - first)
    if low >= first - slack and high <= last + slack:
        return []
    text = (
        f"Calibrated from {first:.6g} to {last:.6g} {result.unit}; the channel's range is {low:.6g} to {high:.6g}: "
        "beyond the loads the accuracy is extrapolated."
    )
    return [Finding("caution", "range_not_covered", text)]
