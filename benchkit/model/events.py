"""The event log of a run: one line for everything that happened beside the samples."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

JsonValue = str | int | float | bool | None | list["JsonValue"] | dict[str, "JsonValue"]


class EventKind(StrEnum):
    """Kinds of event."""

    RUN_STARTED = "run_started"
    RUN_CLOSED = "run_closed"
    STATE = "state"
    CAUTION = "caution"
    CAUTION_CLEARED = "caution_cleared"
    TRIP = "trip"
    TRIP_CLEARED = "trip_cleared"
    RESET = "reset"
    STOP_COMMANDED = "stop_commanded"
    STOP_ACKNOWLEDGED = "stop_acknowledged"
    STOP_NOT_ACKNOWLEDGED = "stop_not_acknowledged"
    SET_POINT = "set_point"
    TARE = "tare"
    """``data["channels"]`` holds, by name, offsets before and after, mean and u; ``data["from_row"]`` the first row of
    the source that has the new offsets."""
    BAD_FRAME = "bad_frame"
    GAP = "gap"
    REPLY = "reply"
    SOURCE_LOST = "source_lost"
    SOURCE_BACK = "source_back"
    RECORDING_FAULT = "recording_fault"
    HEARTBEAT = "heartbeat"
    """Beats kept back, going on, late, or not taken; at the close of a run its ``data`` holds the figures."""
    REFUSED = "refused"
    MARK = "mark"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Event:
    """One event. ``time_s`` is host time since the start of the run; ``data`` holds plain JSON values."""

    time_s: float
    kind: EventKind
    message: str
    source: str = ""
    channel: str = ""
    data: Mapping[str, JsonValue] = field(default_factory=dict)
