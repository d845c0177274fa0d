"""One stream of a run in memory: the arrays of one source on its own time base."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Stream:
    """Samples of one source. Row i of every array belongs to the same instant.

    ``time_s`` (n,) is sample time since the start of the run: from the device clock where there is one, else arrival.
    ``arrival_s`` (n,) is host time since the start of the run. ``device_time_s`` and ``counter`` are as received
    (NaN and -1 where the source has none). ``values`` (n, channels) are calibrated, in bench units, NaN where not
    measured; ``channels`` names their columns.
    """

    source: str
    channels: tuple[str, ...]
    units: tuple[str, ...]
    time_s: FloatArray
    arrival_s: FloatArray
    device_time_s: FloatArray
    counter: IntArray
    values: FloatArray

    def __len__(self) -> int:
        return int(self.time_s.shape[0])

    def column(self, channel: str) -> FloatArray:
        """Values of one channel (n,)."""
        return self.values[:, self.channels.index(channel)]

    def time_at(self, arrival_s: float) -> float:
        """Sample time that belongs to a host time; events are placed on the axis of the samples by it."""
        if len(self) == 0:
            return float("nan")
        return float(np.interp(arrival_s, self.arrival_s, self.time_s))
