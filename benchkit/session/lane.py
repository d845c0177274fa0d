"""One source inside the recorder: decoded rows to calibrated blocks, counts, and reopening after a loss."""

from __future__ import annotations

from benchkit.decode.channel_map import ChannelMap
from benchkit.model.samples import BadFrame, Gap, Rows
from benchkit.model.stand import Stand
from benchkit.runfile.layout import Block, StreamSpec
from benchkit.session.messages import SourceStatus
from benchkit.session.timebase import TimeBase
from benchkit.sources.contract import Source

FIRST_RETRY_S = 0.1
LONGEST_RETRY_S = 1.0


def block_of(rows: Rows, channel_map: ChannelMap, time_base: TimeBase) -> Block:
    """Calibrated block of decoded rows; blocks of a source must be made in order."""
    return Block(
        time_s=time_base.times(rows),
        arrival_s=time_base.arrival_s(rows),
        device_time_s=rows.device_time_s,
        counter=rows.counter,
        values=channel_map.calibrate(rows.values),
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
        self.channel_names = tuple(channel.name for channel in channels)
        self.spec = StreamSpec(source.name, channels, self.map.raw_names)
        self.time_base = TimeBase(start_ns, time_factor)
        self.stale_after_ns = round(stand.sources[source.name].stale_after_s * 1e9)
        self.rows = self.bad_frames = self.gaps = 0
        self.last_good_ns: int | None = None
        self.is_lost = False
        self.retry_at_ns = 0
        self._retry_s = FIRST_RETRY_S

    def block(self, rows: Rows) -> Block:
        """Calibrated block of decoded rows, with sample times."""
        self.rows += len(rows)
        self.last_good_ns = int(rows.arrival_ns[-1])
        return block_of(rows, self.map, self.time_base)

    def count(self, event: BadFrame | Gap) -> None:
        """Count what was not a good row."""
        if isinstance(event, BadFrame):
            self.bad_frames += 1
        else:
            self.gaps += 1

    def lost(self, now_ns: int) -> None:
        """The link is gone: try again soon, then less often."""
        self.is_lost = True
        self.retry_at_ns = now_ns + round(self._retry_s * 1e9)
        self._retry_s = min(2.0 * self._retry_s, LONGEST_RETRY_S)

    def back(self) -> None:
        """The link is open again."""
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
        )
