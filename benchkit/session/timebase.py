"""Sample times of one source: its own clock where it has one, laid onto host time at the first row.

A device clock that jumps back (a restart) starts a new piece: it is laid onto host time again and never runs backwards
over what is there. Times as received are kept beside it, so that a better mapping can be made later.
"""

from __future__ import annotations

import math

import numpy as np

from benchkit.model.samples import FloatArray, Rows


class TimeBase:
    """Maps the rows of one source to seconds since the start of the run.

    ``time_factor`` is how many seconds of the device pass in one second of the host: 1 but for a simulated stand that
    runs faster than real time. It is only used to lay a restarted clock back onto the axis.
    """

    def __init__(self, start_ns: int, time_factor: float = 1.0) -> None:
        self._start_ns = start_ns
        self._time_factor = time_factor
        self._offset = math.nan
        self._last_device_s = math.nan
        self._last_time_s = -math.inf
        self._last_arrival_s = math.nan
        self.restarts = 0

    def arrival_s(self, rows: Rows) -> FloatArray:
        """Host time since the start of the run (n,) [s]."""
        return np.asarray((rows.arrival_ns - self._start_ns) * 1e-9, dtype=np.float64)

    def times(self, rows: Rows) -> FloatArray:
        """Sample times (n,) [s], rising within a piece; call once for every block, in order."""
        arrival = self.arrival_s(rows)
        device = rows.device_time_s
        if bool(np.isnan(device[0])):
            return arrival
        if math.isnan(self._offset):
            self._offset = float(arrival[0] - device[0])
        elif device[0] < self._last_device_s:
            self._lay_on(float(device[0]), float(arrival[0]))
        back = np.flatnonzero(np.diff(device) < 0.0)
        times = device + self._offset
        for row in back + 1:
            self._last_time_s, self._last_arrival_s = float(times[row - 1]), float(arrival[row - 1])
            self._lay_on(float(device[row]), float(arrival[row]))
            times[row:] = device[row:] + self._offset
        self._last_device_s, self._last_time_s = float(device[-1]), float(times[-1])
        self._last_arrival_s = float(arrival[-1])
        return times

    def _lay_on(self, device_s: float, arrival_s: float) -> None:
        self.restarts += 1
        passed = max(0.0, arrival_s - self._last_arrival_s) * self._time_factor
        self._offset = self._last_time_s + passed - device_s
