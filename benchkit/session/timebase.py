"""Sample times of one source inside a recording: blocks go in without a time, and come out with one.

The rows of the first quarter of a second of a device's clock are held here until the fit knows where they belong; see
:mod:`benchkit.decode.clock_fit`. Protection does not wait for that: it goes by arrival.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from benchkit.decode.clock_fit import ClockFit
from benchkit.model.samples import FloatArray, Rows
from benchkit.runfile.layout import Block, joined


class TimeBase:
    """Maps the rows of one source to seconds since the start of the run.

    ``time_factor`` is how many seconds of the device pass in one second of the host: 1 but for a simulated stand that
    runs faster than real time. ``wrap_s`` is where the device's clock starts at zero again; None: never.
    """

    def __init__(self, start_ns: int, time_factor: float = 1.0, wrap_s: float | None = None) -> None:
        self._start_ns = start_ns
        self._fit = ClockFit(time_factor, wrap_s)
        self._held: list[Block] = []

    @property
    def restarts(self) -> int:
        """Times the device's clock started again or was set."""
        return self._fit.restarts

    def arrival_s(self, rows: Rows) -> FloatArray:
        """Host time since the start of the run (n,) [s]."""
        return np.asarray((rows.arrival_ns - self._start_ns) * 1e-9, dtype=np.float64)

    def lay(self, block: Block) -> Block | None:
        """Take a block whose times are not known yet; return the rows that have one now, or None where none has.

        Blocks of a source come in order, and their rows come out in the same order."""
        return self._timed(block, self._fit.feed(block.arrival_s, block.device_time_s))

    def release(self) -> Block | None:
        """The rows that are still held, laid by what is known: when a link is lost or the recording ends."""
        return self._timed(None, self._fit.release())

    def take_fits(self) -> FloatArray:
        """Lines (m, 5) for the clock fits of the run, made since the last call."""
        return self._fit.take_fits()

    def _timed(self, block: Block | None, times: FloatArray) -> Block | None:
        if block is not None:
            self._held.append(block)
        n = times.shape[0]
        if n == 0:
            return None
        waiting = self._held[0] if len(self._held) == 1 else joined(self._held)
        self._held = [waiting.rows(n)] if n < len(waiting) else []
        return dataclasses.replace(waiting if n == len(waiting) else waiting.rows(0, n), time_s=times)
