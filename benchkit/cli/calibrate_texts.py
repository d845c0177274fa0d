"""What ``calibrate`` prints, and the record it keeps."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from decimal import ROUND_CEILING, Context
from typing import Any

from benchkit import __version__
from benchkit.analysis.calibrate import LineCalibration
from benchkit.analysis.uncertainty import coverage_factor, expanded
from benchkit.model.results import Finding
from benchkit.model.worksheet import Method, Worksheet


def rounded(value: float, digits: int) -> float:
    """To so many significant digits."""
    return float(f"{value:.{digits}g}")


def rounded_up(value: float, digits: int = 3) -> float:
    """To so many significant digits, never down: for uncertainties."""
    return float(Context(prec=digits, rounding=ROUND_CEILING).create_decimal(repr(value)))


def lines_of(sheet: Worksheet, result: LineCalibration, findings: Sequence[Finding]) -> Iterator[str]:
    """The calibration for people; every number with its unit, uncertainties as standard ones unless U is written."""
    unit = result.unit
    head = "dead weights" if sheet.method is Method.DEAD_WEIGHT else "masses on a lever arm"
    yield f"{sheet.channel or 'calibration'}: {head}, {len(sheet.steps)} steps"
    stated = "" if sheet.gravity_is_stated else ", NOT STATED: standard gravity taken"
    yield f"  gravity      {sheet.gravity_mps2:g} ± {sheet.u_gravity_mps2:g} m/s²{stated}"
    if sheet.method is Method.LEVER_ARM:
        yield f"  arm          {1e3 * sheet.arm_m:g} ± {1e3 * sheet.u_arm_m:g} mm"
    yield f"  masses       ± {100.0 * sheet.u_mass_relative:g} %, {sheet.mass_density_kgm3:g} kg/m³ in air of " + (
        f"{sheet.air_density_kgm3:g} kg/m³"
    )
    yield ""
    places = max(0, 1 - math.floor(math.log10(result.residual_sd))) if result.residual_sd > 0.0 else 3
    yield f"  {'mass kg':>10}  {'load ' + unit:>12}  {'reading':>12}  {'shown less load ' + unit:>20}"
    for step, load, up, residual in zip(sheet.steps, result.loads, result.is_rising, result.residuals, strict=True):
        row = f"  {step.mass_kg:10.6g}  {load:12.{places}f}  {step.reading:12.8g}  {residual:+20.{places}f}"
        yield f"{row}  {'up' if up else 'down'}"
    yield ""
    yield f"  gain         {result.gain.value:.8g} ± {result.gain.u:.2g} {result.gain.unit}"
    yield f"  offset       {result.offset.value:.6g} ± {result.offset.u:.2g} {unit}"
    yield f"  scatter      {result.residual_sd:.3g} {unit} (standard deviation of the residuals, {result.dof} dof)"
    if not math.isnan(result.hysteresis):
        yield f"  hysteresis   {result.hysteresis:+.3g} {unit} at {result.hysteresis_load:.4g} {unit}"
    if not math.isnan(result.zero_return):
        yield f"  zero return  {result.zero_return:+.3g} {unit}"
    top = result.indicated[-1]
    k = coverage_factor(top.dof)
    yield f"  one reading  at {top.value:.4g} {unit}: U = {expanded(top):.3g} {unit} (95 %, k = {k:.2f})"
    for line in top.budget[:5]:
        yield f"    {line.name:12} {line.u:.2g} {unit}"
    accuracy = result.accuracy
    yield f"  accuracy     {100.0 * accuracy.of_reading:.3g} % of reading and {accuracy.constant:.3g} {unit} (k = 1)"
    yield "               without drift until the next calibration, temperature, side loads and mounting"
    for finding in findings:
        yield f"  {finding.severity}: {finding.message}"


def record_of(
    sheet: Worksheet,
    result: LineCalibration,
    findings: Sequence[Finding],
    tables: Mapping[str, Mapping[str, Any]] | None,
) -> dict[str, Any]:
    """Everything that went in and came out."""
    return {
        "software": f"benchkit {__version__}",
        "worksheet": asdict(sheet),
        "result": {key: value for key, value in asdict(result).items() if key != "findings"},
        "findings": [asdict(finding) for finding in findings],
        "profile": {key: dict(value) for key, value in tables.items()} if tables else None,
    }
