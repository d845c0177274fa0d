"""Part of a run: some streams, some channels, a span of sample time. Read in pieces, so a long run fits in memory."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any

import numpy as np

from benchkit.errors import UsageError, did_you_mean
from benchkit.model.stream import Stream
from benchkit.runfile import hashing, layout, trusted
from benchkit.runfile.layout import ChannelLike, FloatArray
from benchkit.runfile.reader import Run

_PIECE_BYTES = 4 << 20


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table made from a stream. ``name`` is unique in its table; ``channel`` is what the run calls it
    (empty for times and counter)."""

    name: str
    channel: str
    label: str
    quantity: str
    unit: str


TIMES: tuple[Column, ...] = (
    Column("time_s", "", "Sample time since start of run", "time", "s"),
    Column("arrival_s", "", "Arrival at the host since start of run", "time", "s"),
    Column("device_time_s", "", "Clock of the device as received", "time", "s"),
    Column("counter", "", "Frame counter as received, -1 where there is none", "count", "1"),
)
"""Columns before the channels: float64, the counter int64."""


@dataclass(frozen=True, slots=True)
class Chosen:
    """Chosen rows and channels of one stream."""

    source: str
    indices: tuple[int, ...]
    """Positions of the chosen channels in the stream."""
    columns: tuple[Column, ...]
    """Times, counter, then the chosen channels."""
    first: int
    stop: int
    """Rows outside these bounds are not chosen; inside, ``start_s <= time_s < stop_s`` says."""
    start_s: float | None
    stop_s: float | None
    rows: int
    """Number of chosen rows."""

    @property
    def rows_at_once(self) -> int:
        """Rows of one piece, a few megabytes."""
        step = layout.ROW_CHUNK
        return max(step, _PIECE_BYTES // (8 * len(self.columns)) // step * step)


def choose(
    run: Run,
    *,
    sources: Sequence[str] = (),
    channels: Sequence[str] = (),
    start_s: float | None = None,
    stop_s: float | None = None,
) -> tuple[Chosen, ...]:
    """Choose from a run: all streams and channels by default.

    ``start_s <= time_s < stop_s`` bounds the sample time; spans that follow one another share no row. Streams that have
    none of the named channels are left out.

    Raises:
        UsageError: an unknown source or channel, or bounds that enclose nothing.
    """
    for bound in (start_s, stop_s):
        if bound is not None and not np.isfinite(bound):
            raise UsageError(
                "not a time", where=str(run.path), got=bound, expected="seconds since the start of the run"
            )
    if start_s is not None and stop_s is not None and not start_s < stop_s:
        raise UsageError("the span is empty", where=str(run.path), got=(start_s, stop_s), expected="start before stop")
    for source in sources:
        run.spec(source)
    names = [source for source in run.sources if not sources or source in sources]
    known = [channel.name for source in names for channel in run.spec(source).channels]
    for channel in channels:
        if channel not in known:
            raise UsageError(
                f"no channel {channel!r} in {'this run' if not sources else ', '.join(sources)}",
                where=str(run.path),
                expected=", ".join(map(repr, islice(known, 40))),
                remedy=did_you_mean(channel, known),
            )
    parts = (_choose(run, source, channels, start_s, stop_s) for source in names)
    return tuple(part for part in parts if part.indices)


def one_source(run: Run, source: str | None) -> str:
    """The named source, or the only one.

    Raises:
        UsageError: no such source, or several and none named.
    """
    if source is not None:
        run.spec(source)
        return source
    if len(run.sources) != 1:
        raise UsageError(
            "the run has several streams, each on its own time base",
            where=str(run.path),
            expected=f"source = one of {', '.join(run.sources)}",
            remedy="Name the source.",
        )
    return run.sources[0]


def pieces(run: Run, part: Chosen) -> Iterator[Stream]:
    """The chosen rows and channels, a few megabytes at a time, in order."""
    for first in range(part.first, part.stop, part.rows_at_once):
        stream = run.stream(part.source, first, min(part.stop, first + part.rows_at_once))
        rows: Any = _inside(stream.time_s, part.start_s, part.stop_s)
        if rows.all():
            rows = slice(None)
        elif not rows.any():
            continue
        yield Stream(
            source=stream.source,
            channels=tuple(stream.channels[i] for i in part.indices),
            units=tuple(stream.units[i] for i in part.indices),
            time_s=stream.time_s[rows],
            arrival_s=stream.arrival_s[rows],
            device_time_s=stream.device_time_s[rows],
            counter=stream.counter[rows],
            values=stream.values[rows][:, list(part.indices)],
        )


def arrays(stream: Stream) -> tuple[Any, ...]:
    """One-dimensional arrays of a piece, in the order of :attr:`Chosen.columns`."""
    return (stream.time_s, stream.arrival_s, stream.device_time_s, stream.counter, *stream.values.T)


def sample_times(run: Run, source: str, arrival_s: FloatArray) -> FloatArray:
    """Sample times (n,) that belong to host times (n,), as :meth:`Stream.time_at` gives them, read in pieces.

    NaN for a stream without rows.
    """
    rows = run.rows(source)
    times = np.full(arrival_s.shape, np.nan)
    if rows == 0:
        return times
    host, sample = (run.datasets[f"{layout.STREAMS}/{source}/{name}"] for name in (layout.ARRIVAL, layout.TIME))
    step = 1 << 18
    with trusted.reading(run.path):
        for first in range(0, rows, step):
            stop = min(rows, first + step + 1)  # one row of the next piece: no event falls between two pieces
            known, at = host[first:stop], sample[first:stop]
            here = (arrival_s >= known[0]) | (first == 0)
            times[here] = np.interp(arrival_s[here], known, at)
    return times


def unique_names(wanted: Sequence[str], taken: Sequence[str] = ()) -> tuple[str, ...]:
    """The names, changed only where one is empty or there already: ``speed``, ``speed_2``.

    >>> unique_names(["speed", "time_s", "", "speed_2", "speed"], taken=["time_s"])
    ('speed', 'time_s_2', 'unnamed', 'speed_2', 'speed_3')
    """
    used = {*taken}
    as_they_are = {*wanted}
    names: list[str] = []
    for name in wanted:
        plain = candidate = name or "unnamed"
        number = 2
        while candidate in used or (candidate != name and candidate in as_they_are):
            candidate, number = f"{plain}_{number}", number + 1
        used.add(candidate)
        names.append(candidate)
    return tuple(names)


def _choose(run: Run, source: str, channels: Sequence[str], start_s: float | None, stop_s: float | None) -> Chosen:
    all_channels = run.spec(source).channels
    indices = tuple(i for i, channel in enumerate(all_channels) if not channels or channel.name in channels)
    first, stop, rows = _bounds(run, source, start_s, stop_s)
    return Chosen(
        source=source,
        indices=indices,
        columns=TIMES + _columns([all_channels[i] for i in indices]),
        first=first,
        stop=stop,
        start_s=start_s,
        stop_s=stop_s,
        rows=rows,
    )


def _columns(channels: Sequence[ChannelLike]) -> tuple[Column, ...]:
    names = unique_names([channel.name for channel in channels], [column.name for column in TIMES])
    return tuple(
        Column(name=name, channel=each.name, label=each.label, quantity=str(each.quantity), unit=each.unit)
        for name, each in zip(names, channels, strict=True)
    )


def _bounds(run: Run, source: str, start_s: float | None, stop_s: float | None) -> tuple[int, int, int]:
    """First row, end and number of the rows inside the span; sample time need not rise."""
    total = run.rows(source)
    if start_s is None and stop_s is None:
        return 0, total, total
    first, stop, count, done = total, 0, 0, 0
    with trusted.reading(run.path):
        for times in hashing.pieces(run.datasets[f"{layout.STREAMS}/{source}/{layout.TIME}"], 0, total):
            rows = np.flatnonzero(_inside(times, start_s, stop_s))
            if len(rows):
                first = min(first, done + int(rows[0]))
                stop = done + int(rows[-1]) + 1
                count += len(rows)
            done += len(times)
    return min(first, stop), stop, count


def _inside(time_s: FloatArray, start_s: float | None, stop_s: float | None) -> Any:
    if start_s is None and stop_s is None:
        return np.ones(time_s.shape, dtype=bool)
    low = -np.inf if start_s is None else start_s
    high = np.inf if stop_s is None else stop_s
    return (time_s >= low) & (time_s < high)
