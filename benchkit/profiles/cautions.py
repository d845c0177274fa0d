"""What is not wrong in a profile and yet lets wrong rows through."""

from __future__ import annotations

from collections.abc import Iterable

from benchkit.errors import compose
from benchkit.model.sources import Checksum, Framing, PacketCheck, SerialPacketSource, SerialTextSource, Source

WRONG_ROWS_OF_1000 = {"text": 106, Framing.COBS: 69, Framing.LENGTH: 622}
"""Wrong rows per 1000 damages without a check value, as measured: docs/reference/decoders.md."""


def source_cautions(sources: Iterable[Source]) -> list[str]:
    """One line for each source on a serial line whose frames have no check value. Datagrams, Modbus and CAN carry one
    of their own, and a file has no link that could damage it."""
    cautions = []
    for source in sources:
        if isinstance(source, SerialTextSource) and source.format.checksum is Checksum.NONE:
            cautions.append(_caution(source.name, "format.checksum", "text lines", WRONG_ROWS_OF_1000["text"]))
        elif isinstance(source, SerialPacketSource) and source.format.check is PacketCheck.NONE:
            framing = source.format.framing
            frames = f"packets with {framing.value} framing"
            cautions.append(_caution(source.name, "packets.check", frames, WRONG_ROWS_OF_1000[framing]))
    return cautions


def _caution(source: str, key: str, frames: str, wrong: int) -> str:
    return compose(
        f"{frames} without a check value: damage can pass as a row, {wrong} of 1000 did when measured",
        where=f"sources.{source}.{key}",
        remedy="Declare a check value if the device has one; with a CRC none did.",
    )
