"""Instrument links as the profile says: what is on the wire, and how it is asked for. One dataclass a kind of source.

``columns`` of every source name what its rows hold, in order; channels pick theirs by column name.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from benchkit.errors import UsageError


class Checksum(StrEnum):
    """Check value at the end of a text line, as hexadecimal digits after a star."""

    NONE = "none"
    XOR8 = "xor8"
    """Exclusive or of all bytes before the star, two digits (as in NMEA 0183)."""
    CRC16_CCITT_FALSE = "crc16-ccitt-false"
    """Polynomial 0x1021, start 0xFFFF, four digits."""
    CRC32 = "crc32"
    """As in IEEE 802.3, eight digits."""


@dataclass(frozen=True, slots=True)
class TextFormat:
    """Delimited text lines. ``columns`` names every field in order, counter and device time included."""

    columns: tuple[str, ...]
    separator: str = ","
    decimal_mark: str = "."
    checksum: Checksum = Checksum.NONE
    counter_column: str | None = None
    counter_modulus: int = 65536
    device_time_column: str | None = None
    device_time_scale_s: float = 1e-3
    """Seconds per unit of the device time column."""
    device_time_modulus: int | None = None
    """Number at which the device time column starts at zero again; None: it never does."""
    missing: tuple[str, ...] = ("", "nan")
    """Field texts that mean *not measured*; they become NaN."""
    reply_prefix: str = ">"
    """A line that starts so is an answer of the device, not data."""
    max_line_bytes: int = 4096

    @property
    def value_columns(self) -> tuple[str, ...]:
        """Columns of values: without counter and device time."""
        apart = (self.counter_column, self.device_time_column)
        return tuple(column for column in self.columns if column not in apart)


@dataclass(frozen=True, slots=True)
class SerialTextSource:
    """Text lines on a serial port: device path, COM name, or a pyserial URL (``socket://host:port``, ``loop://``)."""

    name: str
    port: str
    baud: int
    format: TextFormat
    stale_after_s: float
    set_point_command: str | None = None
    """Text of the set-point command, with ``{name}`` and ``{value}``; None: the source takes no set-points."""


class Framing(StrEnum):
    """How packets are told apart on a byte stream."""

    COBS = "cobs"
    """Consistent overhead byte stuffing, a zero byte after every packet (Cheshire & Baker 1999)."""
    LENGTH = "length"
    """Sync bytes, then the length of what follows up to and without the check value (u8 or u16)."""
    DATAGRAM = "datagram"
    """One packet a datagram: for UDP."""


class PacketCheck(StrEnum):
    """Check value at the end of a packet, over everything before it (sync bytes and length included)."""

    NONE = "none"
    CRC16_CCITT_FALSE = "crc16-ccitt-false"
    CRC16_MODBUS = "crc16-modbus"
    CRC32 = "crc32"


class ByteOrder(StrEnum):
    """Order of the bytes of a number."""

    LITTLE = "little"
    BIG = "big"


class NumberType(StrEnum):
    """Type of a number on the wire."""

    U8 = "u8"
    I8 = "i8"
    U16 = "u16"
    I16 = "i16"
    U32 = "u32"
    I32 = "i32"
    U64 = "u64"
    I64 = "i64"
    F32 = "f32"
    F64 = "f64"


def words_of(number: NumberType) -> int:
    """16-bit registers that a number fills."""
    return max(1, int(number.value[1:]) // 16)


@dataclass(frozen=True, slots=True)
class PacketField:
    """One number of a packet."""

    column: str
    type: NumberType


@dataclass(frozen=True, slots=True)
class PacketFormat:
    """Binary packets of fixed content. Counter and device time are fields like the others, named here."""

    fields: tuple[PacketField, ...]
    framing: Framing
    check: PacketCheck
    byte_order: ByteOrder = ByteOrder.LITTLE
    sync: bytes = b""
    """Bytes before the length, for ``length`` framing."""
    length_bytes: int = 1
    counter_column: str | None = None
    device_time_column: str | None = None
    device_time_scale_s: float = 1e-6

    @property
    def value_columns(self) -> tuple[str, ...]:
        """Columns of values: without counter and device time."""
        apart = (self.counter_column, self.device_time_column)
        return tuple(field.column for field in self.fields if field.column not in apart)


@dataclass(frozen=True, slots=True)
class SerialPacketSource:
    """Binary packets on a serial port (same ports as for text)."""

    name: str
    port: str
    baud: int
    format: PacketFormat
    stale_after_s: float
    set_point_command: str | None = None


@dataclass(frozen=True, slots=True)
class UdpSource:
    """Datagrams sent to ``host:port`` of this computer; each holds one packet or some text lines."""

    name: str
    port: str
    """``host:port`` to listen on; port 0 takes a free one."""
    format: PacketFormat | TextFormat
    stale_after_s: float
    set_point_command: str | None = None


class ModbusTable(StrEnum):
    """Which table of a Modbus device."""

    HOLDING = "holding"
    INPUT = "input"


@dataclass(frozen=True, slots=True)
class ModbusRegister:
    """One number of a Modbus device. ``word_order`` is that of the 16-bit registers of a longer number; bytes within a
    register are big-endian, as the protocol says."""

    column: str
    table: ModbusTable
    address: int
    type: NumberType
    word_order: ByteOrder = ByteOrder.BIG
    gain: float = 1.0
    offset: float = 0.0


class Parity(StrEnum):
    """Parity bit of a serial character."""

    NONE = "none"
    EVEN = "even"
    ODD = "odd"


@dataclass(frozen=True, slots=True)
class ModbusSetPoint:
    """One holding register (or some) that a set-point command may write, under the name the command uses. What goes
    out is ``(value - offset) / gain``, rounded to whole steps where the type is an integer."""

    name: str
    address: int
    type: NumberType
    word_order: ByteOrder = ByteOrder.BIG
    gain: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class ModbusSource:
    """Polled registers over RTU (``port`` is a serial port) or TCP (``port`` is ``tcp://host:port``)."""

    name: str
    port: str
    baud: int
    unit_id: int
    interval_s: float
    timeout_s: float
    registers: tuple[ModbusRegister, ...]
    stale_after_s: float
    set_point_command: str | None = None
    """``write {name} {value}``: only names among ``set_points`` are written; None: read only."""
    set_points: tuple[ModbusSetPoint, ...] = ()
    largest_gap: int = 0
    """Addresses between two registers that may be read along to save a request; many devices refuse unused ones."""
    parity: Parity = Parity.EVEN
    """As the protocol asks of RTU unless the device says otherwise; nothing on TCP."""
    stop_bits: int = 1

    @property
    def columns(self) -> tuple[str, ...]:
        """One column a register."""
        return tuple(register.column for register in self.registers)


class ScpiReply(StrEnum):
    """Form of the answer to a query."""

    NUMBERS = "numbers"
    """Decimal numbers separated by commas, one a column."""
    BLOCK = "block"
    """Arbitrary block of IEEE 488.2 (``#15HELLO``), numbers of one type inside."""


@dataclass(frozen=True, slots=True)
class ScpiQuery:
    """One query and the columns its answer fills."""

    command: str
    columns: tuple[str, ...]
    reply: ScpiReply = ScpiReply.NUMBERS
    block_type: NumberType = NumberType.F32
    block_order: ByteOrder = ByteOrder.BIG


@dataclass(frozen=True, slots=True)
class ScpiSource:
    """Polled queries over a serial port or TCP (``socket://host:port``); ``*IDN?`` is asked at every opening."""

    name: str
    port: str
    baud: int
    interval_s: float
    timeout_s: float
    queries: tuple[ScpiQuery, ...]
    stale_after_s: float
    set_point_command: str | None = None

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns of all queries in order."""
        return tuple(column for query in self.queries for column in query.columns)


@dataclass(frozen=True, slots=True)
class CanSignal:
    """One signal of one message of the database."""

    column: str
    message: str
    signal: str


@dataclass(frozen=True, slots=True)
class CanSource:
    """Frames of a CAN bus decoded with a database (DBC). ``interface`` is one that python-can knows: virtual,
    socketcan, slcan. A row is made for every frame of ``row_message``, with the latest values of the other signals;
    NaN where a signal has not come since ``stale_after_s``."""

    name: str
    interface: str
    port: str
    """Channel of the interface: ``can0``, a serial port for slcan, any name for virtual."""
    bitrate: int
    dbc: str
    """Text of the database, so that the run carries it."""
    signals: tuple[CanSignal, ...]
    row_message: str
    stale_after_s: float
    set_point_command: str | None = None

    @property
    def columns(self) -> tuple[str, ...]:
        """One column a signal."""
        return tuple(signal.column for signal in self.signals)


@dataclass(frozen=True, slots=True)
class CsvTailSource:
    """A text file that another program writes while we read. It takes no commands."""

    name: str
    port: str
    """Path of the file."""
    format: TextFormat
    has_names: bool
    """The first line of the file names the columns."""
    skip_existing: bool
    """Begin with the lines that come after the opening; those that stand in the file already are history."""
    stale_after_s: float
    set_point_command: None = None


Source = SerialTextSource | SerialPacketSource | UdpSource | ModbusSource | ScpiSource | CanSource | CsvTailSource


_WIDTH_BITS = {
    NumberType.U8: 8, NumberType.I8: 8, NumberType.U16: 16, NumberType.I16: 16, NumberType.U32: 32, NumberType.I32: 32,
    NumberType.U64: 64, NumberType.I64: 64, NumberType.F32: 24, NumberType.F64: 53,
}  # fmt: skip


def counter_modulus_of(source: Source) -> int | None:
    """Where the frame counter of a source wraps; None where it has no counter."""
    if not isinstance(source, (SerialTextSource, SerialPacketSource, UdpSource, CsvTailSource)):
        return None
    wire = source.format
    if wire.counter_column is None:
        return None
    if isinstance(wire, TextFormat):
        return wire.counter_modulus
    return 1 << next(_WIDTH_BITS[field.type] for field in wire.fields if field.column == wire.counter_column)


def device_time_wrap_s(source: Source) -> float | None:
    """Device time [s] after which the clock of a source starts at zero again; None: never, or it has none."""
    wire = getattr(source, "format", None)
    if isinstance(wire, TextFormat):
        return None if wire.device_time_modulus is None else wire.device_time_modulus * wire.device_time_scale_s
    if not isinstance(wire, PacketFormat) or wire.device_time_column is None:
        return None
    kind = next(field.type for field in wire.fields if field.column == wire.device_time_column)
    if kind in (NumberType.F32, NumberType.F64):
        return None
    return float(1 << _WIDTH_BITS[kind]) * wire.device_time_scale_s


def text_format_of(source: Source) -> TextFormat:
    """The text format of a source that sends text lines.

    Raises:
        UsageError: the source sends something else.
    """
    if isinstance(source, (SerialTextSource, UdpSource, CsvTailSource)) and isinstance(source.format, TextFormat):
        return source.format
    raise UsageError(
        "does not send text lines",
        where=f"sources.{source.name}",
        got=type(source).__name__,
        remedy="Name a source whose kind is serial_text or csv_tail.",
    )
