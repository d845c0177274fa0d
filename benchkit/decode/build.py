"""From the specification of a source to the decoder of its bytes: used live, and again when a journal is decoded."""

from __future__ import annotations

from benchkit.decode.contract import Decoder
from benchkit.decode.datagrams import DatagramTextDecoder
from benchkit.decode.packets import PacketDecoder
from benchkit.decode.registers import RegisterDecoder
from benchkit.decode.scpi import ScpiDecoder
from benchkit.decode.tail import TailDecoder
from benchkit.decode.text import TextDecoder
from benchkit.errors import UsageError
from benchkit.model.sources import (
    CanSource,
    CsvTailSource,
    ModbusSource,
    ScpiSource,
    SerialPacketSource,
    SerialTextSource,
    Source,
    TextFormat,
    UdpSource,
)


def decoder_for(  # noqa: PLR0911 - one return for each kind of source
    source: Source, *, joined_midway: bool = False
) -> Decoder:
    """A new decoder for the bytes of ``source``; ``joined_midway``: the first frame may have begun before we listened.

    Raises:
        UsageError: bytes of that kind of source cannot be decoded again.
    """
    if isinstance(source, SerialTextSource):
        return TextDecoder(source.format, joined_midway=joined_midway)
    if isinstance(source, SerialPacketSource):
        return PacketDecoder(source.format, joined_midway=joined_midway)
    if isinstance(source, UdpSource):
        if isinstance(source.format, TextFormat):
            return DatagramTextDecoder(source.format)
        return PacketDecoder(source.format)
    if isinstance(source, CsvTailSource):
        return TailDecoder(source.format, has_names=source.has_names)
    if isinstance(source, CanSource):
        from benchkit.decode.can_frames import CanDecoder

        return CanDecoder(source)
    if isinstance(source, ModbusSource):
        return RegisterDecoder(source.registers)
    if isinstance(source, ScpiSource):
        return ScpiDecoder(source.queries)
    raise UsageError(
        "its bytes cannot be decoded again",
        where=f"sources.{source.name}",
        got=type(source).__name__,
        remedy="The bytes stay in the run as they came.",
    )
