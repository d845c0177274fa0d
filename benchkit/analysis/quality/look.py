"""What the checks look at: one stream with its events and results, and what several checks need of it, made once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np
import numpy.typing as npt

from benchkit.analysis.quality.point_facts import PointFacts, facts_of, trend
from benchkit.analysis.quality.row_facts import (
    STANDS_STILL_RPM,
    FloatArray,
    IntArray,
    RowFacts,
    Rows,
    edges_of,
    gathered,
)
from benchkit.model.events import Event
from benchkit.model.results import Estimate, OperatingPoint, PowerBalance, StaticThrust
from benchkit.model.stand import Channel, Role, Stand
from benchkit.model.stream import Stream, StreamRows
from benchkit.units import Quantity

__all__ = [
    "LARGEST_REST",
    "LARGEST_WINDOW",
    "STANDS_STILL_RPM",
    "FloatArray",
    "Look",
    "Rows",
    "edges_of",
    "longest_run",
    "look_at",
    "middle",
    "places",
    "point_words",
    "runs",
    "samples",
    "times",
    "trend",
]

BoolArray = npt.NDArray[np.bool_]

LARGEST_WINDOW = 16_384
"""Rows of one point that the checks of noise and lines look at: enough for 0.01 Hz at 200 Hz, and a bounded cost."""
LARGEST_REST = 65_536
"""Rows of one rest that a zero is taken from: a minute at 1 kHz, the first of a longer rest."""


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """One stream and all that is known of it; rows are half open. The stream may stay in its file: of its rows only
    those of one point or one rest are read at a time."""

    stand: Stand
    stream: StreamRows
    events: tuple[Event, ...]
    points: tuple[OperatingPoint, ...]
    balances: tuple[PowerBalance, ...]
    thrust: tuple[StaticThrust, ...]
    run_date: date | None
    rows: RowFacts
    _of_points: dict[tuple[int, int], PointFacts] = field(default_factory=dict)

    @property
    def interval_s(self) -> float:
        """Usual step of time [s]."""
        return self.rows.interval_s

    @property
    def rest(self) -> tuple[Rows, ...]:
        """Stretches in which the shaft stands still."""
        return self.rows.rest

    @property
    def second_edges(self) -> IntArray:
        """First rows of pieces of one second (m + 1,)."""
        return self.rows.second_edges

    @property
    def seconds(self) -> FloatArray:
        """Means of those pieces (m, channels); NaN where a piece has no good sample."""
        return self.rows.seconds

    def has(self, role: Role) -> bool:
        """True where the stand names a channel for the role and the stream carries it."""
        name = self.stand.roles.get(role)
        return name is not None and name in self.stream.channels

    def name(self, role: Role) -> str:
        """Name of the channel with that role; the caller has checked :meth:`has`."""
        return self.stand.roles[role]

    def channel(self, role: Role) -> Channel:
        """The channel with that role; the caller has checked :meth:`has`."""
        return self.stand.channels[self.stand.roles[role]]

    def read(self, rows: Rows) -> Stream:
        """Some rows in memory. The caller bounds how many."""
        return self.stream.rows(*rows)

    def at_rest(self, rows: Rows) -> Stream:
        """The rows of a rest, at most :data:`LARGEST_REST`."""
        return self.read((rows[0], min(rows[1], rows[0] + LARGEST_REST)))

    def time_of(self, row: int) -> float:
        """Sample time of one row [s]."""
        return float(self.read((row, row + 1)).time_s[0])

    def facts(self, point: OperatingPoint) -> PointFacts:
        """What the last rows of a point say (:meth:`window`); read once, however many checks ask."""
        window = self.window(point)
        if window not in self._of_points:
            self._of_points[window] = facts_of(self.stand, self.read(window), self.interval_s)
        return self._of_points[window]

    def seconds_of(self, role: Role) -> FloatArray:
        """Means over pieces of one second (m,)."""
        return self.seconds[:, self.stream.channels.index(self.name(role))]

    def mean(self, point: OperatingPoint, role: Role) -> Estimate | None:
        """Mean of a role at a point; None where it is not measured."""
        name = self.stand.roles.get(role, "")
        found = point.means.get(name)
        return found if found is not None and found.is_measured else None

    def window(self, point: OperatingPoint) -> Rows:
        """The last rows of a point, at most :data:`LARGEST_WINDOW`."""
        return max(point.row_start, point.row_stop - LARGEST_WINDOW), point.row_stop

    def temperatures(self) -> list[Channel]:
        """Measured temperatures that this stream carries, in its order."""
        known = (self.stand.channels.get(name) for name in self.stream.channels)
        return [c for c in known if c is not None and c.quantity is Quantity.TEMPERATURE and c.derived is None]

    def parts(self) -> list[Channel]:
        """Temperatures of parts of the drive: all but coolant and air."""
        around = {self.stand.roles.get(r) for r in (Role.COOLANT_INLET_TEMP, Role.COOLANT_OUTLET_TEMP, Role.AIR_TEMP)}
        return [c for c in self.temperatures() if c.name not in around]


def look_at(
    stand: Stand,
    stream: StreamRows,
    events: Sequence[Event] = (),
    points: Sequence[OperatingPoint] = (),
    balances: Sequence[PowerBalance] = (),
    thrust: Sequence[StaticThrust] = (),
    run_date: date | None = None,
    rows: RowFacts | None = None,
) -> Look:
    """Everything that the checks share; ``rows`` where they were gathered while something else passed over them."""
    return Look(
        stand=stand,
        stream=stream,
        events=tuple(events),
        points=tuple(points),
        balances=tuple(balances),
        thrust=tuple(thrust),
        run_date=run_date,
        rows=gathered(stand, stream) if rows is None else rows,
    )


# ------------------------------------------------------------------------------------------------ small parts
def runs(mask: BoolArray) -> list[Rows]:
    """All runs of True as rows (start, stop)."""
    starts, stops = edges_of(mask)
    return list(zip(starts.tolist(), stops.tolist(), strict=True))


def longest_run(mask: BoolArray) -> tuple[int, int]:
    """First row and length of the longest run of True; (0, 0) where there is none."""
    starts, stops = edges_of(mask)
    if starts.size == 0:
        return 0, 0
    longest = int(np.argmax(stops - starts))
    return int(starts[longest]), int(stops[longest] - starts[longest])


def middle(values: FloatArray) -> float:
    """Median of the good samples; NaN of none."""
    good = values[~np.isnan(values)]
    return float(np.median(good)) if good.size else float("nan")


def times(count: int) -> str:
    """once, 2 times …"""
    return "once" if count == 1 else f"{count} times"


def places(count: int) -> str:
    """one place, 2 places …"""
    return "one place" if count == 1 else f"{count} places"


def samples(count: int) -> str:
    """1 sample is, 2 samples are …"""
    return "1 sample is" if count == 1 else f"{count} samples are"


def point_words(point: OperatingPoint) -> str:
    """Point 1, Point 2 …"""
    return f"Point {point.index + 1}"
