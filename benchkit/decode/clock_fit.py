"""From the clock of a device to the host's monotonic time, while the samples come.

A sample cannot arrive before it was taken, and it may arrive much later: bytes wait in an adapter (16 ms and more), in
a driver, for a busy computer. So what ties the two clocks together are the samples that waited least. With the device's
time ``x`` and the arrival ``y``, the points ``(x, y - x)`` lie on or above a line; its height is the offset of the two
clocks and its slope their drift. Of every window of a quarter of a second the lowest point is kept, and the line is
the edge of the lower convex hull of the last windows under their mean: of all lines below the points the one with the
smallest sum of distances (Moon, Skelly and Towsley, *Estimation and removal of clock skew from network delay
measurements*, IEEE INFOCOM 1999).

What is fixed when, and what can be relied on:

- The rows of the first quarter of a second of a piece are held until the fit has seen them; after that a row has its
  time at once, from what came before it. A time never changes afterwards.
- Time never runs backwards, not even from piece to piece. A corrected fit is taken over by running at most 5 % faster
  or slower, never by a jump.
- How the rows are cut into blocks makes no difference.
- A device clock that wraps at a known value goes on; one that goes back otherwise has started again: a new piece.
- A delay that every byte has, the shortest there is, cannot be seen from here; it stays in the times.
- Where arrivals say nothing about sampling (a file read at full speed), the clock of the device is taken as it is, laid
  onto the arrival of its first row, and the drift is NaN.

Wall-clock time is nowhere in here, so its jumps cannot be either.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from benchkit.model.samples import FloatArray

SETTLE_S = 0.25
"""Fifteen of the 16 ms portions of a common USB adapter: at least one of their last samples waited hardly at all."""
WINDOW_S = 0.25
WINDOWS = 128
"""The drift is that of the last half minute: long enough for some ppm, short enough to follow a warming crystal."""
FIRST_DRIFT_WINDOWS = 8
MAX_DRIFT = 0.02
"""Crystals are within 200 ppm, RC oscillators of microcontrollers within 2 %; more is no clock beside ours."""
MAX_SLEW = 0.05
MAX_STEP_S = 1e-4
"""Within a window, rows that arrive before their time on the line take it down at once by so much at most."""
JUMP_S = 1.0
"""A device clock that runs ahead of the host by more than this between two rows was set, or the host slept."""
FIT_COLUMNS = ("host", "offset", "drift", "residual_rms", "rows")
"""Columns of a fit row: host time since the start of the run [s]; host minus device time there [s], the device's time
divided by its nominal rate; drift [s/s], NaN where the clocks are not comparable; root mean square of the waiting times
of the rows since the last fit row [s]; their number."""

_NO_FITS = np.empty((0, len(FIT_COLUMNS)))
_NO_TIMES = np.empty(0)


@dataclass(slots=True)
class _Line:
    """Host time from ``start_x`` on: ``slope`` for one window, ``1 + drift`` after it."""

    start_x: float
    start_host: float
    slope: float
    drift: float

    def host(self, x: float) -> float:
        beyond = x - self.start_x - WINDOW_S
        if beyond <= 0.0:
            return self.start_host + self.slope * (x - self.start_x)
        return self.start_host + self.slope * WINDOW_S + (1.0 + self.drift) * beyond


class ClockFit:
    """Sample times of one source, block by block.

    ``rate`` is how many seconds of the device pass in one second of the host: 1 but for a simulated stand that runs
    faster than real time; sample times then run at that rate too, from the first sample on. ``wrap_s`` is the value
    [s] at which the device clock starts at zero again; None: never.

    >>> fit = ClockFit()
    >>> fit.feed(np.array([2.016, 2.016, 2.3]), np.array([70.000, 70.010, 70.290])).round(6).tolist()
    [2.006, 2.016, 2.296]
    """

    def __init__(self, rate: float = 1.0, wrap_s: float | None = None) -> None:
        self._rate = rate
        self._wrap_s = wrap_s
        self.restarts = 0
        """Times the device clock started again or was set."""
        self._anchor: float | None = None
        self._last_host = -math.inf
        self._last_arrival = math.nan
        self._arrival_before = math.nan
        self._last_device = math.nan
        self._origin = math.nan
        self._first_device = 0.0
        self._is_tied = True
        self._line: _Line | None = None
        self._held: list[tuple[FloatArray, FloatArray]] = []
        self._settles_at = 0.0
        self._lowest: deque[tuple[float, float]] = deque(maxlen=WINDOWS)
        self._low = (0.0, math.inf)
        self._squares = 0.0
        self._count = 0
        self._early = 0.0
        self._fits: list[tuple[float, float, float, float, float]] = []

    @property
    def held(self) -> int:
        """Rows that have no time yet."""
        return sum(len(arrival) for arrival, _ in self._held)

    def feed(self, arrival_s: FloatArray, device_s: FloatArray) -> FloatArray:
        """Take the next rows and return the times [s] of all that have one now: those held before, then these.

        ``arrival_s`` (n,) is host time, not falling; ``device_s`` (n,) the device's clock as received, NaN where a row
        has none: it then gets the time of the row before it. Without any device time the time is the arrival.
        """
        if device_s.shape[0] == 0:
            return _NO_TIMES
        if device_s.shape[0] == 1 and self._line is not None:
            time = self._single(self._line, float(arrival_s[0]), float(device_s[0]))
            if time is not None:
                return np.array([time])
        if math.isnan(self._origin):
            clocked = np.flatnonzero(np.isfinite(device_s))
            first = int(clocked[0]) if clocked.size else device_s.shape[0]
            bare = np.maximum(arrival_s[:first], self._last_host)
            if first:
                self._last_host, self._last_arrival = float(bare[-1]), float(arrival_s[first - 1])
            if not clocked.size:
                return bare
            self._begin(float(arrival_s[first]), float(device_s[first]))
            return np.concatenate([bare, self.feed(arrival_s[first:], device_s[first:])])
        if np.isnan(device_s).any():
            device_s = _filled(device_s, self._last_device)
        steps = np.diff(device_s, prepend=self._last_device)
        odd = (steps < 0.0) | (steps > JUMP_S * self._rate)
        if self._wrap_s is not None:
            waits = np.diff(arrival_s, prepend=self._last_arrival)
            odd |= waits * self._rate > 0.5 * self._wrap_s
        if not odd.any():
            return self._piece(arrival_s, device_s)
        done, times = 0, []
        for row in np.flatnonzero(odd).tolist():
            times.append(self._piece(arrival_s[done:row], device_s[done:row]))
            done = row
            times.append(self._step(float(arrival_s[row]), float(device_s[row])))
        times.append(self._piece(arrival_s[done:], device_s[done:]))
        return np.concatenate(times)

    def release(self) -> FloatArray:
        """Times of the rows that are held, from what has been seen so far: for the end of a link or of a run."""
        return self._settle() if self._held else _NO_TIMES

    def take_fits(self) -> FloatArray:
        """Fit rows (m, 5) made since the last call; columns as in ``FIT_COLUMNS``."""
        if not self._fits:
            return _NO_FITS
        fits, self._fits = np.array(self._fits), []
        return fits

    def _single(self, line: _Line, arrival: float, device: float) -> float | None:
        """One row in the middle of a window, the usual case of a live link; None: it takes the long way.

        The same sums as for arrays, in the same order, so that the result is the same to the last bit.
        """
        step = device - self._last_device
        if not 0.0 <= step <= JUMP_S * self._rate:
            return None
        if self._wrap_s is not None and (arrival - self._last_arrival) * self._rate > 0.5 * self._wrap_s:
            return None
        x = (device - self._origin) / self._rate
        if x >= line.start_x + WINDOW_S:
            return None
        host = line.start_host + line.slope * (x - line.start_x)
        if self._is_tied:
            early = max(min(arrival - host, self._early), -MAX_STEP_S)
            self._early = min(0.0, early)
            if early < 0.0:
                host = max(host + early, self._last_host)
        if arrival - x < self._low[1]:
            self._low = (x, arrival - x)
        self._squares += (arrival - host) ** 2
        self._count += 1
        self._last_arrival, self._last_device, self._last_host = arrival, device, host
        if self._rate == 1.0 or self._anchor is None:
            return host
        return self._anchor + self._rate * (host - self._anchor)

    # -- pieces

    def _begin(self, arrival: float, device: float) -> None:
        self._origin = self._first_device = self._last_device = device
        self._line = None
        self._lowest.clear()
        self._arrival_before = self._last_arrival
        self._settles_at = arrival + SETTLE_S

    def _step(self, arrival: float, device: float) -> FloatArray:
        """A row whose clock went back or far ahead: decide what it was, before the row is taken."""
        waited = (arrival - self._last_arrival) * self._rate
        step = device - self._last_device
        turns = 0
        if self._wrap_s is not None:
            turns = max(0, round((waited - step) / self._wrap_s))
            if turns and step + turns * self._wrap_s > waited + JUMP_S * self._rate:
                turns -= 1  # the row did not come from the future: it came late
            step += turns * self._wrap_s
        is_tied = self._is_tied and not self._held
        if step >= 0.0 and not (is_tied and step > waited + JUMP_S * self._rate):
            if turns:
                assert self._wrap_s is not None
                self._origin -= turns * self._wrap_s
                self._last_device = device
            return _NO_TIMES
        times = self.release()
        self.restarts += 1
        self._begin(arrival, device)
        return times

    def _piece(self, arrival: FloatArray, device: FloatArray) -> FloatArray:
        """Rows of one piece whose device times do not fall."""
        if device.shape[0] == 0:
            return _NO_TIMES
        x = (device - self._origin) / self._rate
        self._last_device = float(device[-1])
        if self._line is not None:
            return self._on_axis(self._track(arrival, x))
        late = np.flatnonzero(arrival >= self._settles_at)
        early = int(late[0]) if late.size else arrival.shape[0]
        if early:
            self._held.append((arrival[:early], x[:early]))
            self._last_arrival = float(arrival[early - 1])
        if not late.size:
            return _NO_TIMES
        times = self._settle()
        return np.concatenate([times, self._on_axis(self._track(arrival[early:], x[early:]))])

    def _settle(self) -> FloatArray:
        """Lay the held rows, the first of their piece, under their arrivals."""
        arrival = np.concatenate([a for a, _ in self._held])
        x = np.concatenate([x for _, x in self._held])
        self._held = []
        lowest = int(np.argmin(arrival - x))
        offset = float(arrival[lowest] - x[lowest])
        self._lowest.append((float(x[lowest]), offset))
        if float(x[-1] - x[0]) - float(arrival[-1] - arrival[0]) > 2.0 * SETTLE_S:
            self._is_tied = False
        if not self._is_tied:
            offset = float(arrival[0] - x[0])
            if math.isfinite(self._last_host):  # go on from the piece before by the host's clock
                offset = self._last_host + max(0.0, float(arrival[0]) - self._arrival_before) - float(x[0])
        host = x + max(offset, self._last_host - float(x[0]))
        waits = arrival - host
        self._squares, self._count, self._early = float(waits @ waits), len(x), 0.0
        self._line = _Line(float(x[-1]), float(host[-1]), 1.0, 0.0)
        self._low = (0.0, math.inf)
        self._last_host = float(host[-1])
        self._note(float(x[-1]), float(host[-1]))
        return self._on_axis(host)

    # -- rows on the line

    def _track(self, arrival: FloatArray, x: FloatArray) -> FloatArray:
        line = self._line
        assert line is not None
        if float(x[-1]) < line.start_x + WINDOW_S:
            return self._in_window(line, arrival, x)
        hosts = []
        done = 0
        while done < x.shape[0]:
            end = int(np.searchsorted(x, line.start_x + WINDOW_S, side="left"))
            if end > done:
                hosts.append(self._in_window(line, arrival[done:end], x[done:end]))
            done = max(done, end)
            if done < x.shape[0]:
                line = self._line = self._next_line(line, float(x[done]))
        return np.concatenate(hosts)

    def _in_window(self, line: _Line, arrival: FloatArray, x: FloatArray) -> FloatArray:
        host = line.start_host + line.slope * (x - line.start_x)
        if self._is_tied:
            host = self._not_after(arrival, host)
        heights = arrival - x
        lowest = int(heights.argmin())
        if heights[lowest] < self._low[1]:
            self._low = (float(x[lowest]), float(heights[lowest]))
        waits = arrival - host
        self._squares += float(waits @ waits)
        self._count += x.shape[0]
        self._last_arrival = float(arrival[-1])
        self._last_host = float(host[-1])
        return np.asarray(host, dtype=np.float64)

    def _not_after(self, arrival: FloatArray, host: FloatArray) -> FloatArray:
        """No sample was taken after it arrived: the line gives way to the rows of its window, time does not go back."""
        early = arrival - host
        early[0] = min(float(early[0]), self._early)
        early = np.maximum(np.minimum.accumulate(early), -MAX_STEP_S)
        self._early = min(0.0, float(early[-1]))
        if self._early == 0.0:
            return host
        host = host + np.minimum(early, 0.0)
        host[0] = max(float(host[0]), self._last_host)
        return np.asarray(np.maximum.accumulate(host), dtype=np.float64)

    def _next_line(self, line: _Line, x: float) -> _Line:
        """Close the window and aim at the fitted line, one window ahead."""
        if math.isfinite(self._low[1]):
            self._lowest.append(self._low)
        self._low = (0.0, math.inf)
        here = max(line.host(x) + self._early, self._last_host)
        self._early = 0.0
        height, drift = fitted_line(self._lowest)
        if len(self._lowest) >= FIRST_DRIFT_WINDOWS:
            self._is_tied = abs(drift) <= MAX_DRIFT
        else:
            height, drift = min(z for _, z in self._lowest), 0.0
        if not self._is_tied:
            self._note(x, here, math.nan)
            return _Line(x, here, 1.0, 0.0)
        ahead = x + WINDOW_S
        target = ahead + height + drift * ahead
        slope = min(max((target - here) / WINDOW_S, 1.0 - MAX_SLEW), 1.0 + MAX_SLEW)
        self._note(x, here, drift)
        return _Line(x, here, slope, drift)

    def _on_axis(self, host: FloatArray) -> FloatArray:
        """Sample time from host time: the same, but for a stand that runs faster."""
        if self._rate == 1.0 or not host.shape[0]:
            return host
        if self._anchor is None:
            self._anchor = float(host[0])
        return np.asarray(self._anchor + self._rate * (host - self._anchor), dtype=np.float64)

    def _note(self, x: float, host: float, drift: float = 0.0) -> None:
        rms = math.sqrt(self._squares / self._count) if self._count else math.nan
        drift = drift if self._is_tied else math.nan
        self._fits.append((host, host - x - self._first_device / self._rate, drift, rms, float(self._count)))
        self._squares, self._count = 0.0, 0


def fitted_line(points: deque[tuple[float, float]] | list[tuple[float, float]]) -> tuple[float, float]:
    """Height at zero and slope of the line below all ``points`` with the smallest sum of distances; x must rise.

    It is the edge of the lower convex hull under the mean of x. One point has slope 0.
    """
    hull: list[tuple[float, float]] = []
    for point in points:
        while len(hull) > 1 and _turns_right(hull[-2], hull[-1], point):
            hull.pop()
        hull.append(point)
    mean = sum(x for x, _ in points) / len(points)
    for (x0, z0), (x1, z1) in pairwise(hull):
        if x1 >= mean and x1 > x0:
            slope = (z1 - z0) / (x1 - x0)
            return z0 - slope * x0, slope
    return hull[-1][1], 0.0


def _turns_right(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> bool:
    return (b[0] - a[0]) * (c[1] - a[1]) <= (b[1] - a[1]) * (c[0] - a[0])


def _filled(device_s: FloatArray, last: float) -> FloatArray:
    """Every NaN replaced by the value before it."""
    known = np.concatenate([[last], device_s])
    latest = np.maximum.accumulate(np.where(np.isnan(known), 0, np.arange(known.shape[0])))
    return np.asarray(known[latest][1:], dtype=np.float64)
