"""The request ``common_edge``: measure the offset of two sources' times on an edge that both have seen, and write it
down.

Nothing is shifted: neither the rows nor their times. The offset is an event of the run; who lays the two sources side
by side reads it from there (:meth:`benchkit.runfile.reader.Run.time_offsets`).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from benchkit.decode.common_edge import EdgeOffset, offset_between, offset_data, offset_words
from benchkit.errors import RefusedError, did_you_mean
from benchkit.model.events import EventKind

if TYPE_CHECKING:
    from benchkit.model.samples import FloatArray
    from benchkit.model.stand import Channel
    from benchkit.session.lane import Lane
    from benchkit.session.recorder import Recorder

USUAL_S = 5.0
LONGEST_S = 30.0
"""Somebody makes the edge at the stand and then walks to the keyboard."""
MOST_ROWS = 100_000
"""Kept a source, with their times: half a minute at 3 kHz. To look through them takes some milliseconds, which the
loop that protects can spare; it could not spare the half minute of a source of 20 kHz."""


def take_common_edge(recorder: Recorder, request: dict[str, Any]) -> dict[str, Any]:
    """Offset of the second channel's times against the first's, over the last ``last_s`` seconds of arrival.

    Raises:
        RefusedError: with the reason.
        UsageError: the two signals have no common edges.
    """
    now = recorder.clock.now_ns()
    first, second = _channels(recorder, request.get("channels"))
    last_s = _seconds(request.get("last_s", USUAL_S))
    for channel in (first, second):
        _check_fresh(recorder.lanes[channel.source], channel, now)
    found, window_s = _offset(recorder, first, second, now - recorder.start_ns, last_s)
    data = offset_data(found, (first.source, second.source), (first.name, second.name), window_s)
    data["who"] = str(request.get("who", ""))[:80]
    recorder.note(EventKind.COMMON_EDGE, offset_words(found, (first.source, second.source)), data)
    return data


def _channels(recorder: Recorder, names: object) -> tuple[Channel, Channel]:
    known = recorder.stand.channels
    if not isinstance(names, list) or len(names) != 2 or not all(isinstance(name, str) for name in names):
        raise RefusedError("not two channels", where="common_edge", got=names, expected="a list of two channel names")
    for name in names:
        if name not in known or known[name].source not in recorder.lanes:
            raise RefusedError(
                "no channel of that name is recorded", where="common_edge", got=name, remedy=did_you_mean(name, known)
            )
    first, second = known[names[0]], known[names[1]]
    if first.source == second.source:
        raise RefusedError(
            "both channels are of one source: their times are the same",
            where="common_edge",
            got=first.source,
            expected="channels of two sources",
        )
    return first, second


def _seconds(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0.0 < value <= LONGEST_S:
        raise RefusedError(
            "not a stretch of time that is kept",
            where="common_edge: last_s",
            got=value,
            expected=f"more than 0 and at most {LONGEST_S:g} s",
            remedy="Make the edge, then ask soon; or measure it in the closed run: benchkit offset.",
        )
    return float(value)


def _check_fresh(lane: Lane, channel: Channel, now_ns: int) -> None:
    if lane.is_lost or lane.last_good_ns is None or now_ns - lane.last_good_ns > lane.stale_after_ns:
        raise RefusedError(
            f"{channel.name} is not measured now", where="common_edge", remedy=f"Look at the link of {lane.name}."
        )


def _offset(
    recorder: Recorder, first: Channel, second: Channel, now_ns: int, last_s: float
) -> tuple[EdgeOffset, float]:
    """Offset, and seconds looked through: the same stretch in both, else an edge could be in one of them only."""
    pairs = [(recorder.lanes[channel.source], channel.name) for channel in (first, second)]
    start_ns = max(now_ns - math.ceil(last_s * 1e9), *(lane.timed.oldest_ns or 0 for lane, _ in pairs))
    (time_a, a), (time_b, b) = (_signal(lane, name, start_ns) for lane, name in pairs)
    return offset_between(time_a, a, time_b, b), (now_ns - start_ns) * 1e-9


def _signal(lane: Lane, name: str, start_ns: int) -> tuple[FloatArray, FloatArray]:
    column = 1 + lane.channel_names.index(name)
    return lane.timed.column_since(start_ns, 0), lane.timed.column_since(start_ns, column)
