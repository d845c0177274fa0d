"""Events as JSON lines: one line, one event, in the log of the run file and in the journal alike."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping

from benchkit.errors import RunFileError
from benchkit.model.events import Event, EventKind, JsonValue


def event_line(event: Event) -> bytes:
    """One event as one line of JSON (UTF-8, ends with a newline). Numbers JSON does not have become null."""
    fields: dict[str, JsonValue] = {
        "time_s": event.time_s,
        "kind": event.kind.value,
        "message": event.message,
    }
    if event.source:
        fields["source"] = event.source
    if event.channel:
        fields["channel"] = event.channel
    if event.data:
        fields["data"] = dict(event.data)
    return (json.dumps(_plain(fields), ensure_ascii=False, allow_nan=False) + "\n").encode("utf-8", "replace")


def parse_event(line: bytes, *, where: str = "event log") -> Event:
    """The event of one line.

    Raises:
        RunFileError: the line is not an event of this version.
    """
    try:
        fields = json.loads(line)
        time_s = fields["time_s"]
        data = fields.get("data", {})
        if not isinstance(data, Mapping):
            raise TypeError("data is not a mapping")
        return Event(
            time_s=math.nan if time_s is None else float(time_s),
            kind=EventKind(fields["kind"]),
            message=str(fields["message"]),
            source=str(fields.get("source", "")),
            channel=str(fields.get("channel", "")),
            data=data,
        )
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise RunFileError(
            "a line is not an event",
            where=where,
            got=line[:80],
            expected="a JSON object with time_s, kind and message",
            remedy="Read the run with the benchkit that recorded it, or a newer one.",
        ) from error


def split_lines(log: bytes, *, is_closed: bool) -> list[bytes]:
    """Lines of a log, without their newlines. In a run that was not closed a torn last line is left out."""
    *lines, rest = log.split(b"\n")
    if rest and is_closed:
        lines.append(rest)
    return lines


def parse_events(lines: Iterable[bytes], *, where: str = "event log") -> list[Event]:
    """Events of several lines."""
    return [parse_event(line, where=where) for line in lines]


def _plain(value: JsonValue) -> JsonValue:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, Mapping):
        return {str(key): _plain(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(entry) for entry in value]
    return value
