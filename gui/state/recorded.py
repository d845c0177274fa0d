"""A recorded run, opened: the same picture as a live stand, at the moment under the cursor."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchkit.model.stand import Role
from benchkit.profiles import stand_from_json
from benchkit.runfile.exclusions import read_exclusions
from benchkit.runfile.reader import Run, open_run
from gui.state.events import EventLog
from gui.state.headline import Headline, Shown, recorded_headline
from gui.state.history import means
from gui.state.live import MEAN_S, SLOPE_S
from gui.state.margins import Slope, margins, steady_slope
from gui.state.picture import Moment
from gui.state.power import power_path
from gui.state.traces import Traces

FloatArray = npt.NDArray[np.float64]
_STRETCH_S = 5.0


class RecordedModel:
    """An open run, its events, and a cursor in sample time. ``close`` lets go of the file."""

    def __init__(self, run: Run) -> None:
        self._run = run
        self.stand = stand_from_json(run.header.profile_json)
        self.header, self.path = run.header, run.path
        self.traces = [Traces(run, source) for source in run.sources if run.rows(source)]
        self.log = _log_of(run, max(self.traces, key=len, default=None))
        self.pace = max(run.header.time_factor, 1.0)
        self.closed, self.digest = run.is_closed, run.content_sha256
        self.start_s = min((t.start_s for t in self.traces), default=0.0)
        self.end_s = max((t.end_s for t in self.traces), default=1.0)
        self.cursor_s = self._greatest_power_s()

    def close(self) -> None:
        """Let go of the run file; nothing can be drawn any more."""
        self._run.close()

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
        for traces in self.traces:
            rows = traces.between(self.cursor_s - SLOPE_S, self.cursor_s + half)
            first, middle, last = np.searchsorted(
                rows.time_s, (self.cursor_s - half, self.cursor_s, self.cursor_s + half)
            ).tolist()
            back = int(np.searchsorted(rows.time_s, self.cursor_s - SLOPE_S))
            values.update(zip(rows.channels, means(rows.values[first : last + 1]).tolist(), strict=True))
            time_s, past = rows.time_s[back : middle + 1], rows.values[back : middle + 1]
            slopes.update({name: steady_slope(time_s, past[:, i]) for i, name in enumerate(rows.channels)})
        return Moment(values, frozenset(), 0.0, margins(self.stand, values, slopes), power_path(self.stand, values))

    def view(
        self, names: Sequence[str], start_s: float, end_s: float, pixels: int
    ) -> Mapping[str, tuple[FloatArray, FloatArray]]:
        """Points to draw per channel; channels that were not recorded are absent."""
        out: dict[str, tuple[FloatArray, FloatArray]] = {}
        for traces in self.traces:
            own = [name for name in names if name in traces.channels]
            if own:
                x, y = traces.view(own, start_s, end_s, pixels, self._gap_s(traces.source))
                out.update({name: (x, y[:, i]) for i, name in enumerate(own)})
        return out

    def times_of(self, source: str, row_start: int, row_stop: int) -> tuple[float, float] | None:
        """Sample times [s] of the first and last of some rows; None where the stream has no such rows."""
        traces = next((t for t in self.traces if t.source == source), None)
        if traces is None or not 0 <= row_start < row_stop <= len(traces):
            return None
        first, last = (float(traces.stream.rows(row, row + 1).time_s[0]) for row in (row_start, row_stop - 1))
        return first, last

    def move_cursor(self, time_s: float) -> None:
        """Put the cursor somewhere inside the run."""
        self.cursor_s = min(max(time_s, self.start_s), self.end_s)

    def _gap_s(self, source: str) -> float:
        spec = self.stand.sources.get(source)
        return (1.0 if spec is None else spec.stale_after_s) * self.pace

    def _greatest_power_s(self) -> float:
        """Middle of the stretch with the greatest electrical power in: the first thing to look at in a run."""
        voltage, current = (self.stand.roles.get(r, "") for r in (Role.DC_VOLTAGE, Role.DC_CURRENT))
        for traces in self.traces:
            if {voltage, current} <= set(traces.channels):
                return traces.greatest_s(voltage, current, _STRETCH_S * self.pace)
        return self.end_s


def load_recorded(path: Path) -> RecordedModel:
    """Open a run through the reader. The file stays open until the model is closed.

    Raises:
        RunFileError: the file is damaged, foreign, or still being written.
    """
    run = open_run(path)
    try:
        return RecordedModel(run)
    except BaseException:
        run.close()
        raise


def _log_of(run: Run, longest: Traces | None) -> EventLog:
    """The events, at sample times of the longest stream."""
    log, events = EventLog(), [*run.events(), *read_exclusions(run.path, run.content_sha256)]
    times = np.array([event.time_s for event in events])
    at = [None] * len(events) if longest is None else longest.sample_time_at(times).tolist()
    for event, time_s in zip(events, at, strict=True):
        log.add(event, time_s)
    return log
