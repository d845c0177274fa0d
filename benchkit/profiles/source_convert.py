"""From the section of a source to its frozen specification."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from benchkit.model.sources import (
    CanSignal,
    CanSource,
    CsvTailSource,
    Framing,
    ModbusRegister,
    ModbusSetPoint,
    ModbusSource,
    NumberType,
    PacketField,
    PacketFormat,
    ScpiQuery,
    ScpiSource,
    SerialPacketSource,
    SerialTextSource,
    Source,
    TextFormat,
    UdpSource,
    words_of,
)
from benchkit.profiles import source_schema as schema
from benchkit.profiles.collect import Collector
from benchkit.units import Quantity

MODBUS_COMMAND = "write {name} {value}"
MOST_ANSWERS = 65535
"""Bytes that the record of a sweep can hold."""
LONGEST_NUMBER = 16
"""Bytes of a number in an answer, with its separator; the exact length is known only when it comes."""


class SourceConverter:
    """Converts one source; faults go to ``collector``."""

    def __init__(self, collector: Collector, name: str) -> None:
        self._collect = collector
        self._name = name
        self._key = f"sources.{name}"

    def source(self, s: schema.SourceSection) -> Source:  # noqa: PLR0911 - one return a kind
        """The specification of the source."""
        self._unique(s.value_columns())
        stale_after_s = self._collect.positive(f"{self._key}.stale_after", Quantity.TIME, s.stale_after)
        command = self._command(s.set_point_command)
        match s:
            case schema.SerialTextSection():
                text = self._text(f"{self._key}.format", s.format)
                return SerialTextSource(self._name, s.port, s.baud, text, stale_after_s, command)
            case schema.SerialPacketSection():
                packets = self._packets(s.packets)
                if packets.framing is Framing.DATAGRAM:
                    self._fault("packets.framing", "datagrams come over udp only", "datagram", "cobs or length")
                return SerialPacketSource(self._name, s.port, s.baud, packets, stale_after_s, command)
            case schema.UdpSection():
                return UdpSource(self._name, s.port, self._datagram(s), stale_after_s, command)
            case schema.ModbusSection():
                return self._modbus(s, stale_after_s, command)
            case schema.ScpiSection():
                return self._scpi(s, stale_after_s, command)
            case schema.CsvTailSection():
                if s.set_point_command is not None:
                    self._fault("set_point_command", "a file takes no commands", s.set_point_command)
                text = self._text(f"{self._key}.format", s.format)
                return CsvTailSource(self._name, s.port, text, s.names, s.skip_existing, stale_after_s)
            case schema.CanSection():
                signals = tuple(CanSignal(x.column, x.message, x.signal) for x in s.signals)
                if not s.dbc_text:
                    self._fault("dbc", "holds nothing", s.dbc, "the text of a database (DBC)")
                dbc = s.dbc_text or ""
                return CanSource(
                    self._name, s.interface, s.port, s.bitrate, dbc, signals, s.row_message, stale_after_s, command
                )

    def _fault(self, key: str, what: str, got: object = None, expected: str = "", remedy: str = "") -> None:
        self._collect.fault(f"{self._key}.{key}", what, got, expected, remedy)

    def _unique(self, columns: Sequence[str]) -> None:
        doubled = sorted(c for c, count in Counter(columns).items() if count > 1)
        if doubled:
            self._fault("columns", f"columns named twice: {', '.join(doubled)}")

    def _command(self, command: str | None) -> str | None:
        if command is not None and not all(mark in command for mark in ("{name}", "{value}")):
            self._fault("set_point_command", "must hold {name} and {value}", command)
        return command

    def _text(self, key: str, f: schema.TextFormatSection) -> TextFormat:
        if f.separator == f.decimal_mark:
            self._collect.fault(f"{key}.decimal_mark", "separator and decimal mark are the same sign", f.decimal_mark)
        self._known_columns(key, f.counter_column, f.device_time_column, f.columns)
        return TextFormat(
            columns=tuple(f.columns),
            separator=f.separator,
            decimal_mark=f.decimal_mark,
            checksum=f.checksum,
            counter_column=f.counter_column,
            counter_modulus=f.counter_modulus,
            device_time_column=f.device_time_column,
            device_time_scale_s=self._collect.scale(f"{key}.device_time", Quantity.TIME, f.device_time_unit).factor,
            device_time_modulus=f.device_time_modulus,
            missing=tuple(f.missing),
            reply_prefix=f.reply_prefix,
            max_line_bytes=f.max_line_bytes,
        )

    def _packets(self, f: schema.PacketFormatSection) -> PacketFormat:
        key = f"{self._key}.packets"
        columns = [x.column for x in f.fields]
        self._known_columns(key, f.counter_column, f.device_time_column, columns)
        if f.framing is Framing.LENGTH and not f.sync:
            self._fault("packets.sync", "length framing needs sync bytes to find a packet again", f.sync)
        return PacketFormat(
            fields=tuple(PacketField(x.column, x.type) for x in f.fields),
            framing=f.framing,
            check=f.check,
            byte_order=f.byte_order,
            sync=bytes.fromhex(f.sync),
            length_bytes=f.length_bytes,
            counter_column=f.counter_column,
            device_time_column=f.device_time_column,
            device_time_scale_s=self._collect.scale(f"{key}.device_time", Quantity.TIME, f.device_time_unit).factor,
        )

    def _datagram(self, s: schema.UdpSection) -> PacketFormat | TextFormat:
        if (s.packets is None) == (s.text is None):
            self._fault("packets", "a datagram holds either packets or text", expected="one of the two sections")
        if s.packets is not None:
            if s.packets.framing is not Framing.DATAGRAM:
                self._fault("packets.framing", "a datagram is its own frame", s.packets.framing.value, "datagram")
            return self._packets(s.packets)
        return self._text(f"{self._key}.text", s.text) if s.text is not None else TextFormat(columns=("none",))

    def _known_columns(self, key: str, counter: str | None, time: str | None, columns: Sequence[str]) -> None:
        for field, column in (("counter_column", counter), ("device_time_column", time)):
            if column is not None:
                self._collect.known(f"{key}.{field}", "column", column, columns)

    def _modbus(self, s: schema.ModbusSection, stale_after_s: float, command: str | None) -> ModbusSource:
        for i, r in enumerate(s.registers):
            self._register(f"registers.{i}", r)
        for i, p in enumerate(s.set_points):
            self._register(f"set_points.{i}", p)
        names = [p.name for p in s.set_points]
        if len(set(names)) < len(names):
            self._fault("set_points", "set-points named twice", ", ".join(names))
        if command is None and names:
            command = MODBUS_COMMAND
        if command is not None and (command != MODBUS_COMMAND or not names):
            what = "Modbus takes one form of command, and writes only what set_points names"
            self._fault("set_point_command", what, command, MODBUS_COMMAND)
        if not s.port.startswith("tcp://") and s.unit_id == 0:
            self._fault("unit_id", "unit 0 is all units at once, and none answers", s.unit_id, "1 to 247")
        return ModbusSource(
            name=self._name,
            port=s.port,
            baud=s.baud,
            unit_id=s.unit_id,
            interval_s=self._collect.positive(f"{self._key}.interval", Quantity.TIME, s.interval),
            timeout_s=self._collect.positive(f"{self._key}.timeout", Quantity.TIME, s.timeout),
            registers=tuple(
                ModbusRegister(r.column, r.table, r.address, r.type, r.word_order, r.gain, r.offset)
                for r in s.registers
            ),
            stale_after_s=stale_after_s,
            set_point_command=command,
            set_points=tuple(
                ModbusSetPoint(p.name, p.address, p.type, p.word_order, p.gain, p.offset) for p in s.set_points
            ),
            largest_gap=s.largest_gap,
            parity=s.parity,
            stop_bits=s.stop_bits,
        )

    def _register(self, key: str, r: schema.ModbusRegisterSection | schema.ModbusSetPointSection) -> None:
        if r.gain == 0.0:
            self._fault(f"{key}.gain", "a gain of zero measures nothing", r.gain)
        if r.type in (NumberType.U8, NumberType.I8):
            self._fault(f"{key}.type", "a register holds 16 bits", r.type.value, "u16, i16 or longer")
        elif r.address + words_of(r.type) > 65536:
            self._fault(f"{key}.address", "reaches beyond the last register, 65535", r.address)

    def _scpi(self, s: schema.ScpiSection, stale_after_s: float, command: str | None) -> ScpiSource:
        for i, q in enumerate(s.queries):
            if not (q.command.isascii() and q.command.isprintable() and "?" in q.command):
                self._fault(f"queries.{i}.command", "must be a question of printable ASCII", q.command, "MEAS:VOLT?")
        queries = tuple(ScpiQuery(q.command, tuple(q.columns), q.reply, q.block_type, q.block_order) for q in s.queries)
        if sum(LONGEST_NUMBER * len(q.columns) for q in queries) > MOST_ANSWERS:
            what = f"the answers of one sweep may not fill {MOST_ANSWERS} bytes"
            self._fault("queries", what, remedy="Ask for fewer columns, or spread them over two sources.")
        return ScpiSource(
            name=self._name,
            port=s.port,
            baud=s.baud,
            interval_s=self._collect.positive(f"{self._key}.interval", Quantity.TIME, s.interval),
            timeout_s=self._collect.positive(f"{self._key}.timeout", Quantity.TIME, s.timeout),
            queries=queries,
            stale_after_s=stale_after_s,
            set_point_command=command,
        )
