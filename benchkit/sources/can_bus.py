"""A CAN bus through python-can: frames as they come, commands encoded with the database.

Interfaces: ``socketcan`` (Linux; the bit rate is that of the interface, set with ``ip link``), ``slcan`` (ASCII
protocol over a serial port, classic frames only) and ``virtual`` (within one process: for trying things out).
"""

from __future__ import annotations

import contextlib
import os
import select
from typing import Any

from benchkit.decode.can_commands import CommandEncoder
from benchkit.decode.can_frames import (
    BUS_OFF,
    ERROR,
    ERROR_STATE,
    EXTENDED,
    FD,
    RATE_SWITCH,
    REMOTE,
    CanDecoder,
    CanFrame,
    error_text,
    pack,
)
from benchkit.errors import LinkError, UsageError
from benchkit.model.samples import BadFrame, BadFrameReason, DecodeEvent
from benchkit.model.sources import CanSource
from benchkit.sources.clock import Clock
from benchkit.sources.commands import command_line
from benchkit.sources.contract import Polled
from benchkit.sources.link_book import LinkBook

try:
    import can
except ImportError as error:
    raise UsageError(
        "CAN needs python-can, which is not installed", remedy='Install it: pip install "benchkit[can]"'
    ) from error

MAX_FRAMES_A_POLL = 1000
"""So many are taken at once: other sources and protection come to their turn."""
_SEND_TIMEOUT_S = 0.2
"""A bus that takes no frame for so long counts as lost: the loop that protects must not wait for it."""
_SLCAN_BIT_RATES = (10_000, 20_000, 50_000, 83_300, 100_000, 125_000, 250_000, 500_000, 750_000, 1_000_000)
_LONGEST_LINE = 4096
_SLCAN_PAUSE_S = 0.05
"""Pause after opening the serial port. python-can waits 2 s, for adapters that restart when they are opened."""


class CanBusSource:
    """CAN source (see :class:`benchkit.sources.contract.Source`). ``port_override`` takes the place of the channel.

    Raises:
        DataError: the database is not sound.
        UsageError: the database does not know a name of ``spec``; the interface cannot do what is asked; cantools is
            not installed.
    """

    is_finished = False

    def __init__(self, spec: CanSource, clock: Clock, port_override: str | None = None) -> None:
        self._spec = spec
        self._clock = clock
        self._channel = port_override or spec.port
        self._where = f"sources.{spec.name}"
        self._decoder = CanDecoder(spec)
        self._commands = CommandEncoder(spec)
        self._check()
        self._bus: can.BusABC | None = None
        self._descriptor: int | None = None
        self._is_serial = False
        self._book = LinkBook(clock, self._where)

    @property
    def name(self) -> str:
        return self._spec.name

    @property
    def columns(self) -> tuple[str, ...]:
        return self._decoder.columns

    @property
    def unknown_frames(self) -> int:
        """Frames since the opening whose identifier the database does not know."""
        return self._decoder.unknown_frames

    @property
    def is_open(self) -> bool:
        return self._bus is not None

    @property
    def wait_on(self) -> int | None:
        """Descriptor that the recorder can wait on; None while closed, or where the interface has none."""
        return self._descriptor if self._bus is not None else None

    def open(self) -> None:
        """Open the interface, or open it again after a loss.

        Raises:
            LinkError: it cannot be opened.
        """
        if self._bus is not None:
            return
        self._bus = self._connect()
        self._decoder = CanDecoder(self._spec)
        self._book.opened()

    def poll(self, timeout_s: float) -> Polled | None:
        """Wait up to ``timeout_s`` for a frame; return all that are waiting, or None.

        Raises:
            LinkError: the link is lost or not open.
        """
        waiting = self._book.waiting()
        if waiting is not None:
            return waiting
        if self._bus is None:
            raise self._book.why_closed(f"channel {self._channel!r}")
        records, noise, fault = self._receive(self._bus, timeout_s)
        if not records and not noise:
            if fault is None:
                return None
            raise self._lose(fault)
        arrival_ns = self._clock.now_ns()
        data = b"".join(records)
        self._decoder.feed(data, arrival_ns)
        events = self._events() + noise
        if fault is not None:
            self._lose(fault)
        return Polled(data, arrival_ns, events)

    def send(self, command: str) -> None:
        """Encode one command and send its frame.

        Raises:
            LinkError: the link is lost, not open, or does not take the frame.
            UsageError: the text is not one line of ASCII, or not a command that the database knows.
        """
        command_line(command, self._where)  # the form that the raw capture of commands holds
        if self._bus is None:
            raise self._book.why_closed(f"channel {self._channel!r}")
        frame = self._commands.encode(command)
        message = can.Message(
            arbitration_id=frame.identifier,
            is_extended_id=frame.is_extended,
            is_fd=frame.is_fd,
            data=frame.data,
            check=True,
        )
        try:
            self._bus.send(message, timeout=_SEND_TIMEOUT_S)
        except (can.CanError, OSError) as error:
            raise self._lose(str(error)) from error
        self._commands.sent(command)
        self._decoder.tell_states(self._clock.now_ns())

    def close(self) -> None:
        """Close the interface."""
        if self._bus is None:
            return
        bus, self._bus = self._bus, None
        _shut(bus)
        self._decoder.close(self._book.closed())
        self._book.events += self._events()

    # -- the bus

    def _check(self) -> None:
        """What can be said before anything is opened."""
        if self._spec.interface != "slcan":
            return
        if self._spec.bitrate not in _SLCAN_BIT_RATES:
            rates = ", ".join(str(rate) for rate in _SLCAN_BIT_RATES)
            raise UsageError(
                "slcan has no such bit rate",
                where=f"{self._where}.bitrate",
                got=self._spec.bitrate,
                expected=f"one of {rates}",
            )
        if self._decoder.needs_fd:
            raise UsageError(
                "slcan carries classic frames only; a message named in the profile is longer than 8 bytes",
                where=f"{self._where}.interface",
                remedy="Use an adapter with a socketcan driver.",
            )

    def _connect(self) -> can.BusABC:
        options: dict[str, Any] = {}
        match self._spec.interface:
            case "slcan":
                options = {"sleep_after_open": _SLCAN_PAUSE_S, "bitrate": self._spec.bitrate}
            case "socketcan":
                options = {"fd": self._decoder.needs_fd}
        try:
            # ignore_config: what the profile says holds, not a file or a variable of the computer
            bus = can.Bus(channel=self._channel, interface=self._spec.interface, ignore_config=True, **options)
        except (can.CanError, OSError, ValueError) as error:
            remedy = "Check cable, power and driver, and that no other program uses it."
            if self._spec.interface == "socketcan":
                rate = self._spec.bitrate
                remedy = f"Set it up first: sudo ip link set {self._channel} up type can bitrate {rate}"
            where = f"{self._spec.interface} channel {self._channel!r}"
            raise LinkError(f"cannot open {where}: {error}", where=self._where, remedy=remedy) from error
        port = getattr(bus, "serialPortOrig", None)
        if port is not None:
            # A second program on the port would steal bytes; ports that are no device cannot be locked.
            with contextlib.suppress(AttributeError, NotImplementedError, ValueError):
                port.exclusive = True
        self._descriptor, self._is_serial = None, port is not None
        if os.name != "nt":
            with contextlib.suppress(NotImplementedError, can.CanError):  # virtual and loop:// have no descriptor
                self._descriptor = bus.fileno()
        if port is not None and self._descriptor is not None:
            port.timeout = 0  # what waits is select
        return bus

    def _receive(self, bus: can.BusABC, timeout_s: float) -> tuple[list[bytes], list[DecodeEvent], str | None]:
        """Records of the frames that are waiting, what was no frame, and why the link is lost (None: it is not)."""
        records: list[bytes] = []
        noise: list[DecodeEvent] = []
        lines_on = self._descriptor if self._is_serial else None  # waiting for a line python-can turns round and round
        if lines_on is not None:
            if not _is_waiting(lines_on, timeout_s):
                return records, noise, None
            timeout_s = 0.0
        for _ in range(MAX_FRAMES_A_POLL):
            try:
                message = bus.recv(0.0 if records or noise else timeout_s)
            except (can.CanError, OSError) as error:
                if not isinstance(error.__cause__, UnicodeDecodeError):
                    return records, noise, str(error)
                noise.append(self._noise("a line that is no text"))
                _unfinished(bus).clear()
                continue
            except (ValueError, IndexError, KeyError) as error:  # slcan: a line that is no frame
                noise.append(self._noise(str(error)))
                continue
            if message is None:
                if len(_unfinished(bus)) > _LONGEST_LINE:
                    noise.append(self._noise(f"no line end within {_LONGEST_LINE} bytes"))
                    _unfinished(bus).clear()
                if lines_on is not None and _is_waiting(lines_on):
                    continue  # that line was no frame (an answer of the adapter); there are more
                break
            try:
                frame = _frame(message, self._clock.now_ns())
                records.append(pack(frame))
            except UsageError as error:
                noise.append(self._noise(error.what))
                continue
            if frame.flags & ERROR and frame.identifier & BUS_OFF:
                return records, noise, error_text(frame.identifier)
        return records, noise, None

    def _noise(self, what: str) -> BadFrame:
        return BadFrame(self._clock.now_ns(), BadFrameReason.NO_SYNC, f"the adapter sent what is no frame: {what}", b"")

    def _events(self) -> list[DecodeEvent]:
        return list(iter(self._decoder.next_event, None))

    def _lose(self, why: str) -> LinkError:
        """Close what is left of the link and remember why."""
        self.close()
        return self._book.lost(
            f"link to {self._channel!r} is lost: {why}",
            "Check cable, termination and power of the bus; the link is opened again when it is back.",
        )


def _frame(message: can.Message, received_ns: int) -> CanFrame:
    flags = (
        EXTENDED * message.is_extended_id
        | REMOTE * message.is_remote_frame
        | ERROR * message.is_error_frame
        | FD * message.is_fd
        | RATE_SWITCH * message.bitrate_switch
        | ERROR_STATE * message.error_state_indicator
    )
    data = b"" if message.is_remote_frame else bytes(message.data)
    if len(data) != message.dlc and not message.is_remote_frame:
        raise UsageError(f"{message.dlc} data bytes announced, {len(data)} came")
    return CanFrame(message.arbitration_id, data, received_ns, max(0, round(message.timestamp * 1e9)), flags)


def _is_waiting(descriptor: int, timeout_s: float = 0.0) -> bool:
    return bool(select.select([descriptor], [], [], timeout_s)[0])


def _unfinished(bus: can.BusABC) -> bytearray:
    """What python-can has of an slcan line. It keeps bytes that are no text, or have no line end, for ever."""
    buffer = getattr(bus, "_buffer", None)  # flush() would also drop the good lines that are waiting
    return buffer if isinstance(buffer, bytearray) else bytearray()


def _shut(bus: can.BusABC) -> None:
    """Shut a bus down, whatever state it is in; python-can leaves the serial port open when it has gone."""
    with contextlib.suppress(Exception):
        bus.shutdown()
    port = getattr(bus, "serialPortOrig", None)
    if port is not None:
        with contextlib.suppress(OSError):
            port.close()
