"""Measures: what a kind of limit makes of its samples.

A measure is fed every sample in order and gives the *watched value* that is compared with the set point: a number, NaN
(not measured: rule 4 of :mod:`benchkit.protect.limits`), or None (no verdict yet: nothing begins to act by it, and
nothing lets go). A sample holds until the next one: an integral up to a sample is that of the samples before it.

Over time that was not measured (NaN, a silent source, a lost link) an integral knows only its ends. It takes the
greater of the last value before and the first value after for the whole of it: never colder than these two allow, and
no cooling is granted that was not seen. What was before the first sample is not known: a thermal replica and an I²t
start from the share the profile declares, an inverse-time integral and an energy sum from zero.

Times are host ns, values in bench units.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from typing import Protocol

from benchkit.model.limits import (
    CURVES,
    Against,
    Direction,
    InverseTime,
    Limit,
    LimitKind,
    RateWindow,
    Reset,
    SquareIntegral,
    SumWindow,
    ThermalReplica,
    WhileMoving,
)

TOP_MULTIPLE = 20.0
"""G_D of IEC 60255-151 in multiples of the start value: beyond it the operate time falls no further (from memory)."""


class Measure(Protocol):
    """Turns samples into watched values."""

    def step(self, time_ns: int, value: float, partners: Sequence[float], /) -> float | None:
        """One sample: the watched value, NaN when not measured, None while there is no verdict."""

    def broken(self) -> None:
        """The channel counts as missing: until the next sample nothing is known."""


def measure_of(limit: Limit) -> Measure | None:  # noqa: PLR0911  one return a kind
    """The measure of a limit; None where the value itself is watched, or its age."""
    detail = limit.detail
    if isinstance(detail, RateWindow):
        return Rate(detail)
    if isinstance(detail, WhileMoving):
        return Frozen(detail)
    if isinstance(detail, Against):
        return Deviation() if limit.kind is LimitKind.DEVIATION else Spread()
    if isinstance(detail, InverseTime):
        return InverseTimeIntegral(limit.set_point, detail)
    if isinstance(detail, ThermalReplica):
        return Replica(limit.set_point, detail)
    if isinstance(detail, SquareIntegral):
        return SquareSum(limit.set_point, detail)
    return EnergySum(detail) if isinstance(detail, SumWindow) else None


class Deviation:
    """|x - partner|."""

    __slots__ = ()

    def step(self, _time_ns: int, value: float, partners: Sequence[float]) -> float | None:
        return abs(value - partners[0])

    def broken(self) -> None:
        pass


class Spread:
    """Greatest less least of x and its partners."""

    __slots__ = ()

    def step(self, _time_ns: int, value: float, partners: Sequence[float]) -> float | None:
        least = most = value
        for other in partners:
            if math.isnan(other):
                return math.nan
            if other < least:
                least = other
            elif other > most:
                most = other
        return most - least  # NaN when value is: NaN compares with nothing

    def broken(self) -> None:
        pass


class Rate:
    """Change per second since the newest good sample that is at least a window old.

    The change is divided by the true time between the two, yet by no more than two windows: across a gap a change may
    have happened at its end. Before the first window is over there is no verdict.
    """

    __slots__ = ("_direction", "_points", "_window_ns")

    def __init__(self, detail: RateWindow) -> None:
        self._window_ns = round(detail.window_s * 1e9)
        self._direction = detail.direction
        self._points: deque[tuple[int, float]] = deque()

    def step(self, time_ns: int, value: float, _partners: Sequence[float]) -> float | None:
        if math.isnan(value):
            return value
        points, since_ns = self._points, time_ns - self._window_ns
        points.append((time_ns, value))
        while len(points) > 1 and points[1][0] <= since_ns:
            points.popleft()
        then_ns, then = points[0]
        if then_ns > since_ns:
            return None
        rate = (value - then) / (min(time_ns - then_ns, 2 * self._window_ns) / 1e9)
        if self._direction is Direction.RISE:
            return rate
        return -rate if self._direction is Direction.FALL else abs(rate)

    def broken(self) -> None:
        pass


class _Range:
    """Greatest less least of the values held within a window; each sample is looked at twice at most."""

    __slots__ = ("_high", "_low")

    def __init__(self) -> None:
        self._high: deque[tuple[int, float]] = deque()
        self._low: deque[tuple[int, float]] = deque()

    def add(self, index: int, value: float, first: int) -> float:
        """Take up sample number ``index``, forget those before ``first``."""
        high, low = self._high, self._low
        while high and high[-1][1] <= value:
            high.pop()
        while low and low[-1][1] >= value:
            low.pop()
        high.append((index, value))
        low.append((index, value))
        while high[0][0] < first:
            high.popleft()
        while low[0][0] < first:
            low.popleft()
        return high[0][1] - low[0][1]


class Frozen:
    """Range of the value within the window, while the partner's range exceeds its change; else no verdict.

    The value held at the start of the window belongs to it. Before the first window is over there is no verdict.
    """

    __slots__ = ("_change", "_count", "_own", "_partner", "_times", "_window_ns")

    def __init__(self, detail: WhileMoving) -> None:
        self._window_ns, self._change = round(detail.window_s * 1e9), detail.partner_change
        self._times: deque[int] = deque()
        self._count = 0
        self._own, self._partner = _Range(), _Range()

    def step(self, time_ns: int, value: float, partners: Sequence[float]) -> float | None:
        other = partners[0]
        if math.isnan(value) or math.isnan(other):
            return math.nan
        times, since_ns = self._times, time_ns - self._window_ns
        times.append(time_ns)
        self._count += 1
        while len(times) > 1 and times[1] <= since_ns:
            times.popleft()
        first = self._count - len(times)
        own = self._own.add(self._count - 1, value, first)
        moved = self._partner.add(self._count - 1, other, first)
        return own if times[0] <= since_ns and moved > self._change else None

    def broken(self) -> None:
        pass


class _Held:
    """The last good sample, and what to assume between it and the next."""

    __slots__ = ("_is_broken", "_time_ns", "_value")

    def __init__(self) -> None:
        self._time_ns: int | None = None
        self._value = 0.0
        self._is_broken = False

    def broken(self) -> None:
        self._is_broken = True

    def _span(self, time_ns: int, value: float) -> tuple[int, float]:
        """Length of the time since the last good sample in ns, and the value that counts in it."""
        before, held = self._time_ns, self._value
        if before is None:
            before, held = time_ns, value
        elif self._is_broken and value > held:
            held = value
        self._time_ns, self._value, self._is_broken = time_ns, value, False
        return time_ns - before, held


class InverseTimeIntegral(_Held):
    """Share used of the operate time: the integral of 1/t(|G|) above the start value, reset at or below it.

    IEC 60255-151:2009: operates where the integral of dt / t(G) reaches 1. A reset begins from no more than 1.
    """

    __slots__ = ("_alpha", "_below_ns", "_c", "_is_definite", "_k", "_multiplier", "_reset_ns", "_start", "used")

    def __init__(self, start: float, detail: InverseTime) -> None:
        super().__init__()
        curve = CURVES[detail.curve]
        self._k, self._c, self._alpha = curve.k, curve.c, curve.alpha
        self._start, self._multiplier = start, detail.time_multiplier
        self._is_definite = detail.reset is Reset.DEFINITE
        self._reset_ns = round(detail.reset_time_s * 1e9)
        self._below_ns = 0
        self.used = 0.0

    def step(self, time_ns: int, value: float, _partners: Sequence[float]) -> float | None:
        if math.isnan(value):
            self.broken()
            return value
        span_ns, held = self._span(time_ns, abs(value))
        multiple = held / self._start
        if multiple > 1.0:
            excess = min(multiple, TOP_MULTIPLE) ** self._alpha - 1.0
            # dt / t(G), with the fraction turned so that just above the start value nothing is divided by zero
            self.used += span_ns / 1e9 * excess / (self._multiplier * (self._k + self._c * excess))
            self._below_ns = 0
        elif span_ns:
            self._fall_back(span_ns, multiple)
        return self.used

    def _fall_back(self, span_ns: int, multiple: float) -> None:
        self.used = min(self.used, 1.0)
        self._below_ns += span_ns
        if self._is_definite:
            if self._below_ns >= self._reset_ns:
                self.used = 0.0
        else:
            share = span_ns / (self._multiplier * self._reset_ns)
            self.used = max(self.used - share * (1.0 - multiple * multiple), 0.0)


class Replica(_Held):
    """Share used of the thermal capacity, first order: d(used)/dt = ((I / (k I_B))² - used) / tau.

    IEC 60255-149:2013. The heating time constant holds while the current would bring it higher, else the cooling one.
    """

    __slots__ = ("_base", "_cooling_ns", "_heating_ns", "used")

    def __init__(self, basic: float, detail: ThermalReplica) -> None:
        super().__init__()
        self._base = detail.k * basic
        self._heating_ns, self._cooling_ns = detail.heating_s * 1e9, detail.cooling_s * 1e9
        self.used = detail.initial_share

    def step(self, time_ns: int, value: float, _partners: Sequence[float]) -> float | None:
        if math.isnan(value):
            self.broken()
            return value
        span_ns, held = self._span(time_ns, abs(value))
        final = held / self._base
        final *= final
        tau_ns = self._heating_ns if final > self.used else self._cooling_ns
        self.used -= (self.used - final) * -math.expm1(-span_ns / tau_ns)
        return self.used


class SquareSum(_Held):
    """Integral of i² - i_continuous², never below zero."""

    __slots__ = ("_continuous_2", "_used_ns")

    def __init__(self, set_point: float, detail: SquareIntegral) -> None:
        super().__init__()
        self._continuous_2 = detail.continuous * detail.continuous
        self._used_ns = detail.initial_share * set_point * 1e9

    def step(self, time_ns: int, value: float, _partners: Sequence[float]) -> float | None:
        if math.isnan(value):
            self.broken()
            return value
        span_ns, held = self._span(time_ns, abs(value))
        self._used_ns = max(self._used_ns + (held * held - self._continuous_2) * span_ns, 0.0)
        return self._used_ns / 1e9


class EnergySum(_Held):
    """Integral of the value over the last window: every held value counts for as long as it lay within."""

    __slots__ = ("_forgotten", "_pieces", "_sum_ns", "_window_ns")

    def __init__(self, detail: SumWindow) -> None:
        super().__init__()
        self._window_ns = round(detail.window_s * 1e9)
        self._pieces: deque[tuple[int, int, float]] = deque()
        """Start, end, value."""
        self._sum_ns = 0.0
        """Of all pieces, whole."""
        self._forgotten = 0

    def step(self, time_ns: int, value: float, _partners: Sequence[float]) -> float | None:
        if math.isnan(value):
            self.broken()
            return value
        span_ns, held = self._span(time_ns, value)
        pieces, since_ns = self._pieces, time_ns - self._window_ns
        if span_ns:
            pieces.append((time_ns - span_ns, time_ns, held))
            self._sum_ns += held * span_ns
        while pieces and pieces[0][1] <= since_ns:
            start_ns, end_ns, gone = pieces.popleft()
            self._sum_ns -= gone * (end_ns - start_ns)
            self._forgotten += 1
        if self._forgotten > len(pieces):  # what rounding has left behind goes, at no cost on the average
            self._sum_ns = math.fsum(x * (end - start) for start, end, x in pieces)
            self._forgotten = 0
        total = self._sum_ns
        if pieces and pieces[0][0] < since_ns:
            total -= pieces[0][2] * (since_ns - pieces[0][0])
        return total / 1e9
