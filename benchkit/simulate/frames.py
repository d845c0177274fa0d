"""Frames as a device sends them, from raw numbers: text lines and binary packets. The way back of the decoders."""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence

from benchkit.decode import cobs
from benchkit.decode.packet_layout import layout_of
from benchkit.errors import UsageError
from benchkit.model.sources import Framing, PacketFormat, TextFormat
from benchkit.simulate.wire import LineWriter

DIGITS = (9, 6, 4, 2)
"""Decimals of a text field: the most with which a line is no longer than the format allows."""


class TextFrames:
    """Lines of ``text_format`` with values as exact as the longest line allows."""

    def __init__(self, text_format: TextFormat) -> None:
        self._format = text_format
        self._writers = [LineWriter(text_format, [digits] * len(text_format.value_columns), 3) for digits in DIGITS]

    def frame(self, counter: int, time_s: float, raw: Sequence[float]) -> bytes:
        """One line: frame number from 0, device time [s], raw numbers in the order of the value columns."""
        time = time_s / self._format.device_time_scale_s
        if self._format.device_time_modulus is not None:
            time %= self._format.device_time_modulus
        line = b""
        for writer in self._writers:
            line = writer.line(writer.fields(counter % self._format.counter_modulus, time, raw))
            if len(line) <= self._format.max_line_bytes:
                return line
        raise UsageError(
            "a line is too long for its format", got=len(line), expected=f"at most {self._format.max_line_bytes}"
        )


class PacketFrames:
    """Packets of ``packet_format``; numbers are rounded where their type is whole."""

    def __init__(self, packet_format: PacketFormat) -> None:
        self._format = packet_format
        self._layout = layout_of(packet_format)
        self._is_whole = [field.type.value[0] != "f" for field in packet_format.fields]

    def frame(self, counter: int, time_s: float, raw: Sequence[float]) -> bytes:
        """One packet, as above.

        Raises:
            UsageError: a number that its type cannot hold.
        """
        layout = self._layout
        numbers: list[float] = [0.0] * len(self._is_whole)
        for place, value in zip(layout.value_places, raw, strict=True):
            numbers[place] = value
        if layout.counter_place is not None:
            numbers[layout.counter_place] = counter % layout.counter_modulus
        if layout.device_time_place is not None:
            numbers[layout.device_time_place] = self._wrapped(layout.device_time_place, time_s)
        try:
            fields = [round(x) if whole else x for x, whole in zip(numbers, self._is_whole, strict=True)]
            body = layout.plain.pack(*fields, *([] if layout.check is None else [0]))
        except (struct.error, OverflowError, ValueError) as error:
            raise UsageError("a packet cannot hold these numbers", got=str(error)) from None
        packet = layout.head + body
        if layout.check is not None:
            width = layout.check.width
            packet = packet[:-width]
            packet += layout.check.function(packet).to_bytes(width, layout.order.value)
        return cobs.encode(packet) + b"\0" if self._format.framing is Framing.COBS else packet

    def _wrapped(self, place: int, time_s: float) -> float:
        time = time_s / self._format.device_time_scale_s
        kind = self._format.fields[place].type.value
        if kind[0] == "f":
            return time
        bits = int(kind[1:]) - (kind[0] == "i")
        return math.floor(time) % (1 << bits)
