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
from benchkit.analysis.quality.look import LARGEST_REST, LARGEST_WINDOW, Look, look_at
from benchkit.analysis.quality.row_facts import MOST_SPEEDS, RowFacts
from benchkit.model.events import Event
from benchkit.model.results import Finding, LookedAt, NotRun, OperatingPoint, PowerBalance, StaticThrust
from benchkit.model.stand import Role, Stand
from benchkit.model.stream import BLOCK_ROWS, Stream, StreamRows

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


def looked_at(stream: StreamRows) -> tuple[LookedAt, ...]:
    """What the checks look at of a stream that is not in memory as a whole; nothing of one that is."""
    if isinstance(stream, Stream) or len(stream) <= BLOCK_ROWS:
        return ()
    text = (
        f"All rows, in blocks of {BLOCK_ROWS}: time, counter, gaps, ranges, frozen, dropouts, pulses; what counts over "
        "a stretch is said of one block. Slow movement: means over one second. Lines, scatter and ripple: the last "
        f"{LARGEST_WINDOW} rows of each point. Zeros: the first {LARGEST_REST} rows of each rest. Step of the speed: "
        f"{MOST_SPEEDS} readings and more, evenly spread."
    )
    return (LookedAt(stream.source, len(stream), text),)


def check_run(
    stand: Stand,
    stream: StreamRows,
    events: Sequence[Event] = (),
    points: Sequence[OperatingPoint] = (),
    balances: Sequence[PowerBalance] = (),
    thrust: Sequence[StaticThrust] = (),
    run_date: date | None = None,
    of_rows: Sequence[Finding] | None = None,
    facts: RowFacts | None = None,
) -> tuple[tuple[Finding, ...], tuple[NotRun, ...]]:
    """Findings of every check of one stream with its results, and the checks that could not run, with the reason.

    A stream that stays in its file is passed outside: ``of_rows`` are then the findings of
    :data:`~benchkit.analysis.quality.rows.STREAM_CHECKS`, taken a block at a time, ``facts`` what was gathered of its
    rows. Here only rows of points and of rests are read (:func:`looked_at` says which).
    """
    if of_rows is None:
        of_rows = rows.check_stream(stand, stream.rows(0, len(stream)))
    findings = [*of_rows]
    skipped: list[NotRun] = []
    if run_date is not None:
        findings += calibrations.check_calibrations(stand, run_date, stream.channels)
    else:
        skipped.append(
            NotRun(("calibration_overdue", "calibration_after_run"), stream.source, "needs the day of the run")
        )
    if len(stream) >= 2:
        look = look_at(stand, stream, events, points, balances, thrust, run_date, facts)
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
