"""What a run file holds, at a glance: header, streams, events, state. Reads no block of values."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from benchkit.model.run import RunHeader
from benchkit.runfile import layout
from benchkit.runfile.layout import ChannelLike
from benchkit.runfile.reader import Run, open_run


@dataclass(frozen=True, slots=True)
class StreamInfo:
    """One stream: rows, channels, and the sample times of its ends (NaN when empty)."""

    source: str
    rows: int
    channels: tuple[ChannelLike, ...]
    raw_columns: tuple[str, ...]
    first_time_s: float
    last_time_s: float

    @property
    def rate_hz(self) -> float:
        """Mean rows per second of sample time; NaN with less than two rows."""
        span = self.last_time_s - self.first_time_s
        return (self.rows - 1) / span if self.rows > 1 and span > 0 else float("nan")


@dataclass(frozen=True, slots=True)
class RunInfo:
    """A run at a glance."""

    path: Path
    header: RunHeader
    is_closed: bool
    content_sha256: str
    """As stored; empty while not closed. ``Run.verify`` compares it with the content."""
    size_bytes: int
    journal: Path | None
    """The journal beside the run; a run that was closed has none."""
    streams: tuple[StreamInfo, ...]
    events: Mapping[str, int]
    """Number of events by kind."""
    raw_bytes: int
    """Bytes as received that are folded in."""
    bursts: Mapping[str, int] = field(default_factory=dict)
    """Number of bursts by burst source."""


def describe(path: Path) -> RunInfo:
    """Describe a run, closed or not.

    Raises:
        RunFileError: missing, foreign or damaged.
    """
    path = Path(path)
    journal = layout.journal_path(path)
    with open_run(path) as run:
        return RunInfo(
            path=path,
            header=run.header,
            is_closed=run.is_closed,
            content_sha256=run.content_sha256,
            size_bytes=path.stat().st_size,
            journal=journal if journal.is_file() else None,
            streams=tuple(_stream_info(run, source) for source in run.sources),
            events=dict(sorted(Counter(event.kind.value for event in run.events()).items())),
            raw_bytes=sum(run.raw_size(source) for source in run.sources),
            bursts=run.burst_counts(),
        )


def _stream_info(run: Run, source: str) -> StreamInfo:
    spec, rows = run.spec(source), run.rows(source)
    return StreamInfo(
        source=source,
        rows=rows,
        channels=spec.channels,
        raw_columns=spec.raw_columns,
        first_time_s=float(run.stream(source, 0, 1).time_s[0]) if rows else float("nan"),
        last_time_s=float(run.stream(source, rows - 1, rows).time_s[0]) if rows else float("nan"),
    )
