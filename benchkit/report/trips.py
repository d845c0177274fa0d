"""Trips out of the event log: which limit was first, against what, and how fast the stop followed.

A trip goes from its first cause to the reset. Everything comes from the ``data`` of the events; a log that lacks an
entry gives None, never a guess.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.model.events import Event, EventKind, JsonValue
from benchkit.model.limits import LimitKind
from benchkit.model.stand import Role, Stand
from benchkit.model.stream import StreamRows
from benchkit.report.model import ChannelTrace, Number, Trip
from benchkit.report.traces import thinned

FloatArray = npt.NDArray[np.float64]

BEFORE_S, AFTER_S = 4.0, 6.0
"""Host time shown around a trip."""


@dataclass(frozen=True, slots=True)
class WorstReaction:
    """The slowest reaction: ms from the arrival of the sample to decision, command written, acknowledgement.

    ``worst_written_ms`` is the longest time to a written command, which may be that of another trip. ``incomplete``
    counts reactions of which a step is not known.
    """

    limit: str
    decided_ms: float
    written_ms: float
    acknowledged_ms: float
    worst_written_ms: float
    reactions: int
    incomplete: int


@dataclass(frozen=True, slots=True)
class Stretch:
    """Rows ``first`` to ``last``, both included, of one source in the run file."""

    source: str
    first: int
    last: int


_STAGES = ("sample_to_decided_s", "sample_to_written_s", "sample_to_acknowledged_s")


def digest_trips(
    stand: Stand, streams: Sequence[StreamRows], events: Iterable[Event], time_factor: float = 1.0
) -> tuple[Trip, ...]:
    """All trips of a run, oldest first. ``time_factor`` is stream seconds per host second."""
    return tuple(_trip(stand, streams, episode, time_factor) for episode in _episodes(events))


def worst_reaction(events: Iterable[Event]) -> WorstReaction | None:
    """The slowest of all reactions of a run, from every acknowledged stop in its log; None when there is none."""
    records = [
        record
        for event in events
        if event.kind is EventKind.STOP_ACKNOWLEDGED and isinstance(found := event.data.get("reactions"), list)
        for record in found
        if isinstance(record, dict)
    ]
    timed = [record for record in records if not math.isnan(_float(record.get("sample_to_acknowledged_s")))]
    if not timed:
        return None
    worst = max(timed, key=lambda record: _float(record.get("sample_to_acknowledged_s")))
    written = [_float(record.get("sample_to_written_s")) for record in timed]
    return WorstReaction(
        limit=str(worst.get("limit")),
        decided_ms=1e3 * _float(worst.get("sample_to_decided_s")),
        written_ms=1e3 * _float(worst.get("sample_to_written_s")),
        acknowledged_ms=1e3 * _float(worst.get("sample_to_acknowledged_s")),
        worst_written_ms=1e3 * max(written),
        reactions=len(timed),
        incomplete=len(records) - len(timed),
    )


def stretches(
    streams: Iterable[StreamRows], event_s: float, before_s: float = BEFORE_S, after_s: float = AFTER_S
) -> tuple[Stretch, ...]:
    """Rows of each source from ``before_s`` before an event to ``after_s`` after it, in host time (of arrival).

    The rows are in the run at full rate; these are their indices. A source without a row there is left out.
    """
    found = []
    for stream in streams:
        # arrival never falls within a source; a source that restarts goes on in host time
        first, end = stream.row_at(event_s - before_s), stream.row_at(event_s + after_s)
        if end > first:
            found.append(Stretch(stream.source, first, end - 1))
    return tuple(found)


def _episodes(events: Iterable[Event]) -> Iterator[list[Event]]:
    """Events from each first trip to the reset that ended it, or to the end of the log."""
    episode: list[Event] = []
    for event in events:
        if event.kind is EventKind.TRIP or episode:
            episode.append(event)
        if event.kind is EventKind.RESET and episode:
            yield episode
            episode = []
    if episode:
        yield episode


def _trip(stand: Stand, streams: Sequence[StreamRows], episode: Sequence[Event], time_factor: float) -> Trip:
    trips = [event for event in episode if event.kind is EventKind.TRIP]
    first = [event for event in trips if event.data.get("first_out")] or trips[:1]
    causes = tuple(dict.fromkeys(_cause(event) for event in first))
    named = [event.data["order_resolved"] for event in first if isinstance(event.data.get("order_resolved"), bool)]
    head = first[0]
    value, set_point = _numbers(stand, head)
    reaction, command = _reaction(stand, episode, causes)
    stages = tuple(_milliseconds(reaction, stage) for stage in _STAGES)
    sample_time_s = _sample_time(stand, streams, head)
    return Trip(
        time_s=head.time_s,
        sample_time_s=sample_time_s,
        limits=causes,
        order_resolved=all(named) if named else None,
        message=head.message,
        channel=head.channel,
        value=value,
        set_point=set_point,
        decided_ms=stages[0],
        written_ms=stages[1],
        acknowledged_ms=stages[2],
        command=command,
        not_acknowledged=any(event.kind is EventKind.STOP_NOT_ACKNOWLEDGED for event in episode),
        followed=tuple(dict.fromkeys(name for e in trips if (name := _cause(e)) not in causes)),
        rows=tuple((x.source, x.first, x.last) for x in stretches(streams, head.time_s)),
        around=tuple(_around(stand, streams, head.channel, sample_time_s, time_factor)),
    )


def _cause(event: Event) -> str:
    limit = event.data.get("limit")
    return limit if isinstance(limit, str) else event.message


def _numbers(stand: Stand, event: Event) -> tuple[Number, Number]:
    """Value and set-point of the limit; the set-point of a stale limit is a time."""
    unit = event.data.get("unit")
    unit = unit if isinstance(unit, str) else ""
    kinds = {limit.name: limit.kind for limit in stand.limit_set.limits}
    is_stale = kinds.get(_cause(event)) is LimitKind.STALE
    value, low = _float(event.data.get("value")), _float(event.data.get("low"))
    set_point = _float(event.data.get("set_point"))
    if abs(value - low) < abs(value - set_point) or math.isnan(set_point):  # of a band the edge it was about
        set_point = low
    return Number(value, unit), Number(set_point, "s" if is_stale else unit)


def _float(value: JsonValue) -> float:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if is_number else math.nan  # type: ignore[arg-type]  # is_number says so


def _reaction(stand: Stand, episode: Iterable[Event], causes: Sequence[str]) -> tuple[Mapping[str, JsonValue], str]:
    """Reaction record of the first acknowledged stop that answers one of the causes, and the command it sent."""
    for event in episode:
        records = event.data.get("reactions")
        if event.kind is not EventKind.STOP_ACKNOWLEDGED or not isinstance(records, list):
            continue
        for record in records:
            if isinstance(record, dict) and record.get("limit") in causes:
                return record, _command(stand, event)
    return {}, ""


def _command(stand: Stand, event: Event) -> str:
    """What was commanded; a log that does not say it has actions of one step."""
    told = event.data.get("command")
    action = stand.stop_actions.get(str(event.data.get("action")))
    return told if isinstance(told, str) else "" if action is None else action.steps[0].command


def _milliseconds(record: Mapping[str, JsonValue], stage: str) -> float | None:
    seconds = _float(record.get(stage))
    return None if math.isnan(seconds) else 1e3 * seconds


def _sample_time(stand: Stand, streams: Sequence[StreamRows], event: Event) -> float:
    """Place of an event on the axis of the samples of its channel's source, else of the first source."""
    channel = stand.channels.get(event.channel)
    for stream in streams:
        if len(stream) and (channel is None or stream.source == channel.source):
            return stream.time_at(event.time_s)
    return event.time_s


def _around(
    stand: Stand, streams: Sequence[StreamRows], tripped: str, at_s: float, time_factor: float
) -> Iterator[ChannelTrace]:
    """The tripped channel, speed and torque around a trip."""
    with_role = (stand.roles.get(Role.SPEED), stand.roles.get(Role.TORQUE))
    for name in dict.fromkeys(name for name in (tripped, *with_role) if name):
        for stream in streams:
            if name not in stream.channels:
                continue
            near_s, near = _between(stream, name, at_s - BEFORE_S * time_factor, at_s + AFTER_S * time_factor)
            if near_s.size > 1:
                time_s, values = thinned(near_s, near)
                channel = stand.channels[name]
                yield ChannelTrace(name, channel.label, channel.unit, time_s, values)


def _between(stream: StreamRows, name: str, start_s: float, end_s: float) -> tuple[FloatArray, FloatArray]:
    """Times and values of a channel from one sample time to another; times are searched, values read where they are."""
    times, values = [np.empty(0)], [np.empty(0)]
    for first, time_s in stream.times():
        near = np.flatnonzero((time_s >= start_s) & (time_s <= end_s))
        if near.size:
            part = stream.rows(first + int(near[0]), first + int(near[-1]) + 1)
            times.append(time_s[near])
            values.append(part.column(name)[near - near[0]])
    return np.concatenate(times), np.concatenate(values)
