"""What the recorder says to dashboards, as multipart messages, and back.

First frame: the topic. ``status`` and ``event`` carry one JSON frame; ``rows`` carries a JSON head and three frames of
little-endian float64: sample times, arrival times, values (rows by channels). Everything that comes in is checked
before it is used: a message of the wrong form raises :class:`LinkError` and changes nothing.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from benchkit.errors import LinkError
from benchkit.model.events import Event, EventKind
from benchkit.model.interlock import State
from benchkit.session.keys import ViewerKeys
from benchkit.session.plan_status import PlanStatus, plan_status_from
from benchkit.session.protection_status import ProtectionStatus, protection_status_from

FloatArray = npt.NDArray[np.float64]
MAX_FRAME_BYTES = 32 * 1024 * 1024
"""About 3 minutes of 24 channels at 1 kHz; a larger frame is not ours."""


@dataclass(frozen=True, slots=True)
class SourceStatus:
    """State of one source: age of its last good sample (None: none yet), counts since the start."""

    age_s: float | None
    rows: int
    bad_frames: int
    gaps: int
    lost: bool
    stale: bool
    sensor_faults: Mapping[str, str] = field(default_factory=dict)
    """Channels whose current loop says no value, and why."""


@dataclass(frozen=True, slots=True)
class FirstOutStatus:
    """First cause of the trip that stands. Two limits inside one sample interval: order not resolved."""

    limits: tuple[str, ...]
    order_resolved: bool
    time_s: float


@dataclass(frozen=True, slots=True)
class BeatStatus:
    """Heartbeat output: whether beats go out, else why not, and how steadily (see ``protect.heartbeat``)."""

    period_s: float
    kept_back: str
    """Why no beat goes out; empty while beats go out."""
    beats: int
    late: int
    pauses: int
    unanswered: int
    mean_s: float | None
    p99_s: float | None
    worst_s: float | None


@dataclass(slots=True)
class LinkCounts:
    """What came to the recorder's sockets and was not used.

    ``unknown_keys``: handshakes with a key that is not known. ``broken``: connections without a key, with another
    stand's key, or with mangled or replayed messages. ``not_understood``: requests that are none. ``denied``: requests
    of a key that may only watch.
    """

    unknown_keys: int = 0
    broken: int = 0
    not_understood: int = 0
    denied: int = 0

    @property
    def total(self) -> int:
        """All of them."""
        return self.unknown_keys + self.broken + self.not_understood + self.denied


@dataclass(frozen=True, slots=True)
class Status:
    """The recorder in one message, at least ten times a second. ``time_s`` is host time since the run began."""

    time_s: float
    state: State
    permissives: Mapping[str, bool]
    recording: bool
    run_path: str
    disk_free_bytes: int
    disk_left_s: float | None
    limit_set: str
    revision: str
    sources: Mapping[str, SourceStatus]
    first_out: FirstOutStatus | None = None
    standing: tuple[str, ...] = ()
    heartbeat: int = 0
    """Counts these messages."""
    limit_hash: str = ""
    """First digits of the hash of the limits in force."""
    protection: ProtectionStatus = field(default_factory=ProtectionStatus)
    beats: BeatStatus | None = None
    """The heartbeat output; None for a stand without one."""
    plan: PlanStatus | None = None
    """The plan of the recording; None where it has none."""
    refused: LinkCounts = field(default_factory=LinkCounts)
    """What came to the recorder's sockets and was not used."""


@dataclass(frozen=True, slots=True, eq=False)
class LiveRows:
    """Rows as they came: ``time_s`` (n,), ``arrival_s`` (n,), ``values`` (n, channels) in bench units."""

    source: str
    channels: tuple[str, ...]
    time_s: FloatArray
    arrival_s: FloatArray
    values: FloatArray


Message = Status | LiveRows | Event


@dataclass(frozen=True, slots=True)
class Endpoints:
    """Addresses of a recorder."""

    publish: str
    request: str
    run_path: str = ""
    pid: int = 0
    extra: Mapping[str, Any] = field(default_factory=dict)
    keys: ViewerKeys | None = None
    """Where the recorder asks for keys: those of this dashboard."""


def encode(message: Message) -> list[bytes]:
    """Frames of one message."""
    if isinstance(message, Status):
        return [b"status", _json(asdict(message))]
    if isinstance(message, Event):
        return [b"event", _json(asdict(message))]
    head = {"source": message.source, "channels": list(message.channels), "count": int(message.time_s.shape[0])}
    arrays = (message.time_s, message.arrival_s, message.values)
    return [b"rows", _json(head), *(np.ascontiguousarray(a, dtype="<f8").tobytes() for a in arrays)]


def decode(frames: Sequence[bytes]) -> Message:
    """The message in ``frames``.

    Raises:
        LinkError: the frames are not a message of a recorder.
    """
    try:
        if any(len(frame) > MAX_FRAME_BYTES for frame in frames):
            raise ValueError("frame too large")
        topic, body = frames[0], json.loads(frames[1])
        if topic == b"status" and len(frames) == 2:
            return _status(body)
        if topic == b"event" and len(frames) == 2:
            return event_from(body)
        if topic == b"rows" and len(frames) == 5:
            return _rows(body, frames)
        raise ValueError("unknown topic or number of frames")
    except (ValueError, KeyError, TypeError, IndexError, AttributeError, RecursionError) as error:
        raise LinkError(
            "message not understood", where="recorder link", got=str(error), remedy="Is the address that of a recorder?"
        ) from None


def event_from(body: Mapping[str, Any]) -> Event:
    """An event from its JSON mapping; raises KeyError, ValueError or TypeError on a wrong form."""
    return Event(
        time_s=float(body["time_s"]),
        kind=EventKind(body["kind"]),
        message=str(body["message"]),
        source=str(body.get("source", "")),
        channel=str(body.get("channel", "")),
        data=dict(body.get("data") or {}),
    )


def _status(body: Mapping[str, Any]) -> Status:
    first = body.get("first_out")
    return Status(
        time_s=float(body["time_s"]),
        state=State(body["state"]),
        permissives={str(k): bool(v) for k, v in body["permissives"].items()},
        recording=bool(body["recording"]),
        run_path=str(body["run_path"]),
        disk_free_bytes=int(body["disk_free_bytes"]),
        disk_left_s=None if body["disk_left_s"] is None else float(body["disk_left_s"]),
        limit_set=str(body["limit_set"]),
        revision=str(body["revision"]),
        sources={str(k): SourceStatus(**v) for k, v in body["sources"].items()},
        first_out=None
        if first is None
        else FirstOutStatus(tuple(first["limits"]), bool(first["order_resolved"]), float(first["time_s"])),
        standing=tuple(str(name) for name in body["standing"]),
        heartbeat=int(body["heartbeat"]),
        limit_hash=str(body.get("limit_hash", "")),
        protection=protection_status_from(body["protection"]),
        beats=None if body.get("beats") is None else BeatStatus(**body["beats"]),
        plan=plan_status_from(body.get("plan")),
        refused=LinkCounts(**{str(k): int(v) for k, v in body.get("refused", {}).items()}),
    )


def _rows(head: Mapping[str, Any], frames: Sequence[bytes]) -> LiveRows:
    count, channels = int(head["count"]), tuple(str(c) for c in head["channels"])
    times, arrivals, values = (np.frombuffer(frame, dtype="<f8") for frame in frames[2:5])
    if times.shape != (count,) or arrivals.shape != (count,) or values.size != count * len(channels):
        raise ValueError("sizes do not match the head")
    return LiveRows(str(head["source"]), channels, times, arrivals, values.reshape(count, len(channels)))


def _json(body: Any) -> bytes:
    return json.dumps(_plain(body), ensure_ascii=False, allow_nan=False).encode("utf-8")


def _plain(value: Any) -> Any:
    """JSON has no NaN: what is not measured becomes null."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    return value
