"""What the checks look at: one stream with its events and results, and what several checks need of it, made once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt

from benchkit.model.events import Event
from benchkit.model.results import Estimate, OperatingPoint, PowerBalance, StaticThrust
from benchkit.model.stand import Channel, Role, Stand
from benchkit.model.stream import Stream
from benchkit.units import Quantity

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
Rows = tuple[int, int]

STANDS_STILL_RPM = 5.0
"""A shaft below this stands still (common practice, no source)."""
REST_S = 2.0
"""Shortest stretch at rest that tells a zero."""
SECOND_S = 1.0
"""Length of the pieces whose means the slow checks look at."""
LARGEST_WINDOW = 16_384
"""Rows of one point that the checks of noise and lines look at: enough for 0.01 Hz at 200 Hz, and a bounded cost."""


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """One stream and all that is known of it; rows are half open."""

    stand: Stand
    stream: Stream
    events: tuple[Event, ...]
    points: tuple[OperatingPoint, ...]
    balances: tuple[PowerBalance, ...]
    thrust: tuple[StaticThrust, ...]
    run_date: date | None
    interval_s: float
    rest: tuple[Rows, ...]
    """Stretches in which the shaft stands still."""
    second_edges: IntArray
    """First rows of pieces of one second (m + 1,)."""
    seconds: FloatArray
    """Means of those pieces (m, channels); NaN where a piece has no good sample."""

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

    def values(self, role: Role, rows: Rows | None = None) -> FloatArray:
        """Samples of a role (n,), of some rows or all."""
        column = self.stream.column(self.name(role))
        return column if rows is None else column[rows[0] : rows[1]]

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
    stream: Stream,
    events: Sequence[Event] = (),
    points: Sequence[OperatingPoint] = (),
    balances: Sequence[PowerBalance] = (),
    thrust: Sequence[StaticThrust] = (),
    run_date: date | None = None,
) -> Look:
    """Everything that the checks share, in one pass over the rows."""
    interval = float(np.median(np.diff(stream.time_s))) if len(stream) > 1 else float("nan")
    edges, means = _seconds(stream)
    return Look(
        stand=stand,
        stream=stream,
        events=tuple(events),
        points=tuple(points),
        balances=tuple(balances),
        thrust=tuple(thrust),
        run_date=run_date,
        interval_s=interval,
        rest=_rest(stand, stream),
        second_edges=edges,
        seconds=means,
    )


def _seconds(stream: Stream) -> tuple[IntArray, FloatArray]:
    """Pieces of as many rows as one second usually has, and their means over good samples."""
    n = len(stream)
    if n < 2:
        return np.array([0, n], dtype=np.int64), np.full((1, len(stream.channels)), np.nan)
    span = float(np.median(np.diff(stream.time_s)))
    rows = max(1, round(SECOND_S / span)) if span > 0.0 else max(1, n // 60)
    edges = np.append(np.arange(0, n - rows + 1 if n > rows else 1, rows), n).astype(np.int64)
    whole = edges.size - 2
    values = stream.values
    means = np.full((edges.size - 1, values.shape[1]), np.nan)
    if whole > 0:
        # whole pieces as one reshaped view: a plain mean is several times faster than sums between indices
        means[:whole] = values[: whole * rows].reshape(whole, rows, -1).mean(axis=1)
    means[whole:] = values[whole * rows :].mean(axis=0)
    piece, column = np.nonzero(np.isnan(means))
    for k in np.unique(piece):
        part = values[edges[k] : edges[k + 1], column[piece == k]]
        good = ~np.isnan(part)
        count = good.sum(axis=0)
        with np.errstate(invalid="ignore", divide="ignore"):
            means[k, column[piece == k]] = np.where(good, part, 0.0).sum(axis=0) / count
    return edges, means


def _rest(stand: Stand, stream: Stream) -> tuple[Rows, ...]:
    channel = stand.channel_for(Role.SPEED)
    if channel is None or channel.name not in stream.channels or len(stream) < 2:
        return ()
    still = np.abs(stream.column(channel.name)) < STANDS_STILL_RPM  # NaN is not at rest
    found = []
    for start, stop in runs(still):
        if stream.time_s[stop - 1] - stream.time_s[start] >= REST_S:
            found.append((start, stop))
    return tuple(found)


# ------------------------------------------------------------------------------------------------ small parts
def edges_of(mask: BoolArray) -> tuple[IntArray, IntArray]:
    """First rows of all runs of True (m,) and the rows behind them (m,)."""
    change = np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8))
    return np.flatnonzero(change == 1), np.flatnonzero(change == -1)


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


def trend(time_s: FloatArray, values: FloatArray) -> float:
    """Slope of the straight line through good samples, per second; NaN of fewer than three."""
    good = ~np.isnan(values)
    if np.count_nonzero(good) < 3:
        return float("nan")
    t = time_s[good] - time_s[good].mean()
    square = float(np.sum(t**2))
    return float(np.sum(t * values[good]) / square) if square > 0.0 else float("nan")


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
