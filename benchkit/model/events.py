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
    STOP_ESCALATED = "stop_escalated"
    STOP_PASSED_OVER = "stop_passed_over"
    """Not sent: a more urgent stop has been commanded to the same source."""
    ACKNOWLEDGED = "acknowledged"
    """An alarm was acknowledged by a person; ``data`` says by whom."""
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    OUT_OF_SERVICE = "out_of_service"
    IN_SERVICE = "in_service"
    SUPPRESSED = "suppressed"
    """By design, in some states of the interlock."""
    UNSUPPRESSED = "unsuppressed"
    FLOOD = "flood"
    FLOOD_OVER = "flood_over"
    PERMISSIVE = "permissive"
    CHECKLIST = "checklist"
    PROOF = "proof"
    """``data["record"]`` is the whole signed record of a proof of limits."""
    PRE_RUN_CHECK = "pre_run_check"
    """``data["check"]`` names it, ``data["findings"]`` is a list of what it found, empty where all is well."""
    SET_POINT = "set_point"
    PLAN = "plan"
    """A plan went on, was stopped or told its account: ``data["entry"]`` says which, the rest are its numbers."""
    LIMIT_SET = "limit_set"
    """A person moved the set point of a limit: ``data`` holds ``limit``, ``set_point``, ``before``, ``profile`` (all in
    ``unit``), ``reason`` and ``who``."""
    TARE = "tare"
    """``data["channels"]`` holds, by name, offsets before and after, mean and u; ``data["from_row"]`` the first row of
    the source that has the new offsets."""
    COMMON_EDGE = "common_edge"
    """``data`` holds ``offset_s``, ``u_s``, ``edges``, and by pairs ``sources`` and ``channels``: times of the second
    minus times of the first."""
    BAD_FRAME = "bad_frame"
    GAP = "gap"
    REPLY = "reply"
    SENSOR_FAULT = "sensor_fault"
    """A 4-20 mA channel has no value, and why: ``data`` holds ``state``, ``before`` (names of ``LoopState``),
    ``current_ma``, and ``untold``, the changes before it that were too many to tell."""
    SENSOR_BACK = "sensor_back"
    QUALITY = "quality"
    """Something is odd with the newest data: a word, never a trip. ``data`` holds ``code`` and ``severity``."""
    QUALITY_OVER = "quality_over"
    SOURCE_LOST = "source_lost"
    SOURCE_BACK = "source_back"
    RECORDING_FAULT = "recording_fault"
    HEARTBEAT = "heartbeat"
    """Beats kept back, going on, late, or not taken; at the close of a run its ``data`` holds the figures."""
    BURST = "burst"
    """A burst was captured, or was not and why: ``data`` holds ``burst_source``, ``number``, ``reason``, ``trigger_s``,
    ``rows`` (0: nothing) and ``missing``."""
    REFUSED = "refused"
    EXCLUDED_POINT = "excluded_point"
    """Samples from ``from_s`` to ``to_s`` (host time since the start of the run) are to go into no map and no fit;
    ``data`` holds these two, ``reason`` and ``who``. The samples stay."""
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
