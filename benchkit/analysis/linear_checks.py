"""Where the linear uncertainty of a power balance or of propeller coefficients does not hold: flagged, and replaced.

Every result is first asked how much it bends within its uncertainty (:func:`~benchkit.analysis.monte_carlo.bending`);
those that bend are taken through the Monte Carlo method and judged by clause 8 of JCGM 101. A result that fails keeps
its value and budget, and gets the Monte Carlo interval instead of value ± U. A result within two standard uncertainties
of zero is left out: that the power at standstill is a product of two noises needs no flag.

Source: JCGM 101:2008, clause 8.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy.typing as npt

from benchkit.analysis.monte_carlo import VectorFunction, bending, propagate_distributions, validate_linear
from benchkit.analysis.power import INPUT_ROLES, balance_arrays, balance_inputs
from benchkit.analysis.propeller import coefficient_formulas, diameter_of
from benchkit.model.results import Estimate, Finding, OperatingPoint, PowerBalance, StaticThrust
from benchkit.model.stand import Role, Stand

BENDS = 0.1
"""Results that bend less are linear enough: see :func:`~benchkit.analysis.monte_carlo.bending`."""
DIGITS = 1
"""Significant digits of u that must be right for the linear interval to be shown."""
TRIALS = 200_000
BALANCE_FIELDS = (
    "dc_power_w", "ac_power_w", "shaft_power_w", "inverter_loss_w", "motor_loss_w", "drive_loss_w",
    "inverter_efficiency", "motor_efficiency", "drive_efficiency",
)  # fmt: skip
"""Results in the order of ``balance_arrays``."""
COEFFICIENT_FIELDS = ("ct", "cq", "cp", "figure_of_merit")
_NONE = Estimate(0.0, 0.0, "")


def check_balances(
    stand: Stand, balances: Sequence[PowerBalance]
) -> tuple[tuple[PowerBalance, ...], tuple[Finding, ...]]:
    """The balances with Monte Carlo intervals where they are needed, and one finding for each such result."""
    checked, findings = [], []
    for balance in balances:
        measured = balance_inputs(stand, balance.point)
        known = [measured.get(role) for role in INPUT_ROLES]
        # a role that is not measured leaves results NaN; any number does in its place
        inputs = [e if e is not None and e.is_measured and e.u == e.u else _NONE for e in known]
        shown = {name: getattr(balance, name) for name in BALANCE_FIELDS}
        changed, found = _checked(balance_arrays, inputs, shown, balance.point)
        checked.append(replace(balance, **changed) if changed else balance)
        findings += found
    return tuple(checked), tuple(findings)


def check_coefficients(
    stand: Stand, rows: Sequence[StaticThrust]
) -> tuple[tuple[StaticThrust, ...], tuple[Finding, ...]]:
    """The same for CT, CQ, CP and figure of merit."""
    checked, findings = [], []
    for row in rows:
        inputs = [row.thrust_n, row.torque_nm, row.speed_rpm, diameter_of(stand), row.density_kgm3]
        shown = {name: getattr(row, name) for name in COEFFICIENT_FIELDS}
        changed, found = _checked(coefficient_formulas, inputs, shown, row.point)
        checked.append(replace(row, **changed) if changed else row)
        findings += found
    return tuple(checked), tuple(findings)


def _checked(
    function: VectorFunction, inputs: Sequence[Estimate], shown: Mapping[str, Estimate], point: OperatingPoint
) -> tuple[dict[str, Any], list[Finding]]:
    bent = bending(function, inputs)
    doubtful = [k for k, e in enumerate(shown.values()) if abs(e.value) > 2.0 * e.u and bent[k] > BENDS]
    if not doubtful:
        return {}, []

    def of_doubtful(*x: npt.ArrayLike) -> list[npt.ArrayLike]:
        results = function(*x)
        return [results[k] for k in doubtful]

    trials = propagate_distributions(
        of_doubtful, inputs, seed=point.index + 1, digits=DIGITS, fraction=0.2, most_trials=TRIALS
    )
    changed: dict[str, Any] = {}
    findings = []
    for k, found in zip(doubtful, trials, strict=True):
        name, estimate = list(shown.items())[k]
        check = validate_linear(estimate, found, digits=DIGITS)
        if not check.is_valid:
            changed[name] = check.replaced()
            findings.append(_finding(name, estimate, changed[name], point))
    return changed, findings


def _finding(name: str, linear: Estimate, shown: Estimate, point: OperatingPoint) -> Finding:
    words = name.removesuffix("_w").replace("_", " ")
    words = words.upper() if name in {"ct", "cq", "cp"} else words
    unit = "" if linear.unit == "1" else f" {linear.unit}"
    if shown.interval95 is None:
        instead = "the formula has no value in part of the trials, so no 95 % interval can be stated"
    else:
        low, high = shown.interval95
        instead = f"95 % interval by Monte Carlo {low:.4g} … {high:.4g}{unit}"
    text = (
        f"Point {point.index + 1}: the linear uncertainty of {words} ({linear.value:.4g} ± {2.0 * linear.u:.2g}{unit}) "
        f"does not hold; {instead} (JCGM 101, 8.1)."
    )
    return Finding("caution", "linear_uncertainty_fails", text, "", point.row_start, point.row_stop)


def sources_of(stand: Stand, point: OperatingPoint) -> dict[str, Estimate]:
    """Measured inputs of a point by channel name, in bench units, and the diameter [m].

    They are what the lines of a budget are shares of.
    """
    named: Iterable[str] = (stand.roles[role] for role in Role if role in stand.roles)
    found = {name: point.means[name] for name in named if name in point.means}
    return found | ({"diameter": diameter_of(stand)} if stand.propeller is not None else {})
