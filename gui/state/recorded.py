"""A recorded run, opened: the same picture as a live stand, at the moment under the cursor."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchkit.model.run import RunHeader
from benchkit.model.stand import Role, Stand
from benchkit.model.stream import Stream
from benchkit.profiles import stand_from_json
from benchkit.runfile.exclusions import read_exclusions
from benchkit.runfile.reader import open_run
from gui.state.decimate import decimate
from gui.state.events import EventLog
from gui.state.headline import Headline, Shown, recorded_headline
from gui.state.history import means
from gui.state.live import MEAN_S, SLOPE_S
from gui.state.margins import Slope, margins, steady_slope
from gui.state.picture import Moment
from gui.state.power import power_path
from gui.state.ring import Envelope

FloatArray = npt.NDArray[np.float64]
_OVERVIEW_BUCKETS = 4000
_OVERVIEW_ABOVE_ROWS = 50_000
_STRETCH_S = 5.0


class RecordedModel:
    """Streams and events of one run in memory, and a cursor in sample time."""

    def __init__(
        self,
        stand: Stand,
        header: RunHeader,
        streams: Sequence[Stream],
        log: EventLog,
        *,
        closed: bool,
        digest: str,
    ) -> None:
        self.stand = stand
        self.header = header
        self.log = log
        self.streams = [s for s in streams if len(s)]
        self.pace = max(header.time_factor, 1.0)
        self.closed, self.digest = closed, digest
        self.start_s = min((float(s.time_s[0]) for s in self.streams), default=0.0)
        self.end_s = max((float(s.time_s[-1]) for s in self.streams), default=1.0)
        self._overviews = [_overview(s, self.end_s - self.start_s) for s in self.streams]
        self.cursor_s = self._greatest_power_s()

    def headline(self, now_s: float) -> Headline:  # noqa: ARG002 - a recorded run does not age
        """The state line."""
        return recorded_headline(
            self.stand,
            self.header,
            Shown(self.log.state_at(self.cursor_s), self.cursor_s, self.end_s - self.start_s, self.closed, self.digest),
        )

    def moment(self, now_s: float) -> Moment:  # noqa: ARG002 - a recorded run does not age
        """Values, margins and powers at the cursor; slopes look back from it."""
        values: dict[str, float] = {}
        slopes: dict[str, Slope] = {}
        half = 0.5 * MEAN_S * self.pace
        for stream in self.streams:
            _, near = _between(stream, self.cursor_s - half, self.cursor_s + half)
            values.update(zip(stream.channels, means(near).tolist(), strict=True))
            time_s, past = _between(stream, self.cursor_s - SLOPE_S, self.cursor_s)
            slopes.update({name: steady_slope(time_s, past[:, i]) for i, name in enumerate(stream.channels)})
        return Moment(values, frozenset(), 0.0, margins(self.stand, values, slopes), power_path(self.stand, values))

    def view(
        self, names: Sequence[str], start_s: float, end_s: float, pixels: int
    ) -> Mapping[str, tuple[FloatArray, FloatArray]]:
        """Points to draw per channel; channels that were not recorded are absent."""
        out: dict[str, tuple[FloatArray, FloatArray]] = {}
        for stream, overview in zip(self.streams, self._overviews, strict=True):
            own = [name for name in names if name in stream.channels]
            if not own:
                continue
            columns = [stream.channels.index(name) for name in own]
            gap_s = self._gap_s(stream.source)
            time_s, values = stream.time_s, stream.values
            if overview is not None and end_s - start_s > 0.5 * (self.end_s - self.start_s):
                time_s, values = overview.ring.time_s, overview.ring.values
                gap_s = max(gap_s, 3.0 * overview.width_s)
            else:
                # only the rows in view are copied
                first, last = np.searchsorted(time_s, (start_s, end_s))
                part = slice(max(int(first) - 1, 0), int(last) + 1)
                time_s, values = time_s[part], values[part]
            x, y = decimate(time_s, values[:, columns], start_s=start_s, end_s=end_s, pixels=pixels, gap_s=gap_s)
            out.update({name: (x, y[:, i]) for i, name in enumerate(own)})
        return out

    def move_cursor(self, time_s: float) -> None:
        """Put the cursor somewhere inside the run."""
        self.cursor_s = min(max(time_s, self.start_s), self.end_s)

    def _gap_s(self, source: str) -> float:
        spec = self.stand.sources.get(source)
        return (1.0 if spec is None else spec.stale_after_s) * self.pace

    def _greatest_power_s(self) -> float:
        """Middle of the stretch with the greatest electrical power in: the first thing to look at in a run."""
        names = [self.stand.roles.get(r) for r in (Role.DC_VOLTAGE, Role.DC_CURRENT)]
        for stream in self.streams:
            if None in names or not set(names) <= set(stream.channels):
                continue
            power = stream.column(str(names[0])) * stream.column(str(names[1]))
            bucket = np.floor(stream.time_s / (_STRETCH_S * self.pace))
            starts = np.concatenate(([0], np.flatnonzero(np.diff(bucket)) + 1))
            count = np.diff(np.append(starts, len(power)))
            mean = np.add.reduceat(np.nan_to_num(power, nan=0.0), starts) / count
            best = int(np.argmax(mean))
            return float(stream.time_s[starts[best] + count[best] // 2])
        return self.end_s


def load_recorded(path: Path) -> RecordedModel:
    """Open a run through the reader and take it into memory.

    Raises:
        RunFileError: the file is damaged, foreign, or still being written.
    """
    with open_run(path) as run:
        stand = stand_from_json(run.header.profile_json)
        streams = [run.stream(name) for name in run.sources]
        log = EventLog()
        longest = max(streams, key=len, default=None)
        for event in (*run.events(), *read_exclusions(path, run.content_sha256)):
            log.add(event, longest.time_at(event.time_s) if longest is not None and len(longest) else None)
        return RecordedModel(stand, run.header, streams, log, closed=run.is_closed, digest=run.content_sha256 or "")


def _between(stream: Stream, start_s: float, end_s: float) -> tuple[FloatArray, FloatArray]:
    first, last = np.searchsorted(stream.time_s, (start_s, end_s))
    return stream.time_s[int(first) : int(last) + 1], stream.values[int(first) : int(last) + 1]


def _overview(stream: Stream, length_s: float) -> Envelope | None:
    if len(stream) < _OVERVIEW_ABOVE_ROWS or length_s <= 0.0:
        return None
    overview = Envelope(len(stream.channels), length_s / _OVERVIEW_BUCKETS, _OVERVIEW_BUCKETS + 2)
    overview.append(stream.time_s, stream.values)
    return overview
