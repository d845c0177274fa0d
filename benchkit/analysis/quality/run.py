"""All checks of one stream with its results, in tables; what could not be checked is said, too."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

from benchkit.analysis.quality import (
    calibrations,
    electrical,
    factors,
    results,
    rows,
    speed,
    steadiness,
    temperatures,
    zero,
)
from benchkit.analysis.quality.look import Look, look_at
from benchkit.model.events import Event
from benchkit.model.results import Finding, NotRun, OperatingPoint, PowerBalance, StaticThrust
from benchkit.model.stand import Role, Stand
from benchkit.model.stream import Stream, StreamRows

LookCheck = Callable[[Look], list[Finding]]


@dataclass(frozen=True, slots=True)
class Check:
    """One check with what it needs. ``needs`` are roles, all of them; the rest is asked in the order written here."""

    run: LookCheck
    codes: tuple[str, ...]
    needs: tuple[Role, ...] = ()
    rest: bool = False
    """A stretch in which the shaft stands still."""
    points: bool = False
    """An operating point."""
    also: Callable[[Look], str] | None = None
    """Anything else: says what is missing, empty where nothing is."""

    def missing(self, look: Look) -> str:
        """What it needs and has not got; empty where it can run."""
        absent = [role.value for role in self.needs if not look.has(role)]
        if absent:
            return f"needs a channel with the role {', '.join(absent)}"
        if self.rest and not look.rest:
            return "needs two seconds with the shaft at rest"
        if self.points and not look.points:
            return "needs an operating point"
        return self.also(look) if self.also is not None else ""


def _two_rests(look: Look) -> str:
    return "" if len(look.rest) > 1 else "needs a rest before and one after running"


def _tared(look: Look) -> str:
    return "" if any(event.kind.value == "tare" for event in look.events) else "needs a tare in the run"


def _propeller(look: Look) -> str:
    return "" if look.stand.propeller is not None else "needs a propeller"


def _thrust(look: Look) -> str:
    return "" if look.thrust else "needs a propeller and its thrust"


CHECKS: tuple[Check, ...] = (
    Check(rows.damaged_frames, ("partial_lines", "damaged_lines")),
    Check(zero.zero_offsets, ("zero_offset", "tare_lost", "tare_doubled"), (Role.SPEED, Role.TORQUE), rest=True),
    Check(zero.zero_drift, ("zero_drift",), (Role.SPEED, Role.TORQUE), rest=True, also=_two_rests),
    Check(zero.tare_turning, ("tare_while_turning",), (Role.SPEED,), also=_tared),
    Check(zero.tare_stale, ("tare_stale",), (Role.TORQUE,), points=True, also=_tared),
    Check(calibrations.firmware, ("firmware_hash_missing", "firmware_changed")),
    Check(electrical.lines, ("aliased_ripple", "window_not_whole_periods"), (Role.SPEED, Role.DC_CURRENT), points=True),
    Check(electrical.product_of_means, ("product_of_means",), (Role.DC_VOLTAGE, Role.DC_CURRENT), points=True),
    Check(
        electrical.low_power_factor,
        ("low_power_factor",),
        (Role.PHASE_VOLTAGE, Role.PHASE_CURRENT, Role.AC_POWER),
        points=True,
    ),
    Check(speed.pulses, ("pulses_doubled", "pulses_missed"), (Role.SPEED,)),
    Check(speed.quantised, ("speed_quantised",), (Role.SPEED,)),
    Check(factors.speed_ratio, ("pulses_per_revolution", "unit_factor"), (Role.SPEED, Role.ELECTRICAL_FREQUENCY)),
    Check(temperatures.open_circuit, ("thermocouple_open",)),
    Check(temperatures.reversed_wires, ("thermocouple_reversed",), (Role.AIR_TEMP,)),
    Check(
        temperatures.wrong_type,
        ("thermocouple_type",),
        (Role.SPEED, Role.AIR_TEMP, Role.COOLANT_INLET_TEMP),
        rest=True,
        also=temperatures.soaked,
    ),
    Check(temperatures.gate_noise, ("gate_noise",), (Role.SPEED,), rest=True, points=True),
    Check(temperatures.detached, ("probe_detached",), (Role.SPEED, Role.TORQUE)),
    Check(
        factors.factors,
        ("unit_factor", "calibration_twice", "calibration_wrong"),
        (Role.SPEED, Role.TORQUE, Role.DC_VOLTAGE, Role.DC_CURRENT, Role.PHASE_CURRENT),
        points=True,
    ),
    Check(factors.air_units, ("unit_factor",), (Role.AIR_TEMP, Role.AIR_PRESSURE)),
    Check(
        factors.signs, ("sign_convention",), (Role.SPEED, Role.TORQUE, Role.DC_VOLTAGE, Role.DC_CURRENT), points=True
    ),
    Check(factors.swapped, ("swapped_channels",), (Role.SPEED,), points=True),
    Check(steadiness.thermal_drift, ("not_steady",), (Role.WINDING_TEMP,), points=True),
    Check(
        steadiness.mixed_states, ("mixed_thermal_states",), (Role.SPEED, Role.TORQUE, Role.WINDING_TEMP), points=True
    ),
    Check(steadiness.recirculation, ("recirculation",), (Role.SPEED, Role.THRUST), also=_propeller),
    Check(steadiness.wind, ("wind",), (Role.SPEED, Role.THRUST), points=True, also=_thrust),
    Check(steadiness.density, ("density_changed",), (Role.AIR_TEMP, Role.AIR_PRESSURE, Role.AIR_HUMIDITY)),
    Check(steadiness.resonance, ("rig_resonance",), (Role.SPEED, Role.TORQUE), points=True),
    Check(
        steadiness.crosstalk,
        ("crosstalk",),
        (Role.SPEED, Role.TORQUE, Role.THRUST),
        points=True,
        also=steadiness.untied_points,
    ),
)


LOOK_ROWS = 1_000_000
"""Longer streams are not taken into memory to be looked at: 17 minutes at 1 kHz, 220 MB of 24 channels and times."""


def whole(stream: StreamRows) -> Stream | None:
    """The stream in memory; None where it is too long for that."""
    if isinstance(stream, Stream):
        return stream
    return stream.rows(0, len(stream)) if len(stream) <= LOOK_ROWS else None


def check_run(
    stand: Stand,
    stream: StreamRows,
    events: Sequence[Event] = (),
    points: Sequence[OperatingPoint] = (),
    balances: Sequence[PowerBalance] = (),
    thrust: Sequence[StaticThrust] = (),
    run_date: date | None = None,
    of_rows: Sequence[Finding] | None = None,
) -> tuple[tuple[Finding, ...], tuple[NotRun, ...]]:
    """Findings of every check of one stream with its results, and the checks that could not run, with the reason.

    ``of_rows`` are the findings of :data:`~benchkit.analysis.quality.rows.STREAM_CHECKS` where they were taken a block
    at a time. Of a stream that is not in memory and longer than :data:`LOOK_ROWS`, what must be looked at as a whole is
    not run.
    """
    seen = whole(stream)
    if of_rows is None:
        of_rows = [] if seen is None else rows.check_stream(stand, seen)
    findings = [*of_rows]
    skipped: list[NotRun] = []
    if run_date is not None:
        findings += calibrations.check_calibrations(stand, run_date, stream.channels)
    else:
        skipped.append(
            NotRun(("calibration_overdue", "calibration_after_run"), stream.source, "needs the day of the run")
        )
    if seen is None:
        reason = f"{len(stream)} rows are too many to be looked at as a whole; take a part of the run"
        skipped += [NotRun(check.codes, stream.source, reason) for check in CHECKS]
    elif len(seen) >= 2:
        look = look_at(stand, seen, events, points, balances, thrust, run_date)
        for check in CHECKS:
            reason = check.missing(look)
            if reason:
                skipped.append(NotRun(check.codes, stream.source, reason))
            else:
                findings += check.run(look)
    findings += check_results(stand, stream, points, balances, thrust)
    return tuple(findings), tuple(skipped)


def check_results(
    stand: Stand,
    stream: StreamRows,
    points: Sequence[OperatingPoint],
    balances: Sequence[PowerBalance],
    thrust: Sequence[StaticThrust],
) -> tuple[Finding, ...]:
    """All findings about results, in the order of the points."""
    findings: list[Finding] = []
    if not points:
        text = "No stretch of this stream was steady: no operating points."
        findings.append(Finding("caution", "no_steady_point", text))
    for point in points:
        findings += results.check_acceleration(stand, stream, point)
    for balance in balances:
        findings += results.check_balance(balance)
    for row in thrust:
        findings += results.check_thrust(row)
    with_air = [row.point for row in thrust]
    if with_air:
        findings += [finding for point in with_air[:1] for finding in results.check_air(stand, point)]
    return tuple(findings)
