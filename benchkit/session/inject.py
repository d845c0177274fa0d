"""One source for a proof: wanted values back to raw numbers, to the bytes of its link, and through its own decoder.

Text lines and packets are made as the device would send them and decoded again: level ``bytes``. A link that is asked
(Modbus, SCPI), a bus and a growing file bring nothing that could be made here: their raw numbers are handed in behind
the decoder, level ``rows``, and the record says so. In both cases the calibration of the stand is passed through.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from benchkit.decode.build import decoder_for
from benchkit.decode.channel_map import ChannelMap
from benchkit.errors import BenchkitError
from benchkit.model.samples import FloatArray, IntArray, Rows, join_rows
from benchkit.model.sensors import cold_junction_of
from benchkit.model.sources import PacketFormat, SerialPacketSource, SerialTextSource, UdpSource
from benchkit.model.stand import Channel, Stand
from benchkit.simulate.frames import PacketFrames, TextFrames

CLOSE = 1e-3
"""A value that arrives further from the wanted one than this part of the range was not sent."""
SCAN = 401
"""Raw numbers looked at where a curve has no inverse of its own: derived channels, compensated thermocouples."""
OTHERS = (0.0, 0.75, 0.25)
"""Of a formula one input is searched, the others as in the last good frame (0), or at this part of their range: at rest
a product of speed and torque cannot be made large by one of them."""
BYTES, ROWS = "bytes", "rows"


class Injector:
    """``frame`` (columns,) are the raw numbers of the last good frame: what is not injected keeps them."""

    def __init__(self, stand: Stand, name: str, columns: tuple[str, ...], frame: FloatArray) -> None:
        self.name = name
        self._spec = stand.sources[name]
        self._channels = {channel.name: channel for channel in stand.channels_of(name)}
        self._place = {column: index for index, column in enumerate(columns)}
        self._map = ChannelMap(tuple(self._channels.values()), columns)
        self._frame = np.array(frame, dtype=np.float64)
        self._frames: TextFrames | PacketFrames | None = None
        if isinstance(self._spec, SerialTextSource | SerialPacketSource | UdpSource):
            wire = self._spec.format
            self._frames = PacketFrames(wire) if isinstance(wire, PacketFormat) else TextFrames(wire)
        self._raw: dict[tuple[str, float], dict[int, float] | None] = {}
        self._arrived: dict[tuple[str, float], float] = {}
        self.restart()

    @property
    def level(self) -> str:
        """``bytes`` or ``rows``."""
        return ROWS if self._frames is None else BYTES

    @property
    def base(self) -> Mapping[str, float]:
        """Values of the last good frame by channel, in bench units."""
        return dict(zip(self._channels, self._map.calibrate(self._frame[None, :])[0].tolist(), strict=True))

    def restart(self) -> None:
        """A new decoder, as after opening the link."""
        self._counter = 0
        self._decoder = None if self._frames is None else decoder_for(self._spec)

    def reach(self, name: str, value: float) -> float:
        """The value that arrives when ``value`` is injected into channel ``name``; NaN where that cannot be sent."""
        key = (name, value)
        if key not in self._arrived:
            arrived = math.nan
            if self._raw_of(name, value) is not None:
                try:
                    _, values = self.take(0, self.make(0, {name: value}))
                except BenchkitError:
                    self.restart()
                else:
                    arrived = float(values[-1, list(self._channels).index(name)]) if len(values) else math.nan
            is_close = abs(arrived - value) <= CLOSE * (self._channels[name].high - self._channels[name].low)
            self._arrived[key] = arrived if is_close else math.nan
        return self._arrived[key]

    def make(self, at_ns: int, values: Mapping[str, float]) -> bytes | FloatArray:
        """One frame with ``values`` of channels of this source: its bytes, or its raw numbers (columns,)."""
        raw = self._frame.copy()
        for name, value in values.items():
            for place, number in (self._raw_of(name, value) or {}).items():
                raw[place] = number
        if self._frames is None:
            return raw
        self._counter += 1
        return self._frames.frame(self._counter, at_ns * 1e-9, raw.tolist())

    def take(self, at_ns: int, frame: bytes | FloatArray) -> tuple[IntArray, FloatArray]:
        """A frame of ``make`` that arrives at ``at_ns``, through decoder and calibration.

        Returns arrival (n,) and values (n, channels) as protection takes them.
        """
        if self._decoder is None or not isinstance(frame, bytes):
            return np.array([at_ns], dtype=np.int64), self._map.calibrate(np.asarray(frame)[None, :])
        self._decoder.feed(frame, at_ns)
        rows = [event for event in iter(self._decoder.next_event, None) if isinstance(event, Rows)]
        if not rows:
            return np.empty(0, dtype=np.int64), np.empty((0, len(self._channels)))
        block = join_rows(rows)
        return block.arrival_ns, self._map.calibrate(block.values)

    # -- back through the calibration

    def _raw_of(self, name: str, value: float) -> dict[int, float] | None:
        key = (name, value)
        if key not in self._raw:
            self._raw[key] = self._inverse(self._channels[name], value)
        return self._raw[key]

    def _inverse(self, channel: Channel, value: float) -> dict[int, float] | None:
        """Raw numbers by column that give ``value``, all others as in the last good frame; None: there are none."""
        curve = channel.calibration.curve
        if channel.derived is None and not cold_junction_of(curve):
            raw = float(curve.invert(np.array([value]))[0])
            return {self._place[channel.column]: raw} if math.isfinite(raw) else None
        leaves = self._leaves(channel)
        for share in OTHERS:
            for column, low, high in leaves:
                others = {c: lo + share * (hi - lo) for c, lo, hi in leaves if c != column} if share else {}
                found = self._search(channel.name, value, column, (low, high), others)
                if found is not None:
                    return others | {column: found}
        return None

    def _leaves(self, channel: Channel) -> list[tuple[int, float, float]]:
        """Columns that the channel is made of, each with the raw numbers at the ends of its range."""
        if channel.derived is not None:
            return [leaf for name in channel.derived.inputs for leaf in self._leaves(self._channels[name])]
        curve = channel.calibration.curve
        if cold_junction_of(curve):
            return [(self._place[channel.column], float(getattr(curve, "raw_low")), float(getattr(curve, "raw_high")))]  # noqa: B009  only compensated curves come here, all have both
        ends = curve.invert(np.array([channel.low, channel.high])).tolist()
        return [(self._place[channel.column], min(ends), max(ends))] if all(map(math.isfinite, ends)) else []

    def _search(
        self, name: str, value: float, column: int, ends: tuple[float, float], others: Mapping[int, float]
    ) -> float | None:
        """Raw number of ``column`` between ``ends`` at which channel ``name`` crosses ``value``, with these others."""
        from scipy.optimize import brentq

        at = list(self._channels).index(name)

        def missed(raw: FloatArray) -> FloatArray:
            rows = np.tile(self._frame, (raw.size, 1))
            for place, number in others.items():
                rows[:, place] = number
            rows[:, column] = raw
            difference: FloatArray = self._map.calibrate(rows)[:, at] - value
            return difference

        x = np.linspace(*ends, SCAN)
        y = missed(x)
        with np.errstate(invalid="ignore"):
            crossings = np.flatnonzero(y[:-1] * y[1:] <= 0.0)
        if not crossings.size:
            return None
        k = int(crossings[0])
        if y[k] == 0.0 or y[k + 1] == 0.0:
            return float(x[k] if y[k] == 0.0 else x[k + 1])
        return float(brentq(lambda raw: float(missed(np.array([raw]))[0]), x[k], x[k + 1]))
