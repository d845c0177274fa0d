"""The run over time: what was driven, which stretches became operating points, where it tripped."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from benchkit.model.limits import Severity
from benchkit.model.stand import Role, Stand
from benchkit.report.model import (
    ChannelTrace,
    Level,
    Mark,
    Panel,
    RunReport,
    Series,
    Span,
    Trace,
    TraceFigure,
    Trip,
    plain,
)
from benchkit.report.rows import listed, of_run, point_name, run_slug


def as_trace(channel: ChannelTrace) -> Trace:
    """A thinned channel as a line of a figure."""
    return Trace(
        channel.label,
        Series("time", "s", channel.time_s),
        Series(channel.channel, channel.unit, channel.values),
    )


def is_drawable(trace: ChannelTrace) -> bool:
    """False where every value is NaN, or all are of one instant: there is no line to draw."""
    return not all(map(math.isnan, trace.values)) and trace.time_s[-1] > trace.time_s[0]


def trip_marks(run: RunReport) -> tuple[Mark, ...]:
    """One mark a trip, named by its first-out limit."""
    return tuple(trip_mark(trip) for trip in run.trips)


def trip_mark(trip: Trip) -> Mark:
    """Where a trip lies on the axis of the samples."""
    return Mark(f"trip: {first_cause(trip.limits)}", plain(trip.sample_time_s, "s"))


def first_cause(limits: Sequence[str], most: int = 2) -> str:
    """The first-out limits in words; beyond ``most`` they are counted."""
    named = limits if len(limits) <= most else (*limits[:1], f"{len(limits) - 1} more")
    return " or ".join(named)


def limit_levels(stand: Stand, channel: str) -> tuple[Level, ...]:
    """Set points on the axis of one channel, as horizontal lines; of a band both edges."""
    return tuple(
        Level(
            f"{limit.severity.value} {limit.name}",
            plain(edge, stand.channels[channel].unit),
            limit.severity is Severity.TRIP,
        )
        for limit in stand.limit_set.limits
        if limit.channel == channel
        for edge in limit.edges
    )


def overview_figure(run: RunReport, runs: Sequence[RunReport]) -> TraceFigure | None:
    """Speed, torque and thrust over time; None where nothing was recorded."""
    panels = tuple(_panels(run))
    if not panels:
        return None
    spans = tuple(Span(point_name(p), plain(p.time_start_s, "s"), plain(p.time_end_s, "s")) for p in run.result.points)
    shaded = "Shaded: steady stretches, named by operating point." if spans else "No steady stretch was found."
    return TraceFigure(
        f"overview-{run_slug(run)}",
        f"The run over time{of_run(run, runs)}",
        f"{listed([panel.title for panel in panels])} over time. {shaded}" + (" Red line: trip." if run.trips else ""),
        panels,
        spans,
        trip_marks(run),
    )


def _panels(run: RunReport) -> Iterable[Panel]:
    for role in (Role.SPEED, Role.TORQUE, Role.THRUST):
        channel = run.stand.channel_for(role)
        for trace in run.traces:
            if channel is not None and trace.channel == channel.name and is_drawable(trace):
                yield Panel(trace.label, trace.unit, (as_trace(trace),))
