"""Polled instruments on the far end of a real link: a pymodbus server and a SCPI responder, each on a pty or on TCP.

``script`` decides what a device does with each question; rows of the contract suite come from ``values_of``.
"""

from __future__ import annotations

import asyncio
import os
import select
import socket
import struct
import threading
import time
from collections.abc import Callable
from pathlib import Path

from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerRTU, FramerType
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadHoldingRegistersResponse
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from benchkit.model.sources import (
    ByteOrder,
    ModbusRegister,
    ModbusSetPoint,
    ModbusSource,
    ModbusTable,
    NumberType,
    Parity,
    ScpiQuery,
    ScpiReply,
    ScpiSource,
)

IDENTITY = b"Reed Instruments,RI-4,SN 0012,1.07"
INTERVAL_S = 0.004


def values_of(number: int) -> tuple[float, float]:
    """Row ``number``: what ``tests.sources.contract.fact`` expects."""
    return number / 4, 1500.5


# ---------------------------------------------------------------- links


class Pty:
    """A pseudo-terminal pair under a name that stays when the device is unplugged and plugged in again."""

    def __init__(self, name: Path) -> None:
        self.name = str(name)
        self.master = -1
        self.slave = -1
        self.plug()

    def plug(self) -> None:
        self.master, self.slave = os.openpty()
        Path(self.name).unlink(missing_ok=True)
        Path(self.name).symlink_to(os.ttyname(self.slave))

    def unplug(self) -> None:
        if self.master < 0:
            return
        for end in (self.master, self.slave):
            os.close(end)
        self.master = self.slave = -1
        Path(self.name).unlink(missing_ok=True)


def free_port() -> int:
    """A TCP port on which nobody listens just now."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


# ---------------------------------------------------------------- Modbus

UNIT = 17
REGISTERS = (
    ModbusRegister("udc", ModbusTable.HOLDING, 100, NumberType.F32),
    ModbusRegister("n", ModbusTable.INPUT, 8, NumberType.I32, ByteOrder.LITTLE, gain=0.5),
)
SET_POINTS = (
    ModbusSetPoint("speed", 200, NumberType.U16, gain=0.5),
    ModbusSetPoint("torque", 210, NumberType.F32, ByteOrder.LITTLE),
)


def modbus_spec(port: str, **changes: object) -> ModbusSource:
    known: dict[str, object] = {
        "name": "rack",
        "port": port,
        "baud": 115200,
        "unit_id": UNIT,
        "interval_s": INTERVAL_S,
        "timeout_s": 0.3,
        "registers": REGISTERS,
        "stale_after_s": 1.0,
        "set_point_command": "write {name} {value}",
        "set_points": SET_POINTS,
        "parity": Parity.NONE,  # a pseudo-terminal knows no parity
    }
    return ModbusSource(**{**known, **changes})  # type: ignore[arg-type]


def words_of_row(number: int) -> tuple[list[int], list[int]]:
    """Holding registers 100 and 101 and input registers 8 and 9 that say row ``number``."""
    udc, n = values_of(number)
    low_first = struct.unpack(">2H", struct.pack(">i", round(n / 0.5)))[::-1]
    return list(struct.unpack(">2H", struct.pack(">f", udc))), list(low_first)


class ModbusPeer:
    """A pymodbus server in a thread of its own.

    ``rows`` are given out, one a sweep (the sweep begins with the holding registers); then the last one stays. What
    ``script`` returns for a request is done: None serves it, an exception code refuses it, a number waits so many
    seconds first. ``mangle`` may change the bytes on their way out.
    """

    def __init__(self, *, pty: Pty | None = None, port: int = 0) -> None:
        self.row = -1
        self.requests: list[tuple[int, int, int]] = []
        self.written: list[tuple[int, list[int]]] = []
        self.script: Callable[[int, int, int], ExcCodes | float | None] = lambda function, address, count: None
        self.mangle: Callable[[bytes], bytes] = lambda data: data
        self.pty = pty
        self.port = port
        self._ready = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()
        assert self._ready.wait(10.0)

    async def _action(
        self, function: int, start: int, address: int, count: int, now: list[int], new: object
    ) -> ExcCodes | None:
        if function == 6 and new is None:
            return None  # the library reads back what was written
        self.requests.append((function, address, count))
        order = self.script(function, address, count)
        if isinstance(order, ExcCodes):
            return order
        if order is not None:
            time.sleep(order)  # the whole server: a device answers in the order of the questions
        if new is not None:
            self.written.append((address, [int(word) for word in new]))  # type: ignore[attr-defined]
            return None
        if function == 3 and address <= 100 < address + count:
            self.row += 1
        holding, inputs = words_of_row(max(self.row, 0))
        table, first = (holding, 100) if function == 3 else (inputs, 8)
        for i, word in enumerate(table):
            if 0 <= first + i - start < len(now):
                now[first + i - start] = word
        return None

    def _serve(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.run_until_complete(self._run())
        self._loop.close()

    async def _run(self) -> None:
        block = [SimData(0, count=300, values=0, datatype=DataType.REGISTERS)]
        bits = [SimData(0, values=False, datatype=DataType.BITS)]
        device = SimDevice(UNIT, (bits, bits, block, block), action=self._action)

        def trace(sending: bool, data: bytes) -> bytes:
            return self.mangle(data) if sending else data

        self._stop = asyncio.Event()
        server: ModbusSerialServer | ModbusTcpServer
        if self.pty is not None:
            # pymodbus opens a port by its name: a second pair, joined to the first byte by byte
            master, slave = os.openpty()
            pump = _Pump(master, self.pty.master)
            server = ModbusSerialServer(
                device, framer=FramerType.RTU, port=os.ttyname(slave), baudrate=115200, trace_packet=trace
            )
            await server.serve_forever(background=True)
        else:
            server = ModbusTcpServer(device, address=("127.0.0.1", self.port), trace_packet=trace)
            await server.serve_forever(background=True)
            self.port = server.transport.sockets[0].getsockname()[1]  # type: ignore[union-attr]
        self._ready.set()
        await self._stop.wait()
        await self._accept_no_more(server)
        await server.shutdown()
        if self.pty is not None:
            pump.stop()
            os.close(slave)
            os.close(master)
        await self._let_go()

    async def _accept_no_more(self, server: ModbusSerialServer | ModbusTcpServer) -> None:
        """Leave no connection half accepted: asyncio loses one whose server closes between its accept and its start."""
        if self.pty is None:
            for listening in server.transport.sockets:  # type: ignore[union-attr]
                self._loop.remove_reader(listening.fileno())
            for _ in range(5):
                await asyncio.sleep(0)

    async def _let_go(self) -> None:
        """End what a client left open at the last moment: an unclosed transport would be found by a later test."""
        for _ in range(5):
            await asyncio.sleep(0)
        for transport in list(getattr(self._loop, "_transports", {}).values()):
            transport.abort()
        for _ in range(5):
            await asyncio.sleep(0)

    def stop(self) -> None:
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._stop.set)
            self._thread.join(10.0)
            assert not self._thread.is_alive()


class QueueingRtuDevice:
    """A device on the master end of a pty that answers every question in its order, however late: what the server of
    pymodbus does not do. Words of register ``a`` in answer number ``k`` are ``k`` where ``a`` is even, else ``a``."""

    def __init__(self, pty: Pty, delay_of: Callable[[int], float]) -> None:
        self._pty = pty
        self._delay_of = delay_of
        self._is_over = False
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        framer = FramerRTU(DecodePDU(False))
        waiting = b""
        number = 0
        while not self._is_over:
            if not select.select([self._pty.master], [], [], 0.02)[0]:
                continue
            waiting += os.read(self._pty.master, 4096)
            while len(waiting) >= 8:
                address, count = struct.unpack(">HH", waiting[2:6])
                waiting = waiting[8:]
                number += 1
                time.sleep(self._delay_of(number))
                words = [number if a % 2 == 0 else a for a in range(address, address + count)]
                answer = ReadHoldingRegistersResponse(dev_id=UNIT, registers=words)
                os.write(self._pty.master, framer.buildFrame(answer))

    def stop(self) -> None:
        self._is_over = True
        self._thread.join(10.0)


class _Pump:
    """Carries bytes between two descriptors, both ways."""

    def __init__(self, one: int, other: int) -> None:
        self._pairs = {one: other, other: one}
        self._is_over = False
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def _carry(self) -> None:
        while not self._is_over:
            for end in select.select(list(self._pairs), [], [], 0.02)[0]:
                try:
                    os.write(self._pairs[end], os.read(end, 4096))
                except OSError:
                    return

    def stop(self) -> None:
        self._is_over = True
        self._thread.join(10.0)


# ---------------------------------------------------------------- SCPI

QUERIES = (
    ScpiQuery("MEAS:VOLT?", ("udc",)),
    ScpiQuery("FETC:SPE?", ("n",), ScpiReply.BLOCK, NumberType.F64, ByteOrder.LITTLE),
)


def scpi_spec(port: str, **changes: object) -> ScpiSource:
    known: dict[str, object] = {
        "name": "rack",
        "port": port,
        "baud": 115200,
        "interval_s": INTERVAL_S,
        "timeout_s": 0.3,
        "queries": QUERIES,
        "stale_after_s": 1.0,
        "set_point_command": "SOUR:{name} {value}",
    }
    return ScpiSource(**{**known, **changes})  # type: ignore[arg-type]


def block(content: bytes) -> bytes:
    """A definite block of IEEE 488.2."""
    length = str(len(content)).encode()
    return b"#%d%s%s" % (len(length), length, content)


class ScpiPeer:
    """A SCPI instrument on the master end of a pty or on a TCP socket, in a thread of its own.

    ``script`` may answer a line itself: bytes are sent, a number waits so many seconds and answers then, ``b""`` says
    nothing; None leaves it to the instrument.
    """

    def __init__(self, *, pty: Pty | None = None, port: int = 0) -> None:
        self.row = -1
        self.lines: list[str] = []
        self.errors: list[bytes] = []
        self.identity = IDENTITY
        self.script: Callable[[str], bytes | float | None] = lambda line: None
        self.pty = pty
        self._is_over = False
        self._server: socket.socket | None = None
        if pty is None:
            self._server = socket.create_server(("127.0.0.1", port))
            self._server.settimeout(0.02)
            self.port = int(self._server.getsockname()[1])
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        if self.pty is not None:
            self._talk(self.pty.master)
            return
        assert self._server is not None
        while not self._is_over:
            try:
                peer, _ = self._server.accept()
            except TimeoutError:
                continue
            with peer:
                peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._talk(peer.fileno())

    def _talk(self, descriptor: int) -> None:

        waiting = b""
        while not self._is_over:
            if not select.select([descriptor], [], [], 0.02)[0]:
                continue
            try:
                data = os.read(descriptor, 4096)
                *lines, waiting = (waiting + data).split(b"\n")
                for line in lines:
                    os.write(descriptor, self._answer(line.decode("ascii").strip()))
            except OSError:
                return
            if not data:
                return

    def _answer(self, line: str) -> bytes:
        self.lines.append(line)
        scripted = self.script(line)
        if isinstance(scripted, bytes):
            return scripted
        if scripted is not None:
            time.sleep(scripted)
        if line == "MEAS:VOLT?":
            self.row += 1
        elif line.startswith("SOUR:"):
            return b""
        answers = {
            "*IDN?": lambda: self.identity + b"\n",
            "*OPC?": lambda: b"1\n",
            "SYST:ERR?": lambda: (self.errors.pop(0) if self.errors else b'0,"No error"') + b"\n",
            "MEAS:VOLT?": lambda: b"%+.6E\r\n" % values_of(self.row)[0],
            "FETC:SPE?": lambda: block(struct.pack("<d", values_of(self.row)[1])) + b"\n",
        }
        if line in answers:
            return answers[line]()
        self.errors.append(b'-113,"Undefined header"')
        return b""

    def stop(self) -> None:
        self._is_over = True
        self._thread.join(10.0)
        if self._server is not None:
            self._server.close()
