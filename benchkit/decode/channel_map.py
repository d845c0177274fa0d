"""From the columns of a frame to the channels of the stand, in bench units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError, did_you_mean
from benchkit.model.calibration import GainOffset
from benchkit.model.derived import fill_derived
from benchkit.model.sensors import Corrected, Thermocouple, cold_junction_of
from benchkit.model.stand import Channel

FloatArray = npt.NDArray[np.float64]


class ChannelMap:
    """Which column belongs to which channel, and the way through its calibration.

    ``channels`` keep their order; ``raw_names`` are the columns of those channels whose raw number is not already
    the value: these are worth keeping beside the calibrated ones. ``tare`` (channels,), in bench units, is added after
    calibration; None: no channel is tared. Derived channels are computed from what comes out of all this.

    Raises:
        UsageError: a channel asks for a column that the frames do not have.
    """

    def __init__(self, channels: Sequence[Channel], columns: Sequence[str]) -> None:
        self.channels = tuple(channels)
        place = {column: index for index, column in enumerate(columns)}
        for channel in self.channels:
            if channel.derived is None and channel.column not in place:
                hint = did_you_mean(channel.column, place)
                raise UsageError(
                    f"column {channel.column!r} is not in the frames of source {channel.source!r}",
                    where=f"channels.{channel.name}.column",
                    expected=f"one of {', '.join(place)}",
                    remedy=hint or "Name the column in the source's format, or mend the channel's column.",
                )
        self._columns = tuple(columns)
        # A derived channel has no column: its place is filled with the first one and computed over at the end.
        self._index = np.array([place.get(c.column, 0) for c in self.channels], dtype=np.intp)
        self._has_derived = any(c.derived is not None for c in self.channels)
        self._in_order = self._index.tolist() == list(range(len(columns)))
        # The straight lines of all channels are applied at once; curves are applied to their own columns after it.
        lines = [c.calibration.curve for c in self.channels]
        self._gain = np.array([c.gain if isinstance(c, GainOffset) else 1.0 for c in lines])
        self._offset = np.array([c.offset if isinstance(c, GainOffset) else 0.0 for c in lines])
        own = {channel.name: index for index, channel in enumerate(self.channels)}
        self._curves = [
            (i, c) for i, c in enumerate(lines) if not isinstance(c, GainOffset) and not cold_junction_of(c)
        ]
        # Thermocouples whose cold junction is a channel of the same frames come after that channel.
        self._compensated = [
            (i, c, _place_of(cold_junction_of(c), own))
            for i, c in enumerate(lines)
            if isinstance(c, (Thermocouple, Corrected)) and cold_junction_of(c)
        ]
        self.tare: FloatArray | None = None
        raw = dict.fromkeys(c.column for c in self.channels if not c.calibration.curve.is_identity)
        self.raw_names: tuple[str, ...] = tuple(raw)
        self._raw_index = np.array([place[name] for name in self.raw_names], dtype=np.intp)

    def calibrate(self, values: FloatArray) -> FloatArray:
        """Return values in bench units, (n, channels), from ``values`` as received, (n, columns). NaN stays NaN."""
        self._check_width(values)
        picked = values if self._in_order else values[:, self._index]
        result: FloatArray = picked * self._gain
        result += self._offset
        for index, curve in self._curves:
            result[:, index] = curve.apply(picked[:, index])
        for index, couple, junction in self._compensated:
            result[:, index] = couple.apply_with(picked[:, index], result[:, junction])
        if self.tare is not None:
            result += self.tare
        if self._has_derived:
            fill_derived(self.channels, result)
        return result

    def raw(self, values: FloatArray) -> FloatArray:
        """Return the columns named by ``raw_names``, (n, raw), as received."""
        self._check_width(values)
        picked: FloatArray = values[:, self._raw_index]
        return picked

    def _check_width(self, values: FloatArray) -> None:
        if values.ndim != 2 or values.shape[1] != len(self._columns):
            raise UsageError(
                "values do not fit the columns of this map",
                got=values.shape,
                expected=f"(n, {len(self._columns)})",
                remedy="Give the values of the decoder whose columns the map was made with.",
            )


def _place_of(junction: str, own: Mapping[str, int]) -> int:
    if junction not in own:
        raise UsageError(
            f"the cold junction {junction!r} is not among the channels of this source",
            expected=f"one of {', '.join(own)}",
            remedy="Take that channel along; without it a thermocouple says nothing.",
        )
    return own[junction]
