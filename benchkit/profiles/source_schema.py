"""The sources of a profile, one section a kind. Which keys a kind has is decided by ``kind``."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from benchkit.decode.can_database import MAX_DBC_BYTES
from benchkit.model.sources import (
    ByteOrder,
    Checksum,
    Framing,
    ModbusTable,
    NumberType,
    PacketCheck,
    Parity,
    ScpiReply,
)
from benchkit.profiles.base import Finite, Measure, Name, Section

Separator = Annotated[str, Field(pattern=r"^[,;\t |]$", description="one of , ; tab space |")]
HexBytes = Annotated[str, Field(pattern=r"^([0-9A-Fa-f]{2}){0,8}$", description="up to 8 bytes as hexadecimal digits")]
Baud = Annotated[int, Field(ge=300, le=12_000_000)]
OrderField = Annotated[ByteOrder, Field(strict=False)]
TypeField = Annotated[NumberType, Field(strict=False)]


class TextFormatSection(Section):
    """Delimited text lines."""

    separator: Separator
    decimal_mark: Literal[".", ","]
    checksum: Annotated[Checksum, Field(strict=False)]
    columns: Annotated[list[str], Field(min_length=1)]
    counter_column: str | None = None
    counter_modulus: Annotated[int, Field(ge=2)] = 65536
    device_time_column: str | None = None
    device_time_unit: str = "ms"
    device_time_modulus: Annotated[int, Field(ge=2)] | None = None
    missing: list[str] = Field(default_factory=lambda: ["", "nan"])
    reply_prefix: str = ">"
    max_line_bytes: Annotated[int, Field(ge=64, le=65536)] = 4096

    def value_columns(self) -> list[str]:
        """Columns that a channel may take."""
        return [c for c in self.columns if c not in (self.counter_column, self.device_time_column)]


class PacketFieldSection(Section):
    """One number of a packet."""

    column: str
    type: TypeField


class PacketFormatSection(Section):
    """Binary packets of fixed content."""

    framing: Annotated[Framing, Field(strict=False)]
    check: Annotated[PacketCheck, Field(strict=False)]
    byte_order: OrderField
    fields: Annotated[list[PacketFieldSection], Field(min_length=1, max_length=512)]
    sync: HexBytes = ""
    length_bytes: Literal[1, 2] = 1
    counter_column: str | None = None
    device_time_column: str | None = None
    device_time_unit: str = "µs"

    def value_columns(self) -> list[str]:
        """Columns that a channel may take."""
        apart = (self.counter_column, self.device_time_column)
        return [f.column for f in self.fields if f.column not in apart]


class _SourceSection(Section):
    port: str
    stale_after: Measure
    set_point_command: str | None = None


class SerialTextSection(_SourceSection):
    """``[sources.NAME]`` of kind ``serial_text``."""

    kind: Literal["serial_text"]
    baud: Baud
    format: TextFormatSection

    def value_columns(self) -> list[str]:
        """Columns that a channel may take."""
        return self.format.value_columns()


class SerialPacketSection(_SourceSection):
    """``[sources.NAME]`` of kind ``serial_packets``."""

    kind: Literal["serial_packets"]
    baud: Baud
    packets: PacketFormatSection

    def value_columns(self) -> list[str]:
        """Columns that a channel may take."""
        return self.packets.value_columns()


class UdpSection(_SourceSection):
    """``[sources.NAME]`` of kind ``udp``: either ``packets`` or ``text`` says what a datagram holds."""

    kind: Literal["udp"]
    packets: PacketFormatSection | None = None
    text: TextFormatSection | None = None

    def value_columns(self) -> list[str]:
        """Columns that a channel may take."""
        chosen = self.packets or self.text
        return chosen.value_columns() if chosen else []


class ModbusRegisterSection(Section):
    """One number of a Modbus device."""

    column: str
    table: Annotated[ModbusTable, Field(strict=False)]
    address: Annotated[int, Field(ge=0, le=65535)]
    type: TypeField
    word_order: OrderField
    gain: Finite = 1.0
    offset: Finite = 0.0


class ModbusSetPointSection(Section):
    """One register that a set-point command may write."""

    name: Name
    address: Annotated[int, Field(ge=0, le=65535)]
    type: TypeField
    word_order: OrderField
    gain: Finite = 1.0
    offset: Finite = 0.0


class ModbusSection(_SourceSection):
    """``[sources.NAME]`` of kind ``modbus``."""

    kind: Literal["modbus"]
    baud: Baud = 19200
    unit_id: Annotated[int, Field(ge=0, le=247)]
    interval: Measure
    timeout: Measure
    registers: Annotated[list[ModbusRegisterSection], Field(min_length=1, max_length=500)]
    set_points: Annotated[list[ModbusSetPointSection], Field(max_length=100)] = Field(default_factory=list)
    largest_gap: Annotated[int, Field(ge=0, le=120)] = 0
    parity: Annotated[Parity, Field(strict=False)] = Parity.EVEN
    stop_bits: Literal[1, 2] = 1

    def value_columns(self) -> list[str]:
        """Columns that a channel may take."""
        return [r.column for r in self.registers]


class ScpiQuerySection(Section):
    """One query and the columns its answer fills."""

    command: Annotated[str, Field(min_length=1, max_length=255)]
    columns: Annotated[list[str], Field(min_length=1, max_length=4095)]
    reply: Annotated[ScpiReply, Field(strict=False)]
    block_type: TypeField = NumberType.F32
    block_order: OrderField = ByteOrder.BIG


class ScpiSection(_SourceSection):
    """``[sources.NAME]`` of kind ``scpi``."""

    kind: Literal["scpi"]
    baud: Baud = 115200
    interval: Measure
    timeout: Measure
    queries: Annotated[list[ScpiQuerySection], Field(min_length=1, max_length=100)]

    def value_columns(self) -> list[str]:
        """Columns that a channel may take."""
        return [column for q in self.queries for column in q.columns]


class CanSignalSection(Section):
    """One signal of one message."""

    column: str
    message: str
    signal: str


class CanSection(_SourceSection):
    """``[sources.NAME]`` of kind ``can``. ``dbc`` is a file beside the profile; its text is taken up when the profile
    is read, so that the run carries it."""

    kind: Literal["can"]
    interface: Literal["virtual", "socketcan", "slcan"]
    bitrate: Annotated[int, Field(ge=10_000, le=1_000_000)]
    dbc: Annotated[str, Field(min_length=1, max_length=255)]
    dbc_text: Annotated[str | None, Field(max_length=MAX_DBC_BYTES)] = None
    signals: Annotated[list[CanSignalSection], Field(min_length=1)]
    row_message: str

    def value_columns(self) -> list[str]:
        """Columns that a channel may take."""
        return [s.column for s in self.signals]


class CsvTailSection(_SourceSection):
    """``[sources.NAME]`` of kind ``csv_tail``: a file that another program writes. ``port`` is its path."""

    kind: Literal["csv_tail"]
    names: bool
    skip_existing: bool = True
    format: TextFormatSection

    def value_columns(self) -> list[str]:
        """Columns that a channel may take."""
        return self.format.value_columns()


SourceSection = Annotated[
    SerialTextSection | SerialPacketSection | UdpSection | ModbusSection | ScpiSection | CanSection | CsvTailSection,
    Field(discriminator="kind"),
]
