"""Limits on channels: when a limit acts, and when it lets go.

Words as in IEC 62682: set point, deadband, on-delay, off-delay, latching. All times are host ns, and time is an
argument. The rules:

1. A sample is above when ``value > set_point``, below when ``value < set_point``: equality does not count. It is back
   when ``value <= set_point - deadband`` (above) or ``value >= set_point + deadband`` (below): equality counts.
   Between the two it is neither. The deadband matters only to a limit that acts.
2. A limit acts when its condition has stood for ``on_delay_s`` and lets go when the channel has been back for
   ``off_delay_s``. A sample that says otherwise starts the delay anew. A delay of 0 is over with the sample itself.
3. A sample holds until the next one: between two samples nothing is known to have changed, so a delay runs out
   between them. A delay shorter than the sample interval therefore filters nothing.
4. NaN and missing are the condition of a trip limit. For a caution they are neither condition nor return: it does
   not begin to act by them, and does not let go either. All channels of a source are missing when its age (since the
   last row, or since the start) exceeds ``stale_after_s``, and at once when the source is lost.
5. A stale limit has as its condition that the age of the last good (not NaN) sample exceeds ``set_point`` seconds;
   a good sample is its return. With a lost source a stale trip limit has its condition at once.
6. Evidence at an instant comes before time at that instant: a sample at the very end of a delay decides.

What acts when does not depend on how the rows are cut into blocks, nor on when :meth:`LimitEngine.tick` is called,
as long as rows are handed in before a tick at or after their arrival.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, StrEnum

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError
from benchkit.model.limits import Limit, LimitKind, Severity

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


class Evidence(StrEnum):
    """What the condition of a limit was seen by."""

    VALUE = "value"
    NOT_MEASURED = "not_measured"
    """NaN."""
    SILENT = "silent"
    """No row, or for a stale limit no good sample, for too long."""
    LOST = "lost"
    """The link of the source is lost."""


@dataclass(frozen=True, slots=True)
class LimitChange:
    """A limit began to act (``acts``) or let go.

    ``time_ns`` is the exact instant, which may lie before the call that found it. ``value`` is the last one of the
    channel, NaN when there is none. ``row`` counts the rows of ``source`` up to that instant (0: none yet).
    """

    limit: Limit
    acts: bool
    time_ns: int
    source: str
    row: int
    value: float
    evidence: Evidence


class _Level(Enum):
    """How one limit sees its channel at an instant."""

    CONDITION = 1
    NEITHER = 2
    BACK = 3


def _ns(seconds: float) -> int:
    return round(seconds * 1e9)


class _Watch:
    """One limit on its channel, followed sample by sample."""

    __slots__ = (
        "acts", "back_point", "column", "evidence", "good_ns", "held", "is_above", "is_missing", "is_stale", "is_trip",
        "limit", "off_ns", "on_ns", "order", "row", "set_point", "silence_ns", "since_ns", "source", "value",
    )  # fmt: skip

    def __init__(self, limit: Limit, *, order: int, source: str, column: int, stale_ns: int, start_ns: int) -> None:
        self.limit, self.order, self.source, self.column = limit, order, source, column
        self.is_above = limit.kind is LimitKind.ABOVE
        self.is_stale = limit.kind is LimitKind.STALE
        self.is_trip = limit.severity is Severity.TRIP
        self.set_point = limit.set_point
        self.back_point = limit.set_point - limit.deadband if self.is_above else limit.set_point + limit.deadband
        self.on_ns, self.off_ns = _ns(limit.on_delay_s), _ns(limit.off_delay_s)
        self.silence_ns = _ns(limit.set_point) if self.is_stale else stale_ns
        self.acts = False
        self.held = False
        """Latched: has acted and was not released."""
        self.since_ns: int | None = None
        """Start of the running delay: on-delay, or off-delay while the limit acts."""
        self.is_missing = False
        self.good_ns = start_ns
        self.row = 0
        self.value = math.nan
        self.evidence = Evidence.VALUE

    def follow(
        self, times: Sequence[int], values: Sequence[float], heard_ns: int, row: int, out: list[LimitChange]
    ) -> None:
        """Rows in order. ``heard_ns`` and ``row`` are of the source's row before them."""
        self.row = row
        for time_ns, value in zip(times, values, strict=True):
            self.advance(time_ns, heard_ns, out)
            heard_ns = time_ns
            row += 1
            self.row = row
            if not self.is_stale:
                self.is_missing = False
                self.settle(time_ns, self.level_of(value), out)
            elif not math.isnan(value):
                self.is_missing = False
                self.good_ns = time_ns
                self.value, self.evidence = value, Evidence.VALUE
                self.settle(time_ns, _Level.BACK, out)

    def level_of(self, value: float) -> _Level:
        """Rules 1 and 4 for one sample."""
        self.value = value
        if math.isnan(value):
            self.evidence = Evidence.NOT_MEASURED
            return _Level.CONDITION if self.is_trip else _Level.NEITHER
        self.evidence = Evidence.VALUE
        if self.is_above:
            if value > self.set_point:
                return _Level.CONDITION
            return _Level.BACK if value <= self.back_point else _Level.NEITHER
        if value < self.set_point:
            return _Level.CONDITION
        return _Level.BACK if value >= self.back_point else _Level.NEITHER

    def settle(self, time_ns: int, level: _Level, out: list[LimitChange]) -> None:
        """Rule 2: start, break or finish a delay."""
        if level is not (_Level.BACK if self.acts else _Level.CONDITION):
            self.since_ns = None
            return
        if self.since_ns is None:
            self.since_ns = time_ns
        if time_ns - self.since_ns >= (self.off_ns if self.acts else self.on_ns):
            self.flip(time_ns, out)

    def flip(self, time_ns: int, out: list[LimitChange]) -> None:
        self.acts = not self.acts
        self.held = self.held or (self.acts and self.limit.latching)
        self.since_ns = None
        out.append(LimitChange(self.limit, self.acts, time_ns, self.source, self.row, self.value, self.evidence))

    def advance(self, until_ns: int, heard_ns: int, out: list[LimitChange]) -> None:
        """Let time pass up to, not including, ``until_ns``: delays run out, silence becomes too long."""
        while True:
            silent_ns = (self.good_ns if self.is_stale else heard_ns) + self.silence_ns + 1
            silence_due = not self.is_missing and silent_ns < until_ns
            if self.since_ns is not None:
                over_ns = self.since_ns + (self.off_ns if self.acts else self.on_ns)
                # at the same instant silence comes first: it is evidence, the end of a delay is time (rule 6)
                if over_ns < until_ns and not (silence_due and silent_ns <= over_ns):
                    self.flip(over_ns, out)
                    continue
            if not silence_due:
                return
            self.miss(silent_ns, Evidence.SILENT, out)

    def miss(self, time_ns: int, evidence: Evidence, out: list[LimitChange]) -> None:
        """The channel counts as missing from ``time_ns`` until its next sample (rules 4 and 5)."""
        self.is_missing = True
        self.value, self.evidence = math.nan, evidence
        self.settle(time_ns, _Level.CONDITION if self.is_trip or self.is_stale else _Level.NEITHER, out)

    def is_busy(self, heard_ns: int) -> bool:
        """True when the next row may matter although its value breaks nothing."""
        return self.acts or self.since_ns is not None or self.is_missing or (self.is_stale and self.good_ns != heard_ns)


class _SourceWatch:
    """All limits on the channels of one source, with what the quick look at a block needs."""

    def __init__(self, name: str, channels: Sequence[str], watches: Sequence[_Watch], stale_ns: int, start_ns: int):
        self.name, self.width, self.watches = name, len(channels), tuple(watches)
        self.heard_ns = start_ns
        self.rows = 0
        self.has_spoken = False
        self.is_lost = False
        self.stale_ns = stale_ns
        self.silence_ns = min([stale_ns, *(w.silence_ns for w in watches)])
        self.stale_watches = tuple(w for w in watches if w.is_stale)
        self.busy: tuple[_Watch, ...] = ()
        self.high = np.full(self.width, np.inf)
        self.low = np.full(self.width, -np.inf)
        self.needs_number = np.zeros(self.width, dtype=np.bool_)
        for watch in watches:
            column = watch.column
            if watch.limit.kind is LimitKind.ABOVE:
                self.high[column] = min(self.high[column], watch.set_point)
            elif watch.limit.kind is LimitKind.BELOW:
                self.low[column] = max(self.low[column], watch.set_point)
            self.needs_number[column] |= watch.is_trip or watch.is_stale

    def suspects(self, values: FloatArray) -> npt.NDArray[np.bool_]:
        """Columns (channels,) in which some row fulfils the condition of some limit."""
        if values.shape[0] == 1:
            top = bottom = values[0]
            is_nan = np.isnan(top)
        else:
            top, bottom = values.max(axis=0), values.min(axis=0)
            is_nan = np.isnan(top)
            if is_nan.any():
                top, bottom = np.fmax.reduce(values, axis=0), np.fmin.reduce(values, axis=0)
        found: npt.NDArray[np.bool_] = (top > self.high) | (bottom < self.low) | (is_nan & self.needs_number)
        return found

    def was_silent(self, arrival_ns: IntArray) -> bool:
        """True when two successive rows, from the last one before the block on, are further apart than allowed."""
        if int(arrival_ns[-1]) - self.heard_ns <= self.silence_ns:
            return False
        longest = int(arrival_ns[0]) - self.heard_ns
        if arrival_ns.shape[0] > 1:
            longest = max(longest, int(np.diff(arrival_ns).max()))
        return longest > self.silence_ns

    def follow(
        self, watches: Iterable[_Watch], arrival_ns: IntArray, values: FloatArray, out: list[LimitChange]
    ) -> None:
        """The exact way: row by row for each of ``watches``; the others are known to be quiet."""
        times = arrival_ns.tolist()
        columns: dict[int, list[float]] = {}
        for watch in watches:
            column = columns.get(watch.column)
            if column is None:
                column = columns[watch.column] = values[:, watch.column].tolist()
            watch.follow(times, column, self.heard_ns, self.rows, out)

    def heard(self, arrival_ns: int, rows: int, followed: Iterable[_Watch]) -> None:
        """Book the block. Every limit that was not followed has seen good samples only."""
        self.heard_ns = arrival_ns
        self.rows += rows
        self.has_spoken = True
        followed = tuple(followed)
        for watch in self.stale_watches:
            if watch not in followed:
                watch.good_ns = arrival_ns
        self.settle_busy(followed)

    def settle_busy(self, among: Iterable[_Watch]) -> None:
        self.busy = tuple(w for w in among if w.is_busy(self.heard_ns))


class LimitEngine:
    """Follows all limits of a stand.

    ``channels_by_source`` names the columns of the blocks of each source; ``stale_after_s`` the age from which its
    channels are missing; ``start_ns`` the host time from which silence counts. A limit on an unknown channel is a
    ``UsageError``; :func:`benchkit.protect.configuration.check_limits` finds faults of a profile before.
    """

    def __init__(
        self,
        limits: Sequence[Limit],
        channels_by_source: Mapping[str, tuple[str, ...]],
        stale_after_s: Mapping[str, float],
        start_ns: int,
    ) -> None:
        home = {name: source for source, names in channels_by_source.items() for name in names}
        self._sources: dict[str, _SourceWatch] = {}
        for limit in limits:
            if limit.channel not in home:
                raise UsageError("a limit on a channel that no source delivers", where=limit.name, got=limit.channel)
        for source, names in channels_by_source.items():
            stale_ns = _ns(stale_after_s[source])
            watches = [
                _Watch(
                    limit,
                    order=order,
                    source=source,
                    column=names.index(limit.channel),
                    stale_ns=stale_ns,
                    start_ns=start_ns,
                )
                for order, limit in enumerate(limits)
                if home[limit.channel] == source
            ]
            self._sources[source] = _SourceWatch(source, names, watches, stale_ns, start_ns)
        self._watches = sorted((w for s in self._sources.values() for w in s.watches), key=lambda w: w.order)
        self._order = {w.limit.name: w.order for w in self._watches}

    def feed(self, source: str, arrival_ns: IntArray, values: FloatArray) -> list[LimitChange]:
        """Rows of one source, oldest first: ``arrival_ns`` (n,), ``values`` (n, channels) in bench units.

        Rows of a lost source are not looked at until :meth:`source_back`. Raises ``UsageError`` for a wrong shape or
        times that go back; nothing has changed then.
        """
        watch = self._checked(source, arrival_ns, values)
        count = values.shape[0]
        if count == 0 or watch.is_lost:
            return []
        out: list[LimitChange] = []
        if watch.was_silent(arrival_ns):
            followed = watch.watches
        else:
            suspects = watch.suspects(values)
            if suspects.any():
                followed = tuple(w for w in watch.watches if suspects[w.column] or w in watch.busy)
            else:
                followed = watch.busy
        if followed:
            watch.follow(followed, arrival_ns, values, out)
        watch.heard(int(arrival_ns[-1]), count, followed)
        return self._in_order(out)

    def feed_exact(self, source: str, arrival_ns: IntArray, values: FloatArray) -> list[LimitChange]:
        """As :meth:`feed`, every limit row by row: slow, and what :meth:`feed` must agree with."""
        watch = self._checked(source, arrival_ns, values)
        if values.shape[0] == 0 or watch.is_lost:
            return []
        out: list[LimitChange] = []
        watch.follow(watch.watches, arrival_ns, values, out)
        watch.heard(int(arrival_ns[-1]), values.shape[0], watch.watches)
        return self._in_order(out)

    def tick(self, now_ns: int) -> list[LimitChange]:
        """Let time pass up to and including ``now_ns``."""
        out: list[LimitChange] = []
        for watch in self._sources.values():
            is_silent = now_ns - watch.heard_ns > watch.silence_ns
            if is_silent or watch.busy:
                concerned = watch.watches if is_silent else watch.busy
                for limit_watch in concerned:
                    limit_watch.row = watch.rows
                    limit_watch.advance(now_ns + 1, watch.heard_ns, out)
                watch.settle_busy(concerned)
        return self._in_order(out)

    def source_lost(self, source: str, now_ns: int) -> list[LimitChange]:
        """The link is lost: its channels are missing from ``now_ns`` on."""
        watch = self._source(source)
        out: list[LimitChange] = []
        for limit_watch in watch.watches:
            limit_watch.row = watch.rows
            limit_watch.advance(now_ns, watch.heard_ns, out)
            if not (limit_watch.is_stale and not limit_watch.is_trip):
                limit_watch.miss(now_ns, Evidence.LOST, out)
        watch.is_lost, watch.has_spoken = True, False
        watch.settle_busy(watch.watches)
        return self._in_order(out)

    def source_opened(self, source: str, now_ns: int) -> None:
        """The link is open for the first time: until the first row silence counts from here, not from the start."""
        watch = self._source(source)
        if not watch.has_spoken and not watch.is_lost:
            for limit_watch in watch.watches:
                limit_watch.good_ns = now_ns
            watch.heard_ns = now_ns

    def source_back(self, source: str) -> None:
        """The link is open again: its channels stay missing until the next row."""
        self._source(source).is_lost = False

    def is_fresh(self, source: str, now_ns: int) -> bool:
        """True when the source is not lost and its last row is not older than ``stale_after_s``."""
        watch = self._source(source)
        return watch.has_spoken and not watch.is_lost and now_ns - watch.heard_ns <= watch.stale_ns

    def heard_ns(self, source: str) -> int | None:
        """Arrival of the last row since the source was (re)opened; None before the first."""
        watch = self._source(source)
        return watch.heard_ns if watch.has_spoken else None

    @property
    def standing(self) -> tuple[Limit, ...]:
        """Limits that act now."""
        return tuple(w.limit for w in self._watches if w.acts)

    @property
    def latched(self) -> tuple[Limit, ...]:
        """Latching limits that have acted and were not released, standing or not."""
        return tuple(w.limit for w in self._watches if w.held)

    def release(self, only: Severity | None = None) -> tuple[Limit, ...]:
        """Release the latched limits (``only``: of that severity) that no longer act, and return them."""
        free = [w for w in self._watches if w.held and not w.acts and only in (None, w.limit.severity)]
        for watch in free:
            watch.held = False
        return tuple(w.limit for w in free)

    def _in_order(self, changes: list[LimitChange]) -> list[LimitChange]:
        if len(changes) > 1:
            changes.sort(key=lambda c: (c.time_ns, c.row, self._order[c.limit.name]))
        return changes

    def _source(self, source: str) -> _SourceWatch:
        watch = self._sources.get(source)
        if watch is None:
            raise UsageError("unknown source", got=source, expected=f"one of {', '.join(self._sources)}")
        return watch

    def _checked(self, source: str, arrival_ns: IntArray, values: FloatArray) -> _SourceWatch:
        watch = self._source(source)
        count = arrival_ns.shape[0]
        if values.shape != (count, watch.width):
            raise UsageError(
                "a block of the wrong shape", where=source, got=values.shape, expected=f"({count}, {watch.width})"
            )
        goes_back = count > 0 and (
            (watch.has_spoken and int(arrival_ns[0]) < watch.heard_ns)
            or (count > 1 and bool((arrival_ns[1:] < arrival_ns[:-1]).any()))
        )
        if goes_back:
            raise UsageError("arrival times go back", where=source, expected="host times that never fall")
        return watch
