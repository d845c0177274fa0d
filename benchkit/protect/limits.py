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

7. The other kinds watch a value that a measure makes of the samples (:mod:`benchkit.protect.measures`), and rules 1 to
   6 hold for it as for a sample of ``above`` (``frozen``: of ``below``). It is evaluated at samples. ``outside`` has
   both edges of rule 1; ``inside`` has as its condition ``low < value < high``, and is back when
   ``value <= low - deadband`` or ``value >= high + deadband``. While a measure has no verdict the limit neither
   begins to act nor lets go.
8. A partner channel that is NaN makes the watched value NaN. A partner from another source counts with the last row
   handed in before; it is not measured when that source is lost, has not spoken, or was silent for longer than its
   ``stale_after_s`` at the time of the sample.
9. A derating line gives the set point at the partner's value in the same row. Outside the line, and where the partner
   is not measured, there is no set point, and the sample counts as not measured.
10. With the phase of operation (:meth:`LimitEngine.set_phase`) the set points change at once, and what was held is
   looked at anew. A limit that is off in a phase takes everything as its return, NaN and silence too; when the phase
   ends they count again at once.

What acts when does not depend on how the rows are cut into blocks, nor on when :meth:`LimitEngine.tick` is called,
as long as rows are handed in before a tick at or after their arrival.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from itertools import repeat

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError
from benchkit.model.limits import Limit, Phase, Severity
from benchkit.protect.watch import Evidence, LimitChange, Watch, as_ns

__all__ = ["Evidence", "LimitChange", "LimitEngine"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


class SourceRows:
    """All limits on the channels of one source, with what the quick look at a block needs."""

    def __init__(self, name: str, channels: Sequence[str], watches: Sequence[Watch], stale_ns: int, start_ns: int):
        self.name, self.width, self.watches = name, len(channels), tuple(watches)
        self.heard_ns = start_ns
        self.rows = 0
        self.has_spoken = False
        self.is_lost = False
        self.stale_ns = stale_ns
        self.silence_ns = min([stale_ns, *(w.silence_ns for w in watches)])
        self.stale_watches = tuple(w for w in watches if w.is_stale)
        self.slow = tuple(w for w in watches if not w.is_quick)
        """Followed row by row in any case."""
        self.busy: tuple[Watch, ...] = ()
        """Of the others those that must be followed now."""
        self.partners: dict[str, tuple[tuple[SourceRows, int], ...]] = {}
        """Limit -> source and column of each partner and each channel of a derating line."""
        self.keeps_last = any(w.limit.follows_phase for w in watches)
        self.last: FloatArray | None = None
        """The last row, where somebody needs it."""
        self.survey()

    def survey(self) -> None:
        """Gather the set points in force for the quick look."""
        self.high = np.full(self.width, np.inf)
        self.low = np.full(self.width, -np.inf)
        self.needs_number = np.zeros(self.width, dtype=np.bool_)
        self.inside: tuple[FloatArray, FloatArray] | None = None
        for watch in self.watches:
            column = watch.column
            if watch.is_quick and not watch.is_off:
                if watch.is_inside:
                    low, high = self.inside = self.inside or (np.full(self.width, np.inf), np.full(self.width, -np.inf))
                    low[column], high[column] = min(low[column], watch.low), max(high[column], watch.high)
                else:
                    self.high[column] = min(self.high[column], watch.high)
                    self.low[column] = max(self.low[column], watch.low)
                self.needs_number[column] |= watch.is_trip or watch.is_stale

    def suspects(self, values: FloatArray) -> npt.NDArray[np.bool_]:
        """Columns (channels,) in which some row fulfils the condition of some limit, or might."""
        if values.shape[0] == 1:
            top = bottom = values[0]
            is_nan = np.isnan(top)
        else:
            top, bottom = values.max(axis=0), values.min(axis=0)
            is_nan = np.isnan(top)
            if is_nan.any():
                top, bottom = np.fmax.reduce(values, axis=0), np.fmin.reduce(values, axis=0)
        found: npt.NDArray[np.bool_] = (top > self.high) | (bottom < self.low) | (is_nan & self.needs_number)
        if self.inside is not None:
            found |= (top > self.inside[0]) & (bottom < self.inside[1])
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
        self, watches: Iterable[Watch], arrival_ns: IntArray, values: FloatArray, out: list[LimitChange]
    ) -> None:
        """The exact way: row by row for each of ``watches``; the others are known to be quiet."""
        times = arrival_ns.tolist()
        row = values[0].tolist() if len(times) == 1 else None
        columns: dict[int, list[float]] = {}

        def column(index: int) -> list[float]:
            if row is not None:
                return [row[index]]
            found = columns.get(index)
            if found is None:
                found = columns[index] = values[:, index].tolist()
            return found

        for watch in watches:
            own = column(watch.column)
            if watch.is_quick:
                watch.follow(times, own, self.heard_ns, self.rows, out)
                continue
            named = self.partners[watch.limit.name]
            partners: Iterable[tuple[float, ...]] = repeat(())
            if named:
                partners = zip(
                    *(column(at) if rows is self else rows.held(at, times) for rows, at in named), strict=True
                )
            watch.follow_measured(times, own, partners, self.heard_ns, self.rows, out)

    def held(self, column: int, times: Sequence[int]) -> list[float]:
        """Rule 8: what another source may take of this one at ``times``."""
        if self.last is None or not self.has_spoken or self.is_lost:
            return [math.nan] * len(times)
        value, until_ns = float(self.last[column]), self.heard_ns + self.stale_ns
        return [value if time_ns <= until_ns else math.nan for time_ns in times]

    def heard(self, arrival_ns: IntArray, values: FloatArray, followed: Iterable[Watch]) -> None:
        """Book the block. Every limit that was not followed has seen good samples only."""
        self.heard_ns = int(arrival_ns[-1])
        self.rows += values.shape[0]
        self.has_spoken = True
        if self.keeps_last:
            self.last = values[-1].copy()
        followed = tuple(followed)
        for watch in self.stale_watches:
            if watch not in followed:
                watch.good_ns = self.heard_ns
        self.settle_busy(followed)

    def settle_busy(self, among: Iterable[Watch]) -> None:
        self.busy = tuple(w for w in among if w.is_quick and w.is_busy(self.heard_ns))


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
        self._sources: dict[str, SourceRows] = {}
        for limit in limits:
            for channel in (limit.channel, *limit.partners, *(line.channel for line in limit.lines)):
                if channel not in home:
                    raise UsageError("a limit on a channel that no source delivers", where=limit.name, got=channel)
        for source, names in channels_by_source.items():
            stale_ns = as_ns(stale_after_s[source])
            watches = [
                Watch(
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
            self._sources[source] = SourceRows(source, names, watches, stale_ns, start_ns)
        self._watches = sorted((w for s in self._sources.values() for w in s.watches), key=lambda w: w.order)
        self._order = {w.limit.name: w.order for w in self._watches}
        self._phase: Phase | None = None
        self._join_partners(home, channels_by_source)

    def _join_partners(self, home: Mapping[str, str], channels_by_source: Mapping[str, tuple[str, ...]]) -> None:
        for rows in self._sources.values():
            for watch in rows.slow:
                names = (*watch.limit.partners, *(line.channel for line in watch.limit.lines))
                rows.partners[watch.limit.name] = tuple(
                    (self._sources[home[name]], channels_by_source[home[name]].index(name)) for name in names
                )
                for name in names:
                    self._sources[home[name]].keeps_last |= home[name] != rows.name

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
                followed = tuple(w for w in watch.watches if suspects[w.column] or not w.is_quick or w in watch.busy)
            else:
                followed = watch.busy + watch.slow
        if followed:
            watch.follow(followed, arrival_ns, values, out)
        watch.heard(arrival_ns, values, followed)
        return self._in_order(out)

    def feed_exact(self, source: str, arrival_ns: IntArray, values: FloatArray) -> list[LimitChange]:
        """As :meth:`feed`, every limit row by row: slow, and what :meth:`feed` must agree with."""
        watch = self._checked(source, arrival_ns, values)
        if values.shape[0] == 0 or watch.is_lost:
            return []
        out: list[LimitChange] = []
        watch.follow(watch.watches, arrival_ns, values, out)
        watch.heard(arrival_ns, values, watch.watches)
        return self._in_order(out)

    def tick(self, now_ns: int) -> list[LimitChange]:
        """Let time pass up to and including ``now_ns``."""
        out: list[LimitChange] = []
        for watch in self._sources.values():
            is_silent = now_ns - watch.heard_ns > watch.silence_ns
            if is_silent or watch.busy or watch.slow:
                concerned = watch.watches if is_silent else watch.busy + watch.slow
                for limit_watch in concerned:
                    limit_watch.row = watch.rows
                    limit_watch.advance(now_ns + 1, watch.heard_ns, out)
                watch.settle_busy(concerned)
        return self._in_order(out)

    def set_phase(self, phase: Phase, now_ns: int) -> list[LimitChange]:
        """The phase of operation from ``now_ns`` on. Until the first call the set points of ``Limit.set_point`` hold.

        Hand in the rows that have arrived before.
        """
        if phase is self._phase:
            return []
        self._phase = phase
        out: list[LimitChange] = []
        for rows in self._sources.values():
            concerned = [w for w in rows.watches if w.limit.follows_phase]
            # a row may have been handed in with an arrival after now_ns: what is held is held since then
            at_ns = max(now_ns, rows.heard_ns) if rows.has_spoken else now_ns
            for watch in concerned:
                watch.row = rows.rows
                watch.advance(at_ns, rows.heard_ns, out)
                watch.enter(phase)
                last = rows.last if watch.is_quick else None
                watch.relevel(at_ns, watch.watched if last is None else float(last[watch.column]), out)
            if concerned:
                rows.survey()
                rows.settle_busy(rows.watches)
        return self._in_order(out)

    def replace_limit(self, limit: Limit, now_ns: int, held: float | None) -> list[LimitChange]:
        """``limit`` takes the place of the one of its name, which differs in its set point only, from ``now_ns`` on.

        What is held is looked at anew: ``held`` is the last value of its channel, None before the first. Hand in the
        rows that have arrived before.
        """
        watch = next(w for w in self._watches if w.limit.name == limit.name)
        rows = self._source(watch.source)
        out: list[LimitChange] = []
        at_ns = max(now_ns, rows.heard_ns) if rows.has_spoken else now_ns
        watch.row = rows.rows
        watch.advance(at_ns, rows.heard_ns, out)
        watch.move(limit)
        rows.survey()
        watch.relevel(at_ns, held if watch.is_quick else watch.watched, out)
        rows.settle_busy(rows.watches)
        return self._in_order(out)

    @property
    def watched(self) -> Mapping[str, float]:
        """Last watched value of each limit that makes one of several samples, by name; NaN: not measured."""
        return {
            w.limit.name: math.nan if w.is_missing or w.watched is None else w.watched
            for w in self._watches
            if w.measure is not None
        }

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

    def _source(self, source: str) -> SourceRows:
        watch = self._sources.get(source)
        if watch is None:
            raise UsageError("unknown source", got=source, expected=f"one of {', '.join(self._sources)}")
        return watch

    def _checked(self, source: str, arrival_ns: IntArray, values: FloatArray) -> SourceRows:
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
