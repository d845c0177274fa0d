"""Commands to a device on a CAN bus: one line of text to one frame, encoded with the database.

``MESSAGE.SIGNAL=VALUE``, or several signals of one message: ``MESSAGE.SIGNAL=VALUE,SIGNAL=VALUE``. A value is a number
in the unit of the signal, or one of its named values; small and capital letters of a signal's name count as the same
where only one signal is meant. Signals that are not named keep what was last commanded; before
that they take the start value that the database declares (``GenSigStartValue``). A signal with neither must be named:
nothing is guessed.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from benchkit.decode.can_database import database_error, signal_of, sound_database
from benchkit.decode.can_frames import number_of, states_of
from benchkit.errors import Problem, UsageError, did_you_mean
from benchkit.model.sources import CanSource

_COMMAND = re.compile(r"(?P<message>[A-Za-z_]\w*)\.(?P<settings>.+)", re.ASCII)
_SETTING = re.compile(r"\s*([A-Za-z_]\w*)\s*=\s*([^,=]*[^,=\s])\s*", re.ASCII)
FORM = "MESSAGE.SIGNAL=VALUE[,SIGNAL=VALUE]"


@dataclass(frozen=True, slots=True)
class CommandFrame:
    """A frame to send."""

    identifier: int
    is_extended: bool
    is_fd: bool
    data: bytes


def parse_command(text: str) -> tuple[str, dict[str, str]] | None:
    """Message and settings of a command; None where it has another form."""
    found = _COMMAND.fullmatch(text.strip())
    if found is None:
        return None
    settings: dict[str, str] = {}
    for part in found["settings"].split(","):
        setting = _SETTING.fullmatch(part)
        if setting is None or setting[1] in settings:
            return None
        settings[setting[1]] = setting[2]
    return found["message"], settings


class CommandEncoder:
    """Encodes commands for one bus and remembers what was commanded.

    Raises:
        DataError: the database is not sound.
        UsageError: the database does not know a name of ``spec``; cantools is not installed.
    """

    def __init__(self, spec: CanSource) -> None:
        self._where = f"sources.{spec.name}"
        self._database = sound_database(spec)
        self._commanded: dict[str, dict[str, float]] = {}

    def encode(self, command: str) -> CommandFrame:
        """The frame of a command. :meth:`sent` is told when it went out.

        Raises:
            UsageError: not of the right form, unknown names, a value outside its range, or a signal without a value.
        """
        name, values = self._values(command)
        message = self._database.get_message_by_name(name)
        starts = {
            s.name: number_of(s.conversion.raw_to_scaled(s.raw_initial, decode_choices=False))
            for s in message.signals
            if s.raw_initial is not None
        }
        known = {**starts, **self._commanded.get(name, {}), **values}
        try:
            needed = message.gather_signals(known)
            idle = sorted(set(values) - set(needed))
            if idle:
                raise ValueError(f"{', '.join(idle)} does not go with this multiplexer value")
            data = message.encode(needed, strict=True)
        except (database_error(), ValueError, KeyError, OverflowError) as error:
            raise UsageError(
                f"cannot be encoded: {error}",
                where=self._where,
                got=command,
                remedy="Name every signal that has no start value in the database, each within its range.",
            ) from error
        is_fd = message.is_fd or message.length > 8
        return CommandFrame(message.frame_id, message.is_extended_frame, is_fd, data)

    def sent(self, command: str) -> None:
        """The command went out: its values are kept for the next one."""
        name, values = self._values(command)
        self._commanded.setdefault(name, {}).update(values)

    def _values(self, command: str) -> tuple[str, dict[str, float]]:
        parsed = parse_command(command)
        if parsed is None:
            raise UsageError("not a command to a CAN bus", where=self._where, got=command, expected=FORM)
        name, settings = parsed
        values = {}
        for signal_name, text in settings.items():
            found = signal_of(self._database, name, self._spelt(name, signal_name))
            if isinstance(found, Problem):
                raise UsageError(found.what, where=self._where, got=found.got, remedy=found.remedy)
            values[found[1].name] = self._value(states_of(found[1]), f"{name}.{found[1].name}", text)
        return name, values

    def _spelt(self, message: str, signal: str) -> str:
        """Names of set-points are in small letters: take the one signal that is the same but for that."""
        names = [s.name for m in self._database.messages if m.name == message for s in m.signals]
        alike = [name for name in names if name.lower() == signal.lower()]
        return alike[0] if len(alike) == 1 and signal not in names else signal

    def _value(self, states: dict[int, str], what: str, text: str) -> float:
        for number, state in states.items():
            if state == text:
                return float(number)
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            names = ", ".join(states.values())
            expected = f"a number or one of {names}" if names else "a number"
            hint = did_you_mean(text, states.values())
            raise UsageError(f"not a value of {what}", where=self._where, got=text, expected=expected, remedy=hint)
        return value
