"""Limits as they were set, trips as they happened, and the event log."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from benchkit.model.cautions import NOT_A_SAFETY_FUNCTION
from benchkit.model.events import Event, EventKind
from benchkit.model.limits import Direction, Limit, LimitKind, deadband_unit, set_point_unit
from benchkit.model.stops import StopAction
from benchkit.report.heartbeat import heartbeat_paragraph
from benchkit.report.limit_layers import limit_changes_table, limit_set_blocks
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
from benchkit.report.proofs import proof_blocks
from benchkit.report.rows import listed, of_run, run_slug, table_by_run
from benchkit.report.trips import AFTER_S, BEFORE_S, worst_reaction

Row = tuple[Cell, ...]
NOT_LOGGED = "not in the log"
TIME_DIGITS = 10
"""Milliseconds are shown however long the run was."""
ALARM_KINDS = (
    EventKind.ACKNOWLEDGED,
    EventKind.SHELVED,
    EventKind.UNSHELVED,
    EventKind.OUT_OF_SERVICE,
    EventKind.IN_SERVICE,
    EventKind.SUPPRESSED,
    EventKind.UNSUPPRESSED,
    EventKind.FLOOD,
    EventKind.FLOOD_OVER,
    EventKind.CHECKLIST,
)
SHOWN_OF_A_KIND = 25
"""Events of one kind that the page lists; the rest are counted, and stay in the run file."""
_TONES = {
    EventKind.TRIP: Tone.ERROR,
    EventKind.STOP_NOT_ACKNOWLEDGED: Tone.ERROR,
    EventKind.STOP_ESCALATED: Tone.ERROR,
    EventKind.FLOOD: Tone.CAUTION,
    EventKind.RECORDING_FAULT: Tone.ERROR,
    EventKind.CAUTION: Tone.CAUTION,
    EventKind.SENSOR_FAULT: Tone.CAUTION,
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
            Column("from", "From"),
        ),
        lambda run: (_limit_row(limit, run) for limit in run.stand.limit_set.limits),
        note=f"{NOT_A_SAFETY_FUNCTION} A trip limit also acts on a missing, stale or NaN value.",
    )
    if table is None:
        return None
    actions = table_by_run(
        runs,
        "stop-actions",
        "Stop actions",
        (
            Column("name", "Stop action"),
            Column("step", "Step"),
            Column("source", "Sent to"),
            Column("command", "Command"),
            Column("acknowledged_by", "Acknowledged by"),
            Column("delay", "Delay", "s"),
            Column("timeout", "Repeated after", "s"),
            Column("stop_category", "Stop category"),
            Column("escalation", "Escalates"),
        ),
        lambda run: (row for action in run.stand.stop_actions.values() for row in _action_rows(action)),
        note="Stop categories as in IEC 60204-1. An action that escalates to none is repeated until it is answered.",
    )
    blocks: list[Block | None] = [
        *limit_set_blocks(runs),
        table,
        limit_changes_table(runs),
        actions,
        heartbeat_paragraph(runs),
        *proof_blocks(runs),
    ]
    return Section("limits", "Limits", tuple(block for block in blocks if block is not None))


def _action_rows(action: StopAction) -> Iterable[Row]:
    """A row per step."""
    of = len(action.steps)
    for number, step in enumerate(action.steps, start=1):
        escalation = f"to {action.escalate_to} after {step.attempts} attempts" if action.escalate_to else "none"
        yield (
            Text(action.name, code=True),
            Text(f"{number} of {of}"),
            Text(step.source),
            Text(step.command, code=True),
            Text(step.acknowledged_by, code=True),
            plain(step.delay_s, "s"),
            plain(step.timeout_s, "s"),
            count(step.stop_category),
            Text(escalation),
        )


def _limit_row(limit: Limit, run: RunReport) -> Row:
    channel = run.stand.channels.get(limit.channel)
    unit = "" if channel is None else channel.unit
    action = run.stand.stop_actions.get(limit.action)
    return (
        Text(limit.name, code=True),
        Text(limit.channel if channel is None else channel.label),
        Text(limit.severity.value),
        Text(condition(limit)),
        plain(limit.set_point, set_point_unit(limit, unit)),
        plain(limit.deadband, deadband_unit(limit, unit)),
        plain(limit.on_delay_s, "s"),
        Text("yes" if limit.latching else "no"),
        Text("none" if action is None else action.name, code=action is not None),
        Text(run.stand.limit_set.origin(limit.name) or "not recorded"),
    )


_CONDITIONS = {
    LimitKind.ABOVE: "above",
    LimitKind.BELOW: "below",
    LimitKind.OUTSIDE: "above, or below the lower edge {low}",
    LimitKind.INSIDE: "below, and above the lower edge {low}",
    LimitKind.RATE: "{direction} by more than",
    LimitKind.STALE: "silent for",
    LimitKind.FROZEN: "moving less than, within {window}, while {others} moves",
    LimitKind.DEVIATION: "further away from {others} than",
    LimitKind.SPREAD: "with {others} further apart than",
    LimitKind.INVERSE_TIME: "inverse-time integral used up, start above",
    LimitKind.THERMAL_REPLICA: "thermal capacity used up, basic current",
    LimitKind.I2T: "I²t above",
    LimitKind.ENERGY_IN_TIME: "energy within {window} above",
}
_DIRECTIONS = {Direction.RISE: "rising", Direction.FALL: "falling", Direction.EITHER: "changing"}


def condition(limit: Limit) -> str:
    """When a limit acts, in words that end before the set point; how that moves comes behind."""
    direction = getattr(limit.detail, "direction", None)
    text = _CONDITIONS[limit.kind].format(
        low=f"{limit.low:.10g}",
        direction=_DIRECTIONS.get(direction, "") if isinstance(direction, Direction) else "",
        window=f"{getattr(limit.detail, 'window_s', 0.0):.10g} s",
        others=", ".join(limit.partners),
    )
    moves = ["along a line over " + line.channel for line in limit.lines]
    if limit.follows_phase:
        moves.append("by phase of operation")
    return text + (f" (moves {' and '.join(moves)})" if moves else "")


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
        note="Reaction times are host time from the arrival of the sample that completed the condition. "
        f"{NOT_A_SAFETY_FUNCTION}",
    )
    if table is None:
        return None
    blocks: list[Block] = [table, *_worst_lines(runs)]
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


def _worst_lines(runs: Sequence[RunReport]) -> Iterable[Block]:
    """One line a run: its slowest reaction."""
    for run in runs:
        worst = worst_reaction(run.events)
        if worst is not None:
            missing = f"; of {worst.incomplete} more a step is not known" if worst.incomplete else ""
            yield Paragraph(
                f"{worst.limit}: decided {worst.decided_ms:.3g} ms after the sample had arrived, command written after "
                f"{worst.written_ms:.3g} ms, acknowledged after {worst.acknowledged_ms:.3g} ms. Longest time to a "
                f"written command {worst.worst_written_ms:.3g} ms. From {worst.reactions} reaction(s){missing}.",
                heading=f"Worst reaction{of_run(run, runs)}",
            )


def _trip_figures(trip: Trip, index: int, run: RunReport, runs: Sequence[RunReport]) -> Iterable[Block]:
    name = f"trip {index}{of_run(run, runs)}"
    yield Paragraph(trip.message, Tone.ERROR, name[:1].upper() + name[1:])
    if trip.rows:
        rows = "; ".join(f"{source} rows {first} to {last}" for source, first, last in trip.rows)
        yield Paragraph(
            f"At full rate in the run file, {BEFORE_S:g} s before to {AFTER_S:g} s after in host time: {rows}.",
            Tone.NOTE,
        )
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


def alarms_section(runs: Sequence[RunReport]) -> Section | None:
    """What people did with alarms: acknowledged, shelved, taken out of service; the checklist; floods."""
    table = table_by_run(
        runs,
        "alarm-log",
        "Alarms: acknowledged, shelved, out of service",
        (
            Column("time", "Time", "s"),
            Column("kind", "What"),
            Column("limit", "Alarm"),
            Column("who", "By"),
            Column("reason", "Reason"),
            Column("message", "Message"),
        ),
        lambda run: (_alarm_row(event) for event in run.events if event.kind in ALARM_KINDS),
        note="Acknowledged: a person has seen the alarm; it stops and clears nothing. Trips cannot be shelved.",
    )
    return None if table is None else Section("alarms", "Alarms", (table,))


def _alarm_row(event: Event) -> Row:
    return (
        plain(round(event.time_s, 3), "s", TIME_DIGITS),
        Text(_in_words(event.kind), _TONES.get(event.kind, Tone.PLAIN)),
        Text(str(event.data.get("limit", ""))),
        Text(str(event.data.get("who", ""))),
        Text(str(event.data.get("reason", ""))),
        Text(event.message),
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
