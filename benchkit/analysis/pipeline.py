"""From one stream of a run to everything that is said about it. No algorithm lives here."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date

from benchkit.analysis.block_checks import BlockChecks
from benchkit.analysis.calorimetry import calorimetry
from benchkit.analysis.duty import duty_averages
from benchkit.analysis.efficiency_map import efficiency_maps
from benchkit.analysis.exclude import kept, mark_excluded
from benchkit.analysis.heat_balance import heat_balance
from benchkit.analysis.heat_runs import heat_runs
from benchkit.analysis.linear_checks import check_balances, check_coefficients
from benchkit.analysis.mission import mission_results
from benchkit.analysis.motor_run import motor_of_run
from benchkit.analysis.power import power_balance
from benchkit.analysis.propeller import static_thrust
from benchkit.analysis.propulsive import propulsive_curves
from benchkit.analysis.quality import RowGathering, check_run, looked_at
from benchkit.analysis.steady import folding_of, operating_points
from benchkit.analysis.tare import drift_findings
from benchkit.analysis.thermal_runs import thermal_limits
from benchkit.analysis.thrust_fits import thrust_fits
from benchkit.analysis.thrust_run import thrust_tests_of
from benchkit.model.events import Event, EventKind
from benchkit.model.results import OperatingPoint, RunResult
from benchkit.model.results_maps import Duty
from benchkit.model.stand import Stand
from benchkit.model.stream import Stream, StreamRows

BREAKING = frozenset(
    {
        EventKind.SET_POINT,
        EventKind.TARE,
        EventKind.TRIP,
        EventKind.STOP_COMMANDED,
        EventKind.STATE,
        EventKind.SOURCE_LOST,
        EventKind.SOURCE_BACK,
    }
)
"""Kinds of event that no operating point spans."""


def points_of(stand: Stand, stream: StreamRows, events: Sequence[Event] = ()) -> tuple[OperatingPoint, ...]:
    """The operating points of :func:`analyse`, and nothing else of it."""
    breaks = _breaks(stream, events)
    folding = folding_of(stand, breaks)
    for block in stream.blocks():
        folding.feed(block.time_s, block.values)
        del block  # the next one takes its memory
    return mark_excluded(operating_points(stand, stream, breaks, segments=folding.finish()), stream, events)


def _breaks(stream: StreamRows, events: Sequence[Event]) -> list[float]:
    """Sample times [s] that no operating point spans."""
    return [stream.time_at(event.time_s) for event in events if event.kind in BREAKING] if len(stream) else []


def analyse(
    stand: Stand,
    stream: StreamRows,
    events: Sequence[Event] = (),
    run_date: date | None = None,
    duty: Duty | None = None,
    *,
    watch: Callable[[Stream], None] | None = None,
) -> RunResult:
    """Operating points, power balances, maps, static thrust, heating, ratings and open flags of one stream.

    ``events`` of the run place set-point changes on the axis of the samples; without them the steady stretches are
    found from the data alone. ``run_date`` is the day of the run, for calibrations that were due; None: not checked.
    ``duty`` is put over the maps.

    A stream that is not in memory is passed once, a block at a time; of points only their rows are read again.
    ``watch`` is shown every block of that pass, in order.
    """
    breaks = _breaks(stream, events)
    folding, checks, rows = folding_of(stand, breaks), BlockChecks(stand), RowGathering(stand, stream)
    for block in stream.blocks():
        folding.feed(block.time_s, block.values)
        checks.feed(block)
        rows.feed(block)
        if watch is not None:
            watch(block)
        del block  # the next one takes its memory
    segments = folding.finish()
    points = mark_excluded(operating_points(stand, stream, breaks, segments=segments), stream, events)
    linear = tuple(power_balance(stand, point) for point in points)
    balances, balance_findings = check_balances(stand, linear)
    coefficients = tuple(row for row in (static_thrust(stand, point) for point in points) if row is not None)
    thrust, thrust_findings = check_coefficients(stand, coefficients)
    laws, law_findings = thrust_fits(kept(thrust))
    maps, map_findings = efficiency_maps(stand, kept(balances))
    duties, duty_findings = duty_averages(stand, kept(balances), duty)
    propulsion = propulsive_curves(stand, kept(balances), kept(thrust))
    heating, ratings, heat_findings = heat_runs(stand, stream, breaks, segments=segments)
    thermal = thermal_limits(stand, stream.channels, segments)
    endurance, mission_findings = mission_results(stand, kept(balances), kept(thrust), duty, thermal)
    facts = rows.finish()
    found, not_run = check_run(stand, stream, events, points, balances, thrust, run_date, checks.finish(stream), facts)
    counted = [point for point in points if not point.is_excluded]
    motor = motor_of_run(stand, stream.source, stream.channels, counted, segments)
    tests = thrust_tests_of(stand, stream, events, kept(thrust), facts.rest)
    by_heat, by_heat_findings = calorimetry(stand, stream, counted)
    findings = (
        *found,
        *drift_findings(events, [stand.channels[name] for name in stream.channels if name in stand.channels]),
        *balance_findings,
        *thrust_findings,
        *law_findings,
        *map_findings,
        *duty_findings,
        *heat_findings,
        *by_heat_findings,
        *mission_findings,
    )
    closures = tuple(row for row in (heat_balance(stand, point) for point in points) if row is not None)
    return RunResult(
        points=points,
        balances=balances,
        thrust=thrust,
        maps=maps,
        heating=heating,
        ratings=ratings,
        findings=findings,
        propulsion=propulsion,
        duties=duties,
        heat_balances=closures,
        square_laws=laws,
        not_run=not_run,
        looked_at=looked_at(stream),
        motor=() if motor is None else (motor,),
        thrust_tests=() if tests is None else (tests,),
        thermal=thermal,
        calorimetry=by_heat,
        endurance=endurance,
    )
