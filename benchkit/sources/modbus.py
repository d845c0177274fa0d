"""Modbus RTU and TCP: registers read on schedule, set-points written by name.

pymodbus makes and reads the frames; the waiting is ours, so that a late answer is seen for what it is. TCP numbers its
questions. RTU does not: after a question without answer, the next one asks for another number of registers, and what
comes with the old number is a late answer and is passed over.

Commands are ``write NAME VALUE`` with a name among the set-points of the profile; one register goes out as function 06,
a longer number as function 16. The coil of the heartbeat is turned over with function 05 by ``coil ADDRESS on|off``,
which only the heartbeat can hand over (``PolledSource.offer``). Nothing else is ever written.
"""

from __future__ import annotations

import logging
import struct
from collections.abc import Callable
from typing import TYPE_CHECKING

from benchkit.decode.records import Outcome, failure, record
from benchkit.decode.registers import Read, RegisterDecoder, gather, plan_reads, words_for
from benchkit.errors import UsageError, did_you_mean
from benchkit.model.sources import ModbusSetPoint, ModbusSource, ModbusTable
from benchkit.sources.clock import Clock
from benchkit.sources.polling import LOST_AFTER, ExchangeError, Line, Link, PolledSource
from benchkit.sources.serial_link import SerialLink
from benchkit.sources.tcp_link import TcpLink

if TYPE_CHECKING:
    from pymodbus.pdu import ModbusPDU

MODBUS_PORT = 502
SHORTEST_SILENCE_S = 1.75e-3
"""Between two RTU frames, or 3.5 characters where that is longer (MODBUS over Serial Line V1.02, 2.5.1.1)."""
_CHARACTER_BITS = 11
_SILENT_TIMEOUTS = 10
"""After so many time-outs without a byte, answers that have not come will not come."""

COIL = "coil "
"""Begin of the command of the heartbeat, ``coil ADDRESS on|off``."""

EXCEPTIONS = {
    1: "illegal function", 2: "illegal data address", 3: "illegal data value", 4: "server device failure",
    5: "acknowledge: still working", 6: "server device busy", 8: "memory parity error",
    10: "gateway path unavailable", 11: "gateway target does not respond",
}  # fmt: skip
"""Names of the exception codes (MODBUS Application Protocol Specification V1.1b3, 7)."""


def modbus_source(spec: ModbusSource, clock: Clock, port: str | None = None) -> PolledSource:
    """The source of a Modbus device; ``port`` takes the place of the port of the profile.

    Raises:
        UsageError: pymodbus is not installed.
    """
    _require_pymodbus()
    device = port or spec.port
    where = f"sources.{spec.name}"
    is_tcp = device.startswith("tcp://")

    def open_link() -> Link:
        if is_tcp:
            return TcpLink(device, spec.timeout_s, where, MODBUS_PORT)
        return SerialLink(device, spec.baud, where, spec.parity, spec.stop_bits)

    return PolledSource(
        spec.name,
        device,
        clock,
        spec.interval_s,
        open_link=open_link,
        instrument_on=lambda line: ModbusInstrument(spec, line, is_tcp=is_tcp),
        new_decoder=lambda: RegisterDecoder(spec.registers),
        check_command=lambda text: parse_write(spec, text),
        lost_after=LOST_AFTER if is_tcp else None,
    )


def parse_write(spec: ModbusSource, text: str) -> tuple[ModbusSetPoint, list[int]]:
    """Set-point and words (0 … 65535) of the command ``write NAME VALUE``.

    Raises:
        UsageError: another command, an unknown name, or a value that does not fit.
    """
    where = f"sources.{spec.name}"
    if not spec.set_points:
        raise UsageError("this source takes no commands", where=where, got=text, remedy="Declare set_points for it.")
    verb, _, rest = text.partition(" ")
    name, _, number = rest.partition(" ")
    if verb != "write" or not number:
        raise UsageError("no such command", where=where, got=text, expected="write NAME VALUE")
    found = next((p for p in spec.set_points if p.name == name), None)
    if found is None:
        names = [p.name for p in spec.set_points]
        hint = did_you_mean(name, names) or f"Known: {', '.join(names)}."
        raise UsageError("no set-point of that name", where=where, got=name, remedy=hint)
    try:
        value = float(number)
    except ValueError as error:
        raise UsageError("not a number", where=where, got=number, expected="write NAME VALUE") from error
    return found, words_for(found, value)


class ModbusInstrument:
    """A Modbus device on an open line (see :class:`benchkit.sources.polling.Instrument`)."""

    def __init__(self, spec: ModbusSource, line: Line, *, is_tcp: bool) -> None:
        from pymodbus.framer import FramerRTU, FramerSocket
        from pymodbus.pdu import DecodePDU

        self._spec = spec
        self._line = line
        self._is_tcp = is_tcp
        self._framer = (FramerSocket if is_tcp else FramerRTU)(DecodePDU(False))
        self._timeout_ns = round(spec.timeout_s * 1e9)
        self._silence_s = max(3.5 * _CHARACTER_BITS / spec.baud, SHORTEST_SILENCE_S)
        self._plan = plan_reads(spec.registers, spec.largest_gap)
        self._transaction = 0
        self._late: set[int] = set()
        """Numbers of registers that answers may still come with."""
        self.unanswered = 0

    def sweep(self, number: int, between: Callable[[], None]) -> bytes:
        """Read all registers once; one record."""
        try:
            if self._late:
                between()
                self._find_step()
            answers = []
            for read in self._plan:
                between()
                answers.append((read, self._read(read)))
        except ExchangeError as fault:
            self.unanswered = self.unanswered + 1 if fault.outcome is Outcome.NO_ANSWER else 0
            return failure(fault.outcome, number, fault.text, fault.evidence)
        self.unanswered = 0
        return record(Outcome.ANSWERED, number, gather(self._spec.registers, answers))

    def command(self, text: str) -> bytes:
        """Write one set-point, or the coil of the heartbeat."""
        try:
            if text.startswith(COIL):
                self._write_coil(*text.removeprefix(COIL).split())
            else:
                self._write(text)
        except (ExchangeError, UsageError) as fault:
            is_refused = isinstance(fault, UsageError) or fault.outcome is Outcome.ERROR_REPLY
            reply = f"{'refused' if is_refused else 'unanswered'} {text}: {fault}"
        else:
            reply = f"ok {text}"
        return record(Outcome.REPLY, 0, reply.encode("utf-8"))

    def _read(self, read: Read) -> bytes:
        from pymodbus.pdu import register_message as messages

        kinds = {
            ModbusTable.HOLDING: messages.ReadHoldingRegistersRequest,
            ModbusTable.INPUT: messages.ReadInputRegistersRequest,
        }
        request = kinds[read.table](address=read.address, count=read.count, dev_id=self._spec.unit_id)
        try:
            answer = self._exchange(request, f"read {read}", lambda pdu: len(pdu.registers) == read.count)
        except ExchangeError as fault:
            if fault.outcome is not Outcome.ERROR_REPLY and not self._is_tcp:
                self._late.add(read.count)
            raise
        return struct.pack(f">{read.count}H", *answer.registers)

    def _write(self, text: str) -> None:
        from pymodbus.pdu import register_message as messages

        point, words = parse_write(self._spec, text)
        what = str(Read(ModbusTable.HOLDING, point.address, len(words)))
        if len(words) == 1:
            request: ModbusPDU = messages.WriteSingleRegisterRequest(
                address=point.address, registers=words, dev_id=self._spec.unit_id
            )
            self._exchange(request, what, lambda pdu: pdu.address == point.address and list(pdu.registers) == words)
            return
        request = messages.WriteMultipleRegistersRequest(
            address=point.address, registers=words, dev_id=self._spec.unit_id
        )
        self._exchange(request, what, lambda pdu: pdu.address == point.address and pdu.count == len(words))

    def _write_coil(self, address: str, level: str) -> None:
        from pymodbus.pdu.bit_message import WriteSingleCoilRequest

        bits = [level == "on"]
        request = WriteSingleCoilRequest(address=int(address), bits=bits, dev_id=self._spec.unit_id)
        self._exchange(
            request, f"coil {address}", lambda pdu: pdu.address == int(address) and list(pdu.bits)[:1] == bits
        )

    def _find_step(self) -> None:
        """Make sure that the next answer belongs to the next question: RTU answers do not say to which they belong."""
        widest = max(self._plan, key=lambda read: read.count)
        free = [count for count in range(widest.count, 0, -1) if count not in self._late]
        if free:
            count = free[0]
            try:
                self._read(Read(widest.table, widest.address, count))
            except ExchangeError as fault:
                if fault.outcome is Outcome.ERROR_REPLY:  # of this question or of a late one: nobody can say
                    self._late.add(count)
                raise
        else:
            self._line.read_waiting()
            silent_ns = self._line.now_ns() - self._line.busy_ns
            if silent_ns < _SILENT_TIMEOUTS * self._timeout_ns:
                raise ExchangeError(Outcome.NO_ANSWER, "waiting for late answers to have passed")
        self._late.clear()

    def _exchange(self, request: ModbusPDU, what: str, is_answer: Callable[[ModbusPDU], bool]) -> ModbusPDU:
        """Send ``request``; return its answer. Answers to earlier questions are passed over."""
        if not self._is_tcp:
            self._line.read_waiting()
            self._line.be_silent(self._silence_s)
        self._transaction = self._transaction % 0xFFFF + 1
        request.transaction_id = self._transaction
        self._line.write(self._framer.buildFrame(request))
        until_ns = self._line.now_ns() + self._timeout_ns
        waiting = refused = b""
        while data := self._line.read(until_ns):
            waiting += data
            while waiting:
                used, answer = self._decode(waiting)
                if answer is None:
                    refused += waiting[:used]
                waiting = waiting[used:]
                if used == 0:
                    break
                if answer is None or answer.function_code & 0x7F != request.function_code:
                    continue
                if answer.isError():
                    raise self._refusal(answer, what)
                if is_answer(answer):
                    return answer
        if refused or waiting:
            text = f"{what}: what came within {self._spec.timeout_s:g} s is no sound answer"
            raise ExchangeError(Outcome.DAMAGED, text, refused + waiting)
        raise ExchangeError(
            Outcome.NO_ANSWER, f"{what}: no answer of unit {self._spec.unit_id} within {self._spec.timeout_s:g} s"
        )

    def _decode(self, waiting: bytes) -> tuple[int, ModbusPDU | None]:
        """Bytes used, and the answer if there was one among them."""
        from pymodbus.exceptions import ModbusException

        try:
            used, answer = self._framer.handleFrame(waiting, self._spec.unit_id, self._transaction)
        except (ModbusException, struct.error, IndexError, ValueError):  # whatever noise makes of it
            return len(waiting), None
        return (max(used, 1) if answer is not None else used), answer

    def _refusal(self, answer: ModbusPDU, what: str) -> ExchangeError:
        code = answer.exception_code
        text = f"{what}: exception {code}, {EXCEPTIONS.get(code, 'of unknown meaning')}"
        if code == 2:
            text += ". Check addresses and table in the profile"
            text += ", or set largest_gap = 0." if self._spec.largest_gap else "."
        return ExchangeError(Outcome.ERROR_REPLY, text, bytes([answer.function_code, code]))


def _require_pymodbus() -> None:
    try:
        import pymodbus  # noqa: F401 - only whether it is there
    except ImportError as error:
        raise UsageError(
            "Modbus needs the package pymodbus", remedy="Install it with: pip install 'benchkit[modbus]'"
        ) from error
    # Without a handler its log goes to the terminal; what matters is told as events.
    logging.getLogger("pymodbus").addHandler(logging.NullHandler())
