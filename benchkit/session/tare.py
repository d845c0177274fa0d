"""The request ``tare``: take the mean of the last two seconds at rest as zero, and write down who did it and how.

Refused while the shaft turns or while nobody can say whether it does: a zero taken under load shifts every later value
and every limit on it. For the same reason only quantities that are zero at rest can be tared, and only by a small
part of their range.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from benchkit.analysis.tare import Zero, offsets_after, zero_of
from benchkit.errors import RefusedError, did_you_mean
from benchkit.model.events import Event, EventKind, JsonValue
from benchkit.model.interlock import State
from benchkit.model.samples import FloatArray
from benchkit.model.stand import Channel, Role
from benchkit.model.start_conditions import ZERO_AT_REST

if TYPE_CHECKING:
    from benchkit.session.lane import Lane
    from benchkit.session.recorder import Recorder

WINDOW_NS = 2_000_000_000
TURNING_RPM = 5.0
"""A shaft that never read more than this over the window stands still."""
LARGEST_SHARE = 0.1
"""A zero further off than this part of the channel's span is a fault to be found, not a zero to be taken."""
FEWEST_ROWS = 5
AT_REST = frozenset({State.STANDBY, State.READY, State.TRIPPED})


def take_tare(recorder: Recorder, request: dict[str, Any]) -> dict[str, Any]:
    """Tare the channels named in the request. Either all of them are tared, or none.

    Raises:
        RefusedError: with the reason.
    """
    now = recorder.clock.now_ns()
    channels = _channels(recorder, request.get("channels"))
    if recorder.protection.state not in AT_REST:
        raise RefusedError(
            "the stand must be at rest", where="tare", got=recorder.protection.state.value, remedy="Stop and disarm."
        )
    largest_rpm = largest_speed(recorder, now, "tare")
    by_source: dict[str, dict[str, JsonValue]] = {}
    for channel in channels:
        lane = recorder.lanes[channel.source]
        zero = zero_of(rows_of(lane, channel, now, FEWEST_ROWS, "tare"))
        before = _offset(lane, channel)
        after = before - zero.mean
        _check_size(channel, after)
        by_source.setdefault(channel.source, {})[channel.name] = _entry(channel, before, after, zero)
    for source, entries in by_source.items():
        lane = recorder.lanes[source]
        data: dict[str, JsonValue] = {
            "who": str(request.get("who", ""))[:80],
            "channels": dict(entries),
            "from_row": lane.rows,
            "window_s": WINDOW_NS * 1e-9,
            "largest_speed_rpm": largest_rpm,
        }
        recorder.note_now(EventKind.TARE, f"tare of {', '.join(entries)}", source, data)
        event = Event(0.0, EventKind.TARE, "", source, data=data)
        lane.map.tare = offsets_after(event, lane.channel_names, lane.map.tare)
        lane.forget_recent()
        recorder.ask_protection(recorder.protection.zero_done(entries, now, str(data["who"])))
    return {"channels": {name: entry for entries in by_source.values() for name, entry in entries.items()}}


def _channels(recorder: Recorder, names: object) -> list[Channel]:
    known = recorder.stand.channels
    if not isinstance(names, list) or not names or not all(isinstance(name, str) for name in names):
        raise RefusedError("no channels named", where="tare", got=names, expected="a list of channel names")
    for name in names:
        if name not in known or known[name].source not in recorder.lanes:
            raise RefusedError(
                "no channel of that name is recorded", where="tare", got=name, remedy=did_you_mean(name, known)
            )
        if known[name].derived is not None:
            raise RefusedError("a derived channel has no zero of its own", where="tare", got=name)
        if known[name].quantity not in ZERO_AT_REST:
            raise RefusedError(
                f"a {known[name].quantity.value} is not known to be zero at rest",
                where="tare",
                got=name,
                expected=" or ".join(sorted(q.value for q in ZERO_AT_REST)),
            )
    return [known[name] for name in dict.fromkeys(names)]


def largest_speed(recorder: Recorder, now_ns: int, where: str) -> float:
    """Largest speed of the last two seconds, rpm. Raises RefusedError for ``where`` unless the shaft stood still."""
    channel = recorder.stand.channel_for(Role.SPEED)
    if channel is None or channel.source not in recorder.lanes:
        raise RefusedError(
            "nobody can say whether the shaft turns",
            where=where,
            expected="a measured channel with the role 'speed'",
        )
    largest = float(np.abs(rows_of(recorder.lanes[channel.source], channel, now_ns, 1, where)).max())
    if largest > TURNING_RPM:
        raise RefusedError(
            "the shaft turns",
            where=where,
            got=f"{largest:.4g} rpm in the last {WINDOW_NS * 1e-9:g} s",
            expected=f"at most {TURNING_RPM:g} rpm",
            remedy="Wait until it stands still.",
        )
    return largest


def rows_of(
    lane: Lane, channel: Channel, now_ns: int, fewest: int, where: str, *, allow_nan: bool = False
) -> FloatArray:
    """Values of the channel over the last two seconds (n,), fresh; without ``allow_nan`` all of them measured."""
    arrival, values = lane.recent.since(now_ns - WINDOW_NS)
    if lane.is_lost or arrival.size < fewest or now_ns - int(arrival[-1]) > lane.stale_after_ns:
        raise RefusedError(
            f"{channel.name} is not measured now", where=where, got=f"{arrival.size} rows in the last 2 s"
        )
    if now_ns - int(arrival[0]) < WINDOW_NS // 2:
        raise RefusedError(
            f"{channel.name} has not been measured for long enough",
            where=where,
            got=f"{(now_ns - int(arrival[0])) * 1e-9:.1f} s since the start or the last tare",
            remedy="Wait two seconds.",
        )
    column: FloatArray = values[:, lane.channel_names.index(channel.name)]
    if not allow_nan and bool(np.isnan(column).any()):
        raise RefusedError(f"{channel.name} is not measured in every row", where=where, remedy="Look at its link.")
    return column


def _offset(lane: Lane, channel: Channel) -> float:
    return 0.0 if lane.map.tare is None else float(lane.map.tare[lane.channel_names.index(channel.name)])


def _check_size(channel: Channel, offset: float) -> None:
    largest = LARGEST_SHARE * (channel.high - channel.low)
    if abs(offset) > largest:
        raise RefusedError(
            f"the zero of {channel.name} is too far off to be taken",
            where="tare",
            got=f"{-offset:.4g} {channel.unit}",
            expected=f"within {largest:.4g} {channel.unit}",
            remedy="Is there a load on it? Look at sensor, amplifier and calibration.",
        )


def _entry(channel: Channel, before: float, after: float, zero: Zero) -> dict[str, JsonValue]:
    return {
        "unit": channel.unit,
        "before": before,
        "after": after,
        "mean": zero.mean,
        "u": zero.u,
        "rows": zero.rows,
    }
