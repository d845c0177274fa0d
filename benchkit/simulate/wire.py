"""Bytes of the simulated stand: data lines out, command lines in. No port, no clock.

Data lines follow the text format of the profile. Commands are words and plain numbers, one per line:

    set speed 2500            shaft speed in rpm
    set torque 40             torque of the load machine in N·m
    load machine              which load is mounted: answered, never changed
    coolant 45                coolant inlet temperature in °C
    stop ramp | stop torque   ramp down | zero torque at once, load released
    stop gates                gates off: torque and phase currents zero at once, unless the back-EMF is so high that
                              the diodes rectify it into the link
    stop contactor            contactor open and gates off: no DC link current, the link discharges
    close contactor           connect the DC link again
    fault NAME on|off [COLUMN]
    alive N                   beat N of a heartbeat (0 ... 65535), for the watchdog of the device
    arm watchdog              give the enable again after the watchdog has dropped it

Each is answered by ``>ok COMMAND`` or ``>refused COMMAND: reason`` (``>`` is the reply prefix of the format).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite, nan

from benchkit.decode.checksums import TEXT_CHECKS
from benchkit.errors import did_you_mean
from benchkit.model.heartbeat import COUNT_MODULUS
from benchkit.model.sources import TextFormat
from benchkit.simulate.drives import Load
from benchkit.simulate.faults import FAULTS, FaultName

MAX_COMMAND_BYTES = 200
"""Longest command line; a longer one is refused as a whole (the longest sound command has about 40)."""


class LineWriter:
    """Writes data lines; the digits after the mark are fixed per column."""

    def __init__(self, text_format: TextFormat, digits: Sequence[int], time_digits: int) -> None:
        self._format = text_format
        self._check = TEXT_CHECKS.get(text_format.checksum)
        self.missing = "nan" if "nan" in text_format.missing else (text_format.missing or ("nan",))[0]
        left = iter(digits)
        parts = []
        self._order: list[int] = []  # position of each field in (counter, time, *values)
        value = 2
        for column in text_format.columns:
            if column == text_format.counter_column:
                parts.append("%d")
                self._order.append(0)
            elif column == text_format.device_time_column:
                parts.append(f"%.{time_digits}f")
                self._order.append(1)
            else:
                parts.append(f"%.{next(left)}f")
                self._order.append(value)
                value += 1
        # Joined by a blank first: a comma may be both separator and, wrongly set, decimal mark.
        self._template = " ".join(parts)

    def fields(self, counter: int, device_time: float, raw: Sequence[float]) -> list[str]:
        """Field texts of one line, before any fault."""
        source = (counter, device_time, *raw)
        text = self._template % tuple([source[i] for i in self._order])
        if self._format.decimal_mark != ".":
            text = text.replace(".", self._format.decimal_mark)
        if "nan" in text:
            text = text.replace("nan", self.missing)
        return text.split(" ")

    def line(self, fields: Sequence[str]) -> bytes:
        """One line with check value and line end."""
        body = self._format.separator.join(fields).encode("ascii")
        return body + b"\r\n" if self._check is None else body + self._check.tail(body) + b"\r\n"


class StopWay(StrEnum):
    """How the drive is stopped."""

    RAMP = "ramp"
    TORQUE = "torque"
    GATES = "gates"
    CONTACTOR = "contactor"


_STOP_WAYS = tuple(way.value for way in StopWay)


@dataclass(frozen=True, slots=True)
class SetSpeed:
    """Speed set-point, rpm."""

    speed_rpm: float


@dataclass(frozen=True, slots=True)
class SetTorque:
    """Torque set-point of the load machine, N·m."""

    torque_nm: float


@dataclass(frozen=True, slots=True)
class SetInlet:
    """Coolant inlet temperature, °C."""

    inlet_c: float


@dataclass(frozen=True, slots=True)
class AskLoad:
    """Is this load mounted?"""

    load: Load


@dataclass(frozen=True, slots=True)
class Stop:
    """Stop, and the way it is done."""

    how: StopWay


@dataclass(frozen=True, slots=True)
class CloseContactor:
    """Connect the DC link again."""


@dataclass(frozen=True, slots=True)
class SetFault:
    """Fault on or off, on one column where it belongs to one."""

    fault: FaultName
    on: bool
    column: str | None


@dataclass(frozen=True, slots=True)
class Alive:
    """Beat of a heartbeat."""

    count: int


@dataclass(frozen=True, slots=True)
class ArmWatchdog:
    """Give the enable again after the watchdog has dropped it."""


@dataclass(frozen=True, slots=True)
class NotUnderstood:
    """A line that is no command, and why."""

    reason: str


Command = (
    SetSpeed | SetTorque | SetInlet | AskLoad | Stop | CloseContactor | SetFault | Alive | ArmWatchdog | NotUnderstood
)


def parse_command(text: str) -> Command:
    """Read one command line (without its line end)."""
    verb, *rest = text.split() or [""]
    if verb in _PARSERS:
        return _PARSERS[verb](rest)
    return NotUnderstood(f"unknown command. {did_you_mean(verb, _PARSERS)}".strip())


def reply(text_format: TextFormat, text: str) -> bytes:
    """One answer line."""
    return f"{text_format.reply_prefix}{text}\r\n".encode("ascii", "replace")


def _parse_set(words: list[str]) -> Command:
    match words:
        case ["speed", number]:
            return _with_number(SetSpeed, number)
        case ["torque", number]:
            return _with_number(SetTorque, number)
    return NotUnderstood("write 'set speed RPM' or 'set torque NM'")


def _parse_coolant(words: list[str]) -> Command:
    return _with_number(SetInlet, words[0]) if len(words) == 1 else NotUnderstood("write 'coolant DEGC'")


def _parse_load(words: list[str]) -> Command:
    match words:
        case ["machine" | "propeller" as load]:
            return AskLoad(Load(load))
    return NotUnderstood("write 'load machine' or 'load propeller'")


def _parse_stop(words: list[str]) -> Command:
    match words:
        case [how] if how in _STOP_WAYS:
            return Stop(StopWay(how))
    return NotUnderstood(f"write 'stop HOW', HOW one of {', '.join(_STOP_WAYS)}")


def _parse_close(words: list[str]) -> Command:
    return CloseContactor() if words == ["contactor"] else NotUnderstood("write 'close contactor'")


def _parse_arm(words: list[str]) -> Command:
    return ArmWatchdog() if words == ["watchdog"] else NotUnderstood("write 'arm watchdog'")


def _parse_fault(words: list[str]) -> Command:
    match words:
        case [name, "on" | "off" as switch, *column] if name in FAULTS and len(column) <= 1:
            return SetFault(FaultName(name), switch == "on", column[0] if column else None)
    return NotUnderstood(f"write 'fault NAME on|off [COLUMN]', NAME one of {', '.join(FAULTS)}")


def _parse_alive(words: list[str]) -> Command:
    match words:
        case [number] if number.isdecimal() and number.isascii() and int(number[:6]) < COUNT_MODULUS:
            return Alive(int(number))
    return NotUnderstood(f"write 'alive N', N a whole number below {COUNT_MODULUS}")


def _with_number(make: Callable[[float], Command], text: str) -> Command:
    try:
        value = float(text)
    except ValueError:
        value = nan
    return make(value) if isfinite(value) else NotUnderstood(f"{text!r} is not a number")


_PARSERS: Mapping[str, Callable[[list[str]], Command]] = {
    "set": _parse_set,
    "load": _parse_load,
    "coolant": _parse_coolant,
    "stop": _parse_stop,
    "close": _parse_close,
    "fault": _parse_fault,
    "alive": _parse_alive,
    "arm": _parse_arm,
}
