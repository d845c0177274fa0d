"""A stand as its recorder tells of it, one object per run. Time (host, monotonic, in s) is an argument."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from benchkit.model.events import Event
from benchkit.model.interlock import State
from benchkit.model.run import RunHeader
from benchkit.model.stand import Stand
from benchkit.session.messages import LiveRows, Message, Status
from gui.state.clock_gap import ClockGap
from gui.state.events import EventLog
from gui.state.headline import LATE_AFTER_S, SILENT_AFTER_S, Headline, Link, link_word, live_headline
from gui.state.history import History, means
from gui.state.margins import Slope, margins, steady_slope
from gui.state.picture import Moment
from gui.state.power import power_path

FloatArray = npt.NDArray[np.float64]
MEAN_S = 0.5
"""Values on the screen are means of this much host time: a number that flickers is not read."""
SLOPE_S = 10.0
"""Stream time over which a slope is taken."""


class LiveModel:
    """Takes the recorder's messages in, gives the panels what they show."""

    def __init__(self, stand: Stand, header: RunHeader, now_s: float) -> None:
        self.stand = stand
        self.header = header
        self.pace = max(header.time_factor, 1.0)
        self.log = EventLog()
        self.status: Status | None = None
        self.histories: dict[str, History] = {}
        self._limited = {x.channel for x in stand.limit_set.limits}
        self._last_message_s = now_s
        self._status_at_s = now_s
        self._newest = (math.nan, math.nan)
        self._clock = ClockGap()
        self._in_force: tuple[Mapping[str, float], Stand] = ({}, stand)
        self.malformed = 0
        """Messages that were not understood, and not used."""

    @property
    def in_force(self) -> Stand:
        """The stand with the set points that are in force: a person may have made some stricter."""
        moved = {} if self.status is None else self.status.protection.tightened
        if moved != self._in_force[0]:
            limits = tuple(
                replace(x, set_point=moved[x.name]) if x.name in moved else x for x in self.stand.limit_set.limits
            )
            stand = replace(self.stand, limit_set=replace(self.stand.limit_set, limits=limits)) if moved else self.stand
            self._in_force = (dict(moved), stand)
        return self._in_force[1]

    def take(self, message: Message, now_s: float) -> None:
        """Take one message in, received at ``now_s``."""
        self._last_message_s = now_s
        if isinstance(message, Status):
            self.status, self._status_at_s = message, now_s
            self._clock.take(message.time_s, now_s)
        elif isinstance(message, Event):
            self.log.add(message, self.time_at(message.time_s))
        else:
            self._rows(message)

    def _rows(self, rows: LiveRows) -> None:
        if len(rows.time_s) == 0:
            return
        history = self.histories.get(rows.source)
        if history is None or history.channels != rows.channels:
            history = History(rows.channels, self._stale_after_s(rows.source), self.pace)
            self.histories[rows.source] = history
        history.append(rows.time_s, rows.values)
        self._newest = (float(rows.arrival_s[-1]), float(rows.time_s[-1]))

    def _stale_after_s(self, source: str) -> float:
        spec = self.stand.sources.get(source)
        return 1.0 if spec is None else spec.stale_after_s

    def silence_s(self, now_s: float) -> float:
        """Host seconds since the last message."""
        return max(now_s - self._last_message_s, 0.0)

    def late_s(self, now_s: float) -> float:
        """How old the newest message is by the recorder's own clock [s]: old ones may still wait in the line."""
        return self._clock.late_s(now_s)

    def link(self, now_s: float) -> Link:
        """LIVE, LATE, STALE or NO RECORDER."""
        word = link_word(self.silence_s(now_s), {} if self.status is None else self.status.sources)
        return Link.LATE if word in (Link.LIVE, Link.STALE) and self.late_s(now_s) >= LATE_AFTER_S else word

    def state(self, now_s: float) -> State | None:
        """State of the interlock; None where it is not known now."""
        return None if self.status is None or self.silence_s(now_s) >= SILENT_AFTER_S else self.status.state

    def time_at(self, host_s: float) -> float:
        """Sample time that belongs to a host time (both since the start of the run)."""
        arrival_s, time_s = self._newest
        return host_s if math.isnan(arrival_s) else time_s + (host_s - arrival_s) * self.pace

    def edge_s(self, now_s: float) -> float:
        """Right edge of the trends, in sample time: now while the recorder speaks, else its last moment."""
        if self.status is None:
            return 0.0 if math.isnan(self._newest[1]) else self._newest[1]
        since = now_s - self._status_at_s if self.silence_s(now_s) < SILENT_AFTER_S else 0.0
        return self.time_at(self.status.time_s + since)

    def headline(self, now_s: float) -> Headline:
        """The state line."""
        return live_headline(
            self.status,
            self.stand,
            self.header,
            silence_s=self.silence_s(now_s),
            run_time_s=self.edge_s(now_s),
            late_s=self.late_s(now_s),
            malformed=self.malformed,
        )

    def stale_channels(self, now_s: float) -> tuple[frozenset[str], float]:
        """Channels whose values are old, and the age of the oldest in host seconds."""
        late = self.late_s(now_s)
        silence = max(self.silence_s(now_s), late)
        names: set[str] = set()
        oldest = 0.0
        for source in self.stand.sources:
            known = None if self.status is None else self.status.sources.get(source)
            age = math.inf if known is None or known.age_s is None else known.age_s + silence
            silent = silence >= SILENT_AFTER_S or late >= LATE_AFTER_S
            if silent or known is None or known.lost or known.stale:
                names.update(c.name for c in self.stand.channels_of(source))
                oldest = max(oldest, age)
        return frozenset(names), oldest

    def means(self) -> dict[str, float]:
        """Means of the newest half second, by channel; those that never came are absent."""
        values: dict[str, float] = {}
        for history in self.histories.values():
            _, rows = history.recent(MEAN_S * self.pace)
            values.update(zip(history.channels, means(rows).tolist(), strict=True))
        return values

    def moment(self, now_s: float) -> Moment:
        """Values, margins and powers of the newest half second."""
        values = self.means()
        slopes: dict[str, Slope] = {}
        for history in self.histories.values():
            time_s, past = history.trend(SLOPE_S)
            for i, name in enumerate(history.channels):
                if name in self._limited:
                    slopes[name] = steady_slope(time_s, past[:, i])
        stale, age_s = self.stale_channels(now_s)
        return Moment(
            values,
            stale,
            age_s,
            margins(self.in_force, values, slopes, self._predicted()),
            power_path(self.stand, values),
        )

    def _predicted(self) -> dict[str, tuple[str, float]]:
        """What the recorder predicts, in sample time: a simulated stand may run faster than the clock."""
        told = () if self.status is None else self.status.protection.predictions
        return {one.channel: (one.limit, one.time_to_limit_s * self.pace) for one in told}

    def at(self, name: str, time_s: float) -> tuple[float, float]:
        """Least and greatest value of a channel at a sample time, as finely as it is still known; NaN: not known."""
        for history in self.histories.values():
            if name in history.channels:
                return history.at(name, time_s)
        return math.nan, math.nan

    def view(
        self, names: Sequence[str], start_s: float, end_s: float, pixels: int
    ) -> Mapping[str, tuple[FloatArray, FloatArray]]:
        """Points to draw per channel; channels that never came are absent."""
        out: dict[str, tuple[FloatArray, FloatArray]] = {}
        for history in self.histories.values():
            own = [name for name in names if name in history.channels]
            if own:
                x, y = history.view(own, start_s, end_s, pixels)
                out.update({name: (x, y[:, i]) for i, name in enumerate(own)})
        return out
