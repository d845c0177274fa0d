"""Why a 4-20 mA channel has no value: the state of its loop, told when it changes.

The value itself is NaN for every current that is not valid (:class:`benchkit.model.sensors.CurrentLoop`); protection
goes by that. Here the reason is found, for people. Time is an argument: changes of a channel are told up to a number a
second, the others are counted, and the state that it ended in is told with the next rows after that second.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchkit.model.events import Event, EventKind
from benchkit.model.samples import FloatArray, Rows
from benchkit.model.sensors import Corrected, CurrentLoop, LoopState, loop_states
from benchkit.model.stand import Channel

MOST_A_SECOND = 5
"""A loose wire makes and breaks hundreds of times a second; five of them show what it is."""
SECOND_NS = 1_000_000_000

_WORDS = {
    LoopState.VALID: "valid again",
    LoopState.BELOW_RANGE: "under range",
    LoopState.ABOVE_RANGE: "over range",
    LoopState.FAULT_LOW: "fault low: broken wire, no supply, or a fault told by the sensor",
    LoopState.FAULT_HIGH: "fault high: short circuit, or a fault told by the sensor",
}


@dataclass(slots=True)
class _Loop:
    """What is known of one channel."""

    name: str
    column: int
    gain: float
    offset: float
    state: LoopState = LoopState.VALID
    told: LoopState = LoopState.VALID
    current_ma: float = float("nan")
    second: int = -1
    in_second: int = 0
    untold: int = 0


class LoopWatch:
    """The current loops of one source. ``faults`` counts, by channel, how often it stopped being valid.

    ``channels`` are those of the source, in the order of the calibrated values; ``columns`` those of its frames.
    """

    def __init__(self, channels: Sequence[Channel], columns: Sequence[str]) -> None:
        self._loops: list[_Loop] = []
        places = []
        for place, channel in enumerate(channels):
            curve = channel.calibration.curve
            inner = curve.curve if isinstance(curve, Corrected) else curve
            if channel.derived is not None or not isinstance(inner, CurrentLoop):
                continue
            gain, offset = (curve.raw_gain, curve.raw_offset) if isinstance(curve, Corrected) else (1.0, 0.0)
            self._loops.append(_Loop(channel.name, list(columns).index(channel.column), gain, offset))
            places.append(place)
        self._places = np.array(places, dtype=np.intp)
        self._is_quiet = True
        self.faults = {loop.name: 0 for loop in self._loops}

    def __bool__(self) -> bool:
        """True where there is a current loop to look at."""
        return bool(self._loops)

    @property
    def standing(self) -> dict[str, str]:
        """The channels that are not valid now, and in words why."""
        return {loop.name: _words(loop) for loop in self._loops if loop.state is not LoopState.VALID}

    def feed(self, rows: Rows, values: FloatArray, start_ns: int, source: str) -> list[Event]:
        """What has changed within ``rows``, whose calibrated ``values`` are (n, channels), as lines for the event log.

        ``start_ns`` is the start of the run. As long as all loops are valid this looks for a NaN among their values,
        and at nothing else.
        """
        if self._is_quiet and not math.isnan(values.take(self._places, axis=1).sum()):  # a sum with a NaN in it is NaN
            return []
        events: list[Event] = []
        for loop in self._loops:
            events += self._look(loop, rows, start_ns, source)
        self._is_quiet = all(loop.state is LoopState.VALID and not loop.untold for loop in self._loops)
        return events

    def _look(self, loop: _Loop, rows: Rows, start_ns: int, source: str) -> list[Event]:
        current = loop.gain * rows.values[:, loop.column] + loop.offset
        # a row without a current says nothing of the loop: the frame did not hold this column
        known = np.flatnonzero(~np.isnan(current))
        if known.size == 0:
            return []
        states = loop_states(current[known])
        events = []
        for at in np.flatnonzero(np.diff(states, prepend=np.int8(loop.state))).tolist():
            row = known[at]
            if loop.state is LoopState.VALID:
                self.faults[loop.name] += 1
            loop.state, loop.current_ma = LoopState(int(states[at])), float(current[row])
            at_ns = int(rows.arrival_ns[row])
            if _has_room(loop, at_ns):
                events.append(_event(loop, at_ns, start_ns, source))
            else:
                loop.untold += 1
        last_ns = int(rows.arrival_ns[-1])
        if loop.untold and last_ns // SECOND_NS != loop.second:
            loop.second, loop.in_second = last_ns // SECOND_NS, 1
            events.append(_event(loop, last_ns, start_ns, source))
        return events


def _has_room(loop: _Loop, at_ns: int) -> bool:
    second = at_ns // SECOND_NS
    loop.in_second = loop.in_second + 1 if second == loop.second else 1
    loop.second = second
    return loop.in_second <= MOST_A_SECOND


def _words(loop: _Loop) -> str:
    return f"{_WORDS[loop.state]}, {loop.current_ma:.2f} mA"


def _event(loop: _Loop, at_ns: int, start_ns: int, source: str) -> Event:
    state, before, untold = loop.state, loop.told, loop.untold
    loop.told, loop.untold = state, 0
    words = _words(loop)
    if untold:
        words += f"; {untold} changes before it were too many to tell"
    return Event(
        (at_ns - start_ns) * 1e-9,
        EventKind.SENSOR_BACK if state is LoopState.VALID else EventKind.SENSOR_FAULT,
        words,
        source,
        loop.name,
        {"state": state.name.lower(), "before": before.name.lower(), "current_ma": loop.current_ma, "untold": untold},
    )
