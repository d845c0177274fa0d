"""Bursts: short records at a high rate, many samples a millisecond, kept beside the streams of a run.

What a profile says of a burst source, what is captured, and what a run file gives back. A burst never takes part in
protection: it shows afterwards what the streams are too slow for.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from benchkit.model.calibration import Accuracy
from benchkit.model.events import EventKind
from benchkit.units import BENCH_UNIT, Quantity

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

TRIGGERS = (EventKind.TRIP, EventKind.CAUTION, EventKind.MARK)
"""Events of a run that may start a burst."""
MOST_BYTES = 256 << 20
"""Of the samples of one burst."""


class BurstRole(StrEnum):
    """What a channel of a burst is to the metrics. Channels that belong to one phase leg say which (``leg``)."""

    NONE = ""
    PHASE_CURRENT = "phase_current"
    LEG_VOLTAGE = "leg_voltage"
    """Between a phase terminal and the negative rail."""
    DC_VOLTAGE = "dc_voltage"
    DC_CURRENT = "dc_current"
    GATE_UPPER = "gate_upper"
    GATE_LOWER = "gate_lower"
    SPEED = "speed"
    TORQUE = "torque"


@dataclass(frozen=True, slots=True)
class BurstChannel:
    """One column of a burst: ``value = gain * raw + offset`` in the bench unit of its quantity."""

    name: str
    label: str
    quantity: Quantity
    gain: float = 1.0
    offset: float = 0.0
    role: BurstRole = BurstRole.NONE
    leg: str = ""
    accuracy: Accuracy = field(default_factory=Accuracy)

    @property
    def unit(self) -> str:
        """Bench unit of the quantity."""
        return BENCH_UNIT[self.quantity]


@dataclass(frozen=True, slots=True)
class BurstPacket:
    """A datagram: sync bytes, the number of its first sample (a frame of all channels), then whole frames."""

    sync: bytes
    counter_bytes: int
    is_big_endian: bool
    """Of the counter; that of the samples is in ``BurstSource.wire_type``."""

    @property
    def head_bytes(self) -> int:
        """Bytes before the first frame."""
        return len(self.sync) + self.counter_bytes


class BurstFileKind(StrEnum):
    """What an instrument leaves in a folder."""

    CSV = "csv"
    NPY = "npy"
    RAW = "raw"


@dataclass(frozen=True, slots=True)
class BurstFile:
    """How a file of one burst is read; nothing is guessed. ``columns`` are places in a row, from 0."""

    kind: BurstFileKind
    folder: str
    pattern: str
    columns: tuple[int, ...]
    trigger_row: int
    """Row of the trigger."""
    skip_lines: int = 0
    """Lines before the first row of a CSV file."""
    separator: str = ","
    decimal_mark: str = "."
    skip_bytes: int = 0
    """Bytes before the first row of a raw file."""
    row_values: int = 0
    """Values of one row of a raw file."""


@dataclass(frozen=True, slots=True)
class BurstSource:
    """One burst source: an instrument that sends packets without pause, or leaves files (``file``)."""

    name: str
    channels: tuple[BurstChannel, ...]
    sample_rate_hz: float
    u_rate: float
    """Relative standard uncertainty of the rate (1)."""
    wire_type: str
    """NumPy type of one value as it comes, such as ``>i2``."""
    pre_s: float
    post_s: float
    triggers: tuple[EventKind, ...]
    most_bursts: int
    """In one run; further triggers are refused, and it is said."""
    port: str = ""
    packet: BurstPacket | None = None
    file: BurstFile | None = None

    @property
    def stored_type(self) -> str:
        """NumPy type of one value in a run file: as it comes, little-endian."""
        return np.dtype(self.wire_type).newbyteorder("<").str

    @property
    def frame_bytes(self) -> int:
        """Bytes of one sample of all channels as it comes."""
        return len(self.channels) * np.dtype(self.wire_type).itemsize

    @property
    def pre_rows(self) -> int:
        """Samples before the trigger."""
        return round(self.pre_s * self.sample_rate_hz)

    @property
    def rows(self) -> int:
        """Samples of a whole burst."""
        return self.pre_rows + round(self.post_s * self.sample_rate_hz)


@dataclass(frozen=True, slots=True, eq=False)
class BurstRecord:
    """One burst as captured.

    ``samples`` (n, channels) are the values as received, in order of their counters. ``gaps`` (k, 2): a row and how
    many samples are missing before it. ``trigger_sample`` counts from ``first_counter``, the missing ones included.
    ``trigger_ns`` is host time since the start of the run, ``u_trigger_ns`` the standard uncertainty with which the
    trigger is laid onto the samples.
    """

    source: str
    number: int
    reason: str
    sample_rate_hz: float
    first_counter: int
    trigger_sample: int
    trigger_ns: int
    u_trigger_ns: int
    missing: int
    gaps: IntArray
    samples: npt.NDArray[np.generic]


@dataclass(frozen=True, slots=True, eq=False)
class Burst:
    """One burst out of a run: the record and its channels."""

    record: BurstRecord
    channels: tuple[BurstChannel, ...]

    @property
    def source(self) -> str:
        """Burst source of the profile."""
        return self.record.source

    @property
    def number(self) -> int:
        """Counts from 1 in its source."""
        return self.record.number

    def __len__(self) -> int:
        return int(self.record.samples.shape[0])

    @property
    def trigger_time_s(self) -> float:
        """Host time of the trigger since the start of the run, s."""
        return self.record.trigger_ns * 1e-9

    @property
    def time_s(self) -> FloatArray:
        """Time of every sample from the trigger on (n,), s: missing samples are left out, and the time goes on."""
        place = np.arange(len(self), dtype=np.float64)
        for row, missing in self.record.gaps.tolist():
            place[row:] += missing
        time: FloatArray = (place - self.record.trigger_sample) / self.record.sample_rate_hz
        return time

    def values(self, index: int) -> FloatArray:
        """One channel in its bench unit (n,)."""
        channel = self.channels[index]
        values: FloatArray = channel.gain * self.record.samples[:, index].astype(np.float64) + channel.offset
        return values

    def indices(self, role: BurstRole, leg: str | None = None) -> tuple[int, ...]:
        """Columns with that role, and of that leg where one is named."""
        return tuple(i for i, c in enumerate(self.channels) if c.role is role and (leg is None or c.leg == leg))

    def whole(self) -> tuple[int, int]:
        """Rows from … to of the longest stretch in which nothing is missing."""
        edges = [0, *self.record.gaps[:, 0].tolist(), len(self)]
        spans = [(stop - start, start, stop) for start, stop in pairwise(edges)]
        _, start, stop = max(spans, key=lambda span: span[0])
        return start, stop
