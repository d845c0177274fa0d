"""Limits as they were set, trips as they happened, and the event log."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from benchkit.model.events import Event, EventKind
from benchkit.model.limits import Limit, LimitKind
from benchkit.model.stops import StopAction
from benchkit.report.heartbeat import heartbeat_paragraph
from benchkit.report.model import (
    Block,
    Cell,
    Column,
    Mark,
    Panel,
    Paragraph,
    RunReport,
    Section,
    StageFigure,
    Text,
    Tone,
    TraceFigure,
    Trip,
    count,
    plain,
)
from benchkit.report.overview import as_trace, limit_levels, trip_mark
from benchkit.report.rows import listed, of_run, run_slug, table_by_run

Row = tuple[Cell, ...]
NOT_LOGGED = "not in the log"
TIME_DIGITS = 10
"""Milliseconds are shown however long the run was."""
SHOWN_OF_A_KIND = 25
"""Events of one kind that the page lists; the rest are counted, and stay in the run file."""
_TONES = {
    EventKind.TRIP: Tone.ERROR,
    EventKind.STOP_NOT_ACKNOWLEDGED: Tone.ERROR,
    EventKind.RECORDING_FAULT: Tone.ERROR,
    EventKind.CAUTION: Tone.CAUTION,
    EventKind.SOURCE_LOST: Tone.CAUTION,
    EventKind.REFUSED: Tone.CAUTION,
}


def limits_section(runs: Sequence[RunReport]) -> Section | None:
    """The limit set of each run, as it was in force."""
    table = table_by_run(
        runs,
        "limits",
        "Limits in force",
        (
            Column("name", "Limit"),
            Column("channel", "Channel"),
            Column("severity", "Severity"),
            Column("condition", "Acts when"),
            Column("set_point", "Set-point"),
            Column("deadband", "Deadband"),
            Column("on_delay", "On-delay"),
            Column("latching", "Latching"),
            Column("action", "Stop action"),
        ),
        lambda run: (_limit_row(limit, run) for limit in run.stand.limit_set.limits),
        note="A software trip is not a safety function. A trip limit also acts on a missing, stale or NaN value.",
    )
    if table is None:
        return None
    sets = "; ".join(
        f"{run.stand.limit_set.name}, revision {run.stand.limit_set.revision}{of_run(run, runs)}" for run in runs
    )
    actions = table_by_run(
        runs,
        "stop-actions",
        "Stop actions",
        (
            Column("name", "Stop action"),
            Column("source", "Sent to"),
            Column("command", "Command"),
            Column("acknowledged_by", "Acknowledged by"),
            Column("timeout", "Repeated after", "s"),
            Column("stop_category", "Stop category"),
        ),
        lambda run: (_action_row(action) for action in run.stand.stop_actions.values()),
        note="Stop categories as in IEC 60204-1.",
    )
    blocks: list[Block | None] = [Paragraph(sets, heading="Limit set"), table, actions, heartbeat_paragraph(runs)]
    return Section("limits", "Limits", tuple(block for block in blocks if block is not None))


def _action_row(action: StopAction) -> Row:
    return (
        Text(action.name, code=True),
        Text(action.source),
        Text(action.command, code=True),
        Text(action.acknowledged_by, code=True),
        plain(action.timeout_s, "s"),
        count(action.stop_category),
    )


def _limit_row(limit: Limit, run: RunReport) -> Row:
    channel = run.stand.channels.get(limit.channel)
    unit = "s" if limit.kind is LimitKind.STALE or channel is None else channel.unit
    words = {LimitKind.ABOVE: "above", LimitKind.BELOW: "below", LimitKind.STALE: "silent for"}
    action = run.stand.stop_actions.get(limit.action)
    return (
        Text(limit.name, code=True),
        Text(limit.channel if channel is None else channel.label),
        Text(limit.severity.value),
        Text(words[limit.kind]),
        plain(limit.set_point, unit),
        plain(limit.deadband, "K" if unit == "°C" else unit),
        plain(limit.on_delay_s, "s"),
        Text("yes" if limit.latching else "no"),
        Text("none" if action is None else action.name, code=action is not None),
    )


def trips_section(runs: Sequence[RunReport]) -> Section | None:
    """Each trip: first-out cause, value against limit, and how fast it was answered."""
    table = table_by_run(
        runs,
        "trips",
        "Trips",
        (
            Column("time", "Time", "s"),
            Column("first_out", "First-out cause"),
            Column("order", "Order"),
            Column("followed", "Followed by"),
            Column("value", "Value"),
            Column("limit", "Limit"),
            Column("decision", "Decided", "ms"),
            Column("written", "Command written", "ms"),
            Column("acknowledged", "Acknowledged", "ms"),
        ),
        lambda run: (_trip_row(trip) for trip in run.trips),
        note="Reaction times are host time from the arrival of the sample that completed the condition. A software "
        "trip is not a safety function.",
    )
    if table is None:
        return None
    blocks: list[Block] = [table]
    for run in runs:
        for index, trip in enumerate(run.trips, start=1):
            blocks.extend(_trip_figures(trip, index, run, runs))
    return Section("trips", "Trips", tuple(blocks))


def _trip_row(trip: Trip) -> Row:
    order = {True: "resolved", False: "order not resolved", None: NOT_LOGGED}[trip.order_resolved]
    if trip.acknowledged_ms is not None:
        acknowledged: Cell = plain(trip.acknowledged_ms, "ms", 3)
    else:
        acknowledged = Text("NOT ACKNOWLEDGED", Tone.ERROR) if trip.not_acknowledged else Text(NOT_LOGGED)
    return (
        plain(round(trip.time_s, 3), "s", TIME_DIGITS),
        Text(" or ".join(trip.limits), Tone.ERROR),
        Text(order),
        Text(", ".join(trip.followed)),
        trip.value,
        trip.set_point,
        _stage(trip.decided_ms),
        _stage(trip.written_ms),
        acknowledged,
    )


def _stage(milliseconds: float | None) -> Cell:
    return Text(NOT_LOGGED) if milliseconds is None else plain(milliseconds, "ms", 3)


def _trip_figures(trip: Trip, index: int, run: RunReport, runs: Sequence[RunReport]) -> Iterable[Block]:
    name = f"trip {index}{of_run(run, runs)}"
    yield Paragraph(trip.message, Tone.ERROR, name[:1].upper() + name[1:])
    if trip.around:
        panels = tuple(Panel(t.label, t.unit, (as_trace(t),), limit_levels(run.stand, t.channel)) for t in trip.around)
        yield TraceFigure(
            f"trip-{run_slug(run)}-{index}",
            f"Around {name}",
            f"{listed([t.label for t in trip.around])} shortly before and after {name}, with the limits.",
            panels,
            (),
            (trip_mark(trip),),
        )
    stages = [
        Mark(label, plain(at, "ms"))
        for label, at in (
            ("sample arrived", 0.0),
            ("decided", trip.decided_ms),
            ("command written", trip.written_ms),
            ("acknowledged", trip.acknowledged_ms),
        )
        if at is not None
    ]
    if len(stages) > 1:
        command = f" The command was {trip.command!r}." if trip.command else ""
        yield StageFigure(
            f"reaction-{run_slug(run)}-{index}",
            f"Reaction to {name}",
            f"From the arrival of the sample to the acknowledgement of the stop command, in milliseconds.{command}",
            tuple(stages),
        )


def events_section(runs: Sequence[RunReport]) -> Section | None:
    """The event log; kinds that come in crowds are cut, and the cut is said."""
    table = table_by_run(
        runs,
        "events",
        "Events",
        (
            Column("time", "Time", "s"),
            Column("kind", "Kind"),
            Column("about", "Source or channel"),
            Column("message", "Message"),
        ),
        lambda run: (_event_row(event) for event in _shown(run.events)),
    )
    if table is None:
        return None
    cut = [line for run in runs for line in _cut_lines(run, runs)]
    blocks: list[Block] = [table]
    if cut:
        blocks.append(Paragraph("; ".join(cut) + ". They are in the run file.", Tone.NOTE, "Not listed"))
    return Section("events", "Events", tuple(blocks))


def _shown(events: Sequence[Event]) -> Iterable[Event]:
    seen: Counter[EventKind] = Counter()
    for event in events:
        seen[event.kind] += 1
        if seen[event.kind] <= SHOWN_OF_A_KIND:
            yield event


def _cut_lines(run: RunReport, runs: Sequence[RunReport]) -> Iterable[str]:
    for kind, n in Counter(event.kind for event in run.events).items():
        if n > SHOWN_OF_A_KIND:
            yield f"{n - SHOWN_OF_A_KIND} more {_in_words(kind)} event(s){of_run(run, runs)}"


def _in_words(kind: EventKind) -> str:
    return kind.value.replace("_", " ")


def _event_row(event: Event) -> Row:
    about = " ".join(part for part in (event.source, event.channel) if part)
    return (
        plain(round(event.time_s, 3), "s", TIME_DIGITS),
        Text(_in_words(event.kind), _TONES.get(event.kind, Tone.PLAIN)),
        Text(about),
        Text(event.message),
    )
