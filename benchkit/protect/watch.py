"""One limit, followed sample by sample and through the time between: the rules of :mod:`benchkit.protect.limits`."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum, StrEnum

from benchkit.model.limits import LOW_SIDE, ByPhase, DeratingLine, Limit, LimitKind, Phase, Severity
from benchkit.protect.measures import measure_of


class Evidence(StrEnum):
    """What the condition of a limit was seen by."""

    VALUE = "value"
    NOT_MEASURED = "not_measured"
    """NaN: of the channel, of a partner, or of the set point along a derating line."""
    SILENT = "silent"
    """No row, or for a stale limit no good sample, for too long."""
    LOST = "lost"
    """The link of the source is lost."""
    OFF = "off"
    """The limit is off in this phase of operation."""


@dataclass(frozen=True, slots=True)
class LimitChange:
    """A limit began to act (``acts``) or let go.

    ``time_ns`` is the exact instant, which may lie before the call that found it. ``value`` is the last watched one,
    NaN when there is none. ``row`` counts the rows of ``source`` up to that instant (0: none yet). ``set_point`` and
    for a band its lower edge ``low`` are those in force; NaN where there is none.
    """

    limit: Limit
    acts: bool
    time_ns: int
    source: str
    row: int
    value: float
    evidence: Evidence
    set_point: float
    low: float


class _Level(Enum):
    """How one limit sees its channel at an instant."""

    CONDITION = 1
    NEITHER = 2
    BACK = 3


def as_ns(seconds: float) -> int:
    """A length of time in ns."""
    return round(seconds * 1e9)


class Watch:
    """One limit on its channel."""

    __slots__ = (
        "acts", "column", "deadband", "evidence", "good_ns", "held", "high", "is_inside", "is_missing", "is_off",
        "is_quick", "is_stale", "is_trip", "limit", "low", "measure", "missing_by", "off_ns", "on_ns", "order", "row",
        "silence_ns", "since_ns", "source", "value", "watched",
    )  # fmt: skip

    def __init__(self, limit: Limit, *, order: int, source: str, column: int, stale_ns: int, start_ns: int) -> None:
        self.limit, self.order, self.source, self.column = limit, order, source, column
        self.measure = measure_of(limit)
        self.is_stale = limit.kind is LimitKind.STALE
        self.is_inside = limit.kind is LimitKind.INSIDE
        self.is_trip = limit.severity is Severity.TRIP
        self.is_quick = self.measure is None and not limit.lines
        """A value at or within the set points says all: the rows need not be followed one by one."""
        self.deadband = limit.deadband
        self.high, self.low = math.inf, -math.inf
        """Set points in force; infinite where there is none on that side."""
        self.is_off = False
        self._set(limit.threshold, limit.low)
        self.on_ns, self.off_ns = as_ns(limit.on_delay_s), as_ns(limit.off_delay_s)
        self.silence_ns = as_ns(limit.set_point) if self.is_stale else stale_ns
        self.acts = False
        self.held = False
        """Latched: has acted and was not released."""
        self.since_ns: int | None = None
        """Start of the running delay: on-delay, or off-delay while the limit acts."""
        self.is_missing = False
        self.missing_by = Evidence.SILENT
        self.good_ns = start_ns
        self.row = 0
        self.value = math.nan
        self.watched: float | None = None
        self.evidence = Evidence.VALUE

    # ------------------------------------------------------------------ rows

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

    def follow_measured(
        self,
        times: Sequence[int],
        values: Sequence[float],
        partners: Iterable[tuple[float, ...]],
        heard_ns: int,
        row: int,
        out: list[LimitChange],
    ) -> None:
        """As :meth:`follow`, through the measure; ``partners`` are the values of the measure's and the lines'
        channels, row by row."""
        step = None if self.measure is None else self.measure.step
        has_lines, looks_inside = bool(self.limit.lines), self.is_inside or self.is_off
        self.row = row
        for time_ns, value, others in zip(times, values, partners, strict=False):
            if self.since_ns is not None or time_ns - heard_ns > self.silence_ns:
                self.advance(time_ns, heard_ns, out)
            heard_ns = time_ns
            row += 1
            self.row = row
            self.is_missing = False
            watched = value if step is None else step(time_ns, value, others)
            if has_lines and not self._along_lines(others):
                watched = math.nan
            is_calm = watched is not None and self.low <= watched <= self.high
            if is_calm and not looks_inside and not self.acts:  # as level_of and settle would have it, in one step
                self.watched = self.value = watched  # type: ignore[assignment]  # is_calm says so
                self.evidence, self.since_ns = Evidence.VALUE, None
            else:
                self.settle(time_ns, self.level_of(watched), out)

    def _along_lines(self, others: Sequence[float]) -> bool:
        """Rule 9: set points at the partners' values; False where there is none."""
        at = len(self.limit.partners)
        high, low = self.limit.threshold, self.limit.low
        if isinstance(self.limit.course, DeratingLine):
            high = self.limit.course.at(others[at])
            at += 1
        elif isinstance(self.limit.course, ByPhase):
            high = self.low if self.limit.kind in LOW_SIDE else self.high
        if isinstance(self.limit.low_course, DeratingLine):
            low = self.limit.low_course.at(others[at])
        elif isinstance(self.limit.low_course, ByPhase):
            low = self.low
        if math.isnan(high) or (self.limit.low_course is not None and math.isnan(low)):
            return False
        self._set(high, low)
        return True

    def level_of(self, watched: float | None) -> _Level:
        """Rules 1, 4 and 7 for one watched value."""
        self.watched = watched
        if self.is_off:
            self.evidence = Evidence.OFF
            return _Level.BACK
        if watched is None:
            return _Level.NEITHER
        self.value = watched
        if math.isnan(watched):
            self.evidence = Evidence.NOT_MEASURED
            return _Level.CONDITION if self.is_trip else _Level.NEITHER
        self.evidence = Evidence.VALUE
        if self.is_inside:
            if self.low < watched < self.high:
                return _Level.CONDITION
            is_back = watched <= self.low - self.deadband or watched >= self.high + self.deadband
        else:
            if watched > self.high or watched < self.low:
                return _Level.CONDITION
            is_back = self.low + self.deadband <= watched <= self.high - self.deadband
        return _Level.BACK if is_back else _Level.NEITHER

    # ------------------------------------------------------------------ delays and silence

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
        limit = self.limit
        set_point, low = (self.low, math.nan) if limit.kind in LOW_SIDE else (self.high, self.low)
        out.append(
            LimitChange(
                limit,
                self.acts,
                time_ns,
                self.source,
                self.row,
                self.value,
                self.evidence,
                limit.set_point if self.is_stale else _finite(set_point),
                _finite(low),
            )
        )

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
        self.is_missing, self.missing_by = True, evidence
        if self.measure is not None:
            self.measure.broken()
        self.settle(time_ns, self._missing(), out)

    def _missing(self) -> _Level:
        if self.is_off:
            self.evidence = Evidence.OFF
            return _Level.BACK
        self.value, self.evidence = math.nan, self.missing_by
        return _Level.CONDITION if self.is_trip or self.is_stale else _Level.NEITHER

    def is_busy(self, heard_ns: int) -> bool:
        """True when the next row may matter although its value breaks nothing."""
        return self.acts or self.since_ns is not None or self.is_missing or (self.is_stale and self.good_ns != heard_ns)

    # ------------------------------------------------------------------ set points

    def enter(self, phase: Phase) -> None:
        """Rule 10: the set points of a phase."""
        limit = self.limit
        high: float | None = limit.threshold
        low: float | None = limit.low
        if isinstance(limit.course, ByPhase):
            high = limit.course.at(phase)
        elif isinstance(limit.course, DeratingLine):
            high = self.low if limit.kind in LOW_SIDE else self.high
        if isinstance(limit.low_course, ByPhase):
            low = limit.low_course.at(phase)
        elif isinstance(limit.low_course, DeratingLine):
            low = self.low
        has_none = [high is None] + ([low is None] if limit.kind in (LimitKind.OUTSIDE, LimitKind.INSIDE) else [])
        self.is_off = any(has_none) if self.is_inside else all(has_none)
        self._set(math.nan if high is None else high, math.nan if low is None else low)

    def move(self, limit: Limit) -> None:
        """The same limit with another fixed set point."""
        self.limit = limit
        self._set(limit.threshold, limit.low)

    def relevel(self, time_ns: int, held: float | None, out: list[LimitChange]) -> None:
        """Look at what is held with the set points of now; before the first row there is nothing to look at."""
        if self.is_missing:
            self.settle(time_ns, self._missing(), out)
        elif self.row:
            self.settle(time_ns, self.level_of(held), out)

    def _set(self, set_point: float, low: float) -> None:
        """NaN: none on that side."""
        kind = self.limit.kind
        if kind in LOW_SIDE:
            self.low = -math.inf if math.isnan(set_point) else set_point
            return
        self.high = math.inf if math.isnan(set_point) else set_point
        if kind in (LimitKind.OUTSIDE, LimitKind.INSIDE):
            self.low = -math.inf if math.isnan(low) else low


def _finite(value: float) -> float:
    return value if math.isfinite(value) else math.nan
