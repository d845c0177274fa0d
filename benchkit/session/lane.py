"""One source inside the recorder: decoded rows to calibrated blocks, counts, and reopening after a loss."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchkit.decode.channel_map import ChannelMap
from benchkit.decode.loop_watch import LoopWatch
from benchkit.model.samples import BadFrame, FloatArray, Gap, Rows
from benchkit.model.sources import counter_modulus_of, device_time_wrap_s
from benchkit.model.stand import Stand
from benchkit.runfile.layout import Block, StreamSpec
from benchkit.session.common_edge import LONGEST_S, MOST_ROWS
from benchkit.session.messages import SourceStatus
from benchkit.session.opening import Opening
from benchkit.session.outage import missing_over
from benchkit.session.recent import Recent
from benchkit.session.tare import WINDOW_NS
from benchkit.session.timebase import TimeBase
from benchkit.sources.contract import Source

FIRST_RETRY_S = 0.1
LONGEST_RETRY_S = 1.0
RATE_ROWS = 50
"""Rows since the opening after which their rate is known well enough to count turns of a counter."""


def block_of(rows: Rows, values: FloatArray, channel_map: ChannelMap, time_base: TimeBase) -> Block:
    """Block of decoded rows, calibrated to ``values``, still without sample times; ``time_base.lay`` gives them."""
    arrival = time_base.arrival_s(rows)
    return Block(
        time_s=arrival,
        arrival_s=arrival,
        device_time_s=rows.device_time_s,
        counter=rows.counter,
        values=values,
        raw=channel_map.raw(rows.values),
    )


class Lane:
    """State of one source while recording. It does no I/O of its own: the recorder polls ``source``."""

    def __init__(self, index: int, source: Source, stand: Stand, start_ns: int, time_factor: float) -> None:
        self.index = index
        self.source = source
        self.name = source.name
        channels = stand.channels_of(source.name)
        self.map = ChannelMap(channels, source.columns)
        self.loops = LoopWatch(channels, source.columns)
        self.channel_names = tuple(channel.name for channel in channels)
        self.spec = StreamSpec(source.name, channels, self.map.raw_names)
        self.recent = Recent(WINDOW_NS)
        """Rows as they arrived, for a tare."""
        self.timed = Recent(round(LONGEST_S * 1e9), MOST_ROWS)
        """Sample time, then the channels; arrival counts from the start of the run. For a common edge."""
        self.gates_off: FloatArray | None = None
        """Rows (n, channels) of a noise test with the gates off."""
        self.row_bytes = 8 * (4 + len(channels) + len(self.map.raw_names))
        """What a row takes in the run file."""
        spec = stand.sources[source.name]
        self.time_base = TimeBase(start_ns, time_factor, device_time_wrap_s(spec))
        self.stale_after_ns = round(spec.stale_after_s * 1e9)
        self.rows = self.bad_frames = self.gaps = 0
        self.last_good_ns: int | None = None
        self.opening: Opening | None = None
        self.is_open = self.is_lost = False
        self.is_fresh_open = False
        self.retry_at_ns = 0
        self._retry_s = FIRST_RETRY_S
        self._modulus = counter_modulus_of(spec)
        self._last_counter: int | None = None
        self._opened_at: tuple[int, int] | None = None
        self._rate_hz: float | None = None
        self._outage: Gap | None = None

    def lay(self, rows: Rows, values: FloatArray) -> tuple[Block | None, Gap | None]:
        """Count the rows, calibrated to ``values``; return those that have sample times, and the outage now over."""
        block = block_of(rows, values, self.map, self.time_base)
        self.recent.add(rows.arrival_ns, values)
        restarts = self.time_base.restarts
        laid = self.time_base.lay(block)
        gap = None
        if self._outage is not None:
            gap = self._counted(self._outage, rows, has_restarted=self.time_base.restarts > restarts)
            self._outage = None
        self.rows += len(rows)
        self.last_good_ns = int(rows.arrival_ns[-1])
        if self._modulus is not None:
            self._last_counter = int(rows.counter[-1])
        if self._opened_at is None:
            self._opened_at = (self.rows, self.last_good_ns)
        return laid, gap

    def keep_timed(self, block: Block) -> None:
        """Keep rows that have their sample times, as long as a request may ask for them."""
        arrival_ns = np.rint(block.arrival_s * 1e9).astype(np.int64)
        self.timed.add(arrival_ns, np.column_stack([block.time_s, block.values]))

    def forget_recent(self) -> None:
        """The offsets have changed: the rows before and after do not go together."""
        self.recent.clear()
        self.timed.clear()

    def outage(self, event: Gap) -> bool:
        """True for the gap that an opening begins with: it is kept until the next row says how long it was."""
        if event.missing is not None or not self.is_fresh_open or self._last_counter is None:
            return False
        self._outage = self._outage or event
        return True

    def left_over(self) -> Gap | None:
        """An outage that no row has ended."""
        gap, self._outage = self._outage, None
        return gap

    def count(self, event: BadFrame | Gap) -> None:
        """Count what was not a good row."""
        if isinstance(event, BadFrame):
            self.bad_frames += 1
        else:
            self.gaps += 1

    def lost(self, now_ns: int) -> None:
        """The link is gone: try again soon, then less often."""
        self.is_lost = True
        self.is_open = False
        self.retry_at_ns = now_ns + round(self._retry_s * 1e9)
        self._retry_s = min(2.0 * self._retry_s, LONGEST_RETRY_S)
        self._rate_hz = self._rate() or self._rate_hz
        self._opened_at = None

    def opened(self) -> None:
        """The link is open."""
        self.is_open = self.is_fresh_open = True
        self.is_lost = False
        self._retry_s = FIRST_RETRY_S

    def status(self, now_ns: int) -> SourceStatus:
        """What dashboards are told about this source."""
        age_ns = None if self.last_good_ns is None else now_ns - self.last_good_ns
        return SourceStatus(
            age_s=None if age_ns is None else age_ns * 1e-9,
            rows=self.rows,
            bad_frames=self.bad_frames,
            gaps=self.gaps,
            lost=self.is_lost,
            stale=age_ns is None or age_ns > self.stale_after_ns,
            sensor_faults=self.loops.standing,
        )

    def _rate(self) -> float | None:
        """Rows per second since the opening; None while there are too few."""
        if self._opened_at is None or self.last_good_ns is None:
            return None
        rows, since_ns = self.rows - self._opened_at[0], self.last_good_ns - self._opened_at[1]
        return rows / (since_ns * 1e-9) if rows >= RATE_ROWS and since_ns > 0 else None

    def _counted(self, gap: Gap, rows: Rows, *, has_restarted: bool) -> Gap:
        if has_restarted:
            return replace(gap, cause=f"{gap.cause}; the device has started again")
        if self._last_counter is None or self._modulus is None or self.last_good_ns is None or self._rate_hz is None:
            return gap
        outage_s = (int(rows.arrival_ns[0]) - self.last_good_ns) * 1e-9
        missing = missing_over(self._last_counter, int(rows.counter[0]), self._modulus, outage_s, self._rate_hz)
        return replace(gap, missing=missing)
