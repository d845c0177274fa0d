"""From the source of a stand profile to a live source."""

from __future__ import annotations

from benchkit.errors import UsageError
from benchkit.model.sources import (
    CanSource,
    CsvTailSource,
    ModbusSource,
    ScpiSource,
    SerialPacketSource,
    SerialTextSource,
    UdpSource,
)
from benchkit.model.sources import Source as SourceSpec
from benchkit.sources.clock import Clock
from benchkit.sources.contract import Source


def build_source(spec: SourceSpec, clock: Clock, port: str | None = None) -> Source:
    """Make the source that ``spec`` describes; ``port`` takes the place of the port of the profile.

    Raises:
        UsageError: a source of that kind cannot be built.
    """
    if isinstance(spec, (SerialTextSource, SerialPacketSource)):
        from benchkit.sources.serial_source import SerialSource

        return SerialSource(spec, clock, port)
    if isinstance(spec, UdpSource):
        from benchkit.sources.udp import DatagramSource

        return DatagramSource(spec, clock, port)
    if isinstance(spec, CsvTailSource):
        from benchkit.sources.csv_tail import CsvTail

        return CsvTail(spec, clock, port)
    if isinstance(spec, CanSource):
        from benchkit.sources.can_bus import CanBusSource

        return CanBusSource(spec, clock, port)
    if isinstance(spec, ModbusSource):
        from benchkit.sources.modbus import modbus_source

        return modbus_source(spec, clock, port)
    if isinstance(spec, ScpiSource):
        from benchkit.sources.scpi import scpi_source

        return scpi_source(spec, clock, port)
    raise UsageError(f"no source can be built from a {type(spec).__name__}")
