"""The database of a CAN bus (DBC text): read by cantools, after a look that keeps out what would cost too much.

cantools checks meaning (signals that overlap, that do not fit, texts that are no DBC). What it does not bound is
work: a multiplexed range of 10^9 values or a signal of 10^9 bits is written in one line. Those are counted first, and
refused.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from benchkit.errors import DataError, Problem, UsageError, did_you_mean
from benchkit.model.sources import CanSource

if TYPE_CHECKING:
    from cantools.database.can import Database, Message, Signal

MAX_DBC_BYTES = 1_000_000
"""Read in about two seconds. A whole vehicle fits; a stand needs a few messages."""
MAX_MESSAGE_BYTES = 1785
"""The longest message of a transport protocol (SAE J1939-21: 255 packets of 7 bytes); such may stand in a database."""
MAX_FRAME_BYTES = 64
"""The longest frame (CAN FD, ISO 11898-1)."""
MAX_SIGNAL_BITS = 64
MAX_MUX_VALUES = 400_000
"""Values of multiplexers in all ranges of a file together: cantools lists every one."""
MAX_WORK_US = 2_000_000.0
"""Time that cantools may take to lay out all signals, estimated from their number as measured on a laptop."""
_FLOAT_BITS = (16, 32, 64)
_DEEPEST = 8
_SHORT = 200
"""A message of cantools may quote the whole file: its beginning says enough."""

# The same pattern for a string as cantools has, so that nothing can hide from the look inside what only looks like one.
_STRING = re.compile(r'"(\\"|[^"])*?"')
_MESSAGE = re.compile(r"\bBO_\s+(\d+)\s+(\w+)\s*:\s*(\d+)")
_SIGNAL = re.compile(r"\bSG_\s+(\w+)\s*(M|m\d+M?)?\s*:\s*(\d+)\s*\|\s*(\d+)\s*@")
_MUX_VALUES = re.compile(r"\bSG_MUL_VAL_\s+(\d+)\s+(\w+)\s+(\w+)\s+([\d\s,-]*)")
_MUX_RANGE = re.compile(r"(\d+)\s*-\s*(\d+)")
_NAMED_VALUES = re.compile(r"\bVAL_\s+(\d+)\s+(\w+)\s([^;]*)")
_DIGITS = re.compile(r"\d{20}")


@lru_cache(maxsize=8)
def read_database(text: str) -> Database:
    """Read a database; all of it must be sound, also messages that are not used.

    Raises:
        DataError: the text is no sound DBC; the message says what and where.
        UsageError: cantools is not installed.
    """
    if len(text) > MAX_DBC_BYTES:
        raise _fault(
            "too large for a database", len(text), f"at most {MAX_DBC_BYTES} bytes", "Keep the messages that you need."
        )
    if "\0" in text:
        raise _fault("holds NUL bytes: it is no text")
    _bounded(_STRING.sub('""', text))
    load = _loader()
    try:
        return load(text)
    except Exception as error:  # cantools and its parser raise many kinds: KeyError, OverflowError, RecursionError, ...
        raise _fault(f"cannot be read: {_first_words(error)}", remedy="Mend the file, or export it again.") from error


def _loader() -> Callable[[str], Database]:
    try:
        from cantools.database.can import Database
    except ImportError as error:
        raise UsageError(
            "CAN needs cantools, which is not installed", remedy='Install it: pip install "benchkit[can]"'
        ) from error

    def load(text: str) -> Database:
        database = Database(strict=True)
        database.add_dbc_string(text)
        return database

    return load


def database_error() -> type[Exception]:
    """What cantools raises for a frame or a command that is not as the database says."""
    from cantools.database.errors import Error

    return Error


def _first_words(error: Exception) -> str:
    words = " ".join(str(error).split()) or type(error).__name__
    return words if len(words) <= _SHORT else f"{words[:_SHORT]} …"


def _fault(what: str, got: object = None, expected: str = "", remedy: str = "") -> DataError:
    return DataError(what, got=got, expected=expected, remedy=remedy)


# -- the look before


@dataclass(frozen=True, slots=True)
class _Parent:
    """Where a signal hangs: its multiplexer and for how many of its values; None at the top."""

    multiplexer: str | None
    values: int


def _bounded(bare: str) -> None:
    """Refuse what would cost too much. ``bare`` is the text without its strings."""
    if _DIGITS.search(bare):
        raise _fault("a number has 20 digits or more", remedy="Mend the file.")
    starts = list(_MESSAGE.finditer(bare))
    for group, noun in ((1, "identifier"), (2, "name")):
        doubled, count = Counter(m[group] for m in starts).most_common(1)[0] if starts else ("", 0)
        if count > 1:
            raise _fault(f"two messages have the {noun} {doubled}", remedy="Keep one of them.")
    ranges = _ranges(bare)
    named = {(m[1], m[2]): len(m[3].split('""')) for m in _NAMED_VALUES.finditer(bare)}
    work_us = 0.0
    for at, message in enumerate(starts):
        length = int(message[3])
        if length > MAX_MESSAGE_BYTES:
            raise _fault(f"message {message[2]} has {length} bytes", expected=f"at most {MAX_MESSAGE_BYTES}")
        end = starts[at + 1].start() if at + 1 < len(starts) else len(bare)
        work_us += _work_us(message, bare[message.end() : end], ranges, named)
        if work_us > MAX_WORK_US:
            raise _fault(
                f"too many signals, or multiplexer values: it would take {work_us * 1e-6:.3g} s to lay them out",
                expected=f"at most {MAX_WORK_US * 1e-6:g} s",
                remedy=f"The limit is passed at message {message[2]}: keep what the device sends.",
            )


def _ranges(bare: str) -> dict[tuple[str, str], _Parent]:
    """Extended multiplexing: (message identifier, signal) -> where it hangs."""
    found: dict[tuple[str, str], _Parent] = {}
    total = 0
    for line in _MUX_VALUES.finditer(bare):
        values = sum(max(0, int(high) - int(low) + 1) for low, high in _MUX_RANGE.findall(line[4]))
        total += values
        if total > MAX_MUX_VALUES:
            what = f"signal {line[2]} is valid for {values} values of multiplexer {line[3]}"
            raise _fault(what, expected=f"at most {MAX_MUX_VALUES} in all")
        found[line[1], line[2]] = _Parent(line[3], values)
    return found


def _work_us(
    message: re.Match[str], body: str, ranges: dict[tuple[str, str], _Parent], named: dict[tuple[str, str], int]
) -> float:
    """How long cantools takes to lay out one message, about."""
    identifier, name = message[1], message[2]
    signals = list(_SIGNAL.finditer(body))
    top = next((s[1] for s in signals if s[2] == "M"), None)
    tops = sum(s[2] == "M" for s in signals)
    parents: dict[str, _Parent] = {}
    for s in signals:
        signal, start, length = s[1], int(s[3]), int(s[4])
        if max(start, length) > 8 * MAX_MESSAGE_BYTES:
            what = f"signal {name}.{signal} starts at bit {start} and has {length} bits"
            raise _fault(what, expected=f"a message has at most {8 * MAX_MESSAGE_BYTES} bits")
        multiplexed = s[2] is not None and s[2].startswith("m")
        if multiplexed and tops != 1 and (identifier, signal) not in ranges:
            what = f"signal {name}.{signal} is multiplexed, and message {name} has {tops} multiplexers"
            raise _fault(what, expected="one", remedy="Mend the message.")
        plain = _Parent(top, 1) if multiplexed and signal != top else _Parent(None, 1)
        parents[signal] = ranges.get((identifier, signal), plain)
    times = {signal: _times(signal, parents, name) for signal in parents}
    below, children = Counter[str](), Counter[str]()
    for parent in parents.values():
        if parent.multiplexer is not None:
            below[parent.multiplexer] += parent.values
            children[parent.multiplexer] += 1
    # Every value of a multiplexer that is named or used has a layout of its own.
    values = {s: below[s] + named.get((identifier, s), 0) for s in below}
    size = float(message[3])
    one_signal = 40.0 + 0.6 * size + 0.006 * size * size  # bits are put side by side, byte by byte
    one_value = 60.0 + size
    signals_us = one_signal * sum(times.values())
    # For every value each signal below the multiplexer is looked at.
    return signals_us + sum(times.get(s, 1) * count * (one_value + 0.05 * children[s]) for s, count in values.items())


def _times(signal: str, parents: dict[str, _Parent], message: str) -> int:
    """In how many layouts a signal stands: the values of all multiplexers above it, multiplied."""
    times, depth = 1, 0
    here = parents[signal]
    while here.multiplexer is not None:
        times, depth = times * here.values, depth + 1
        if depth > _DEEPEST or here.multiplexer == signal:
            what = f"signal {message}.{signal} is multiplexed in a circle or more than {_DEEPEST} deep"
            raise _fault(what, remedy="Mend its multiplexer.")
        here = parents.get(here.multiplexer, _Parent(None, 1))
    return times


# -- names of the profile against the database


def signal_of(database: Database, message: str, signal: str) -> tuple[Message, Signal] | Problem:
    """Look up a signal; a :class:`Problem` when there is no such, or none that fits a frame."""
    names = [m.name for m in database.messages]
    if message not in names:
        hint = did_you_mean(message, names)
        return Problem("message", "the database has no message of that name", message, "", hint or _known(names))
    found = database.get_message_by_name(message)
    if found.length > MAX_FRAME_BYTES:
        return Problem("message", "longer than a frame", f"{found.length} bytes", f"at most {MAX_FRAME_BYTES}")
    signals = [s.name for s in found.signals]
    if signal not in signals:
        hint = did_you_mean(signal, signals)
        return Problem("signal", f"message {message} has no signal of that name", signal, "", hint or _known(signals))
    one = found.get_signal_by_name(signal)
    return _unusable(one) or (found, one)


def _unusable(one: Signal) -> Problem | None:
    """Why no number comes of a signal; None: one does."""
    if one.length > MAX_SIGNAL_BITS:
        return Problem("signal", "longer than a number", f"{one.length} bits", f"at most {MAX_SIGNAL_BITS}")
    scale, offset = float(one.scale), float(one.offset)
    if not (math.isfinite(scale) and math.isfinite(offset)) or scale == 0.0:
        return Problem("signal", "has no usable scale in the database", f"({scale:g},{offset:g})", "finite, not zero")
    if one.is_float and one.length not in _FLOAT_BITS:
        return Problem("signal", "no floating-point number has so many bits", one.length, "16, 32 or 64")
    return None


def _known(names: list[str]) -> str:
    shown = ", ".join(names[:20]) + (", …" if len(names) > 20 else "")
    return f"Known: {shown or 'none'}."


def problems_of(spec: CanSource) -> list[Problem]:
    """Every name of ``spec`` that its database does not know; ``where`` is the key below the source.

    Raises:
        DataError: the database itself is not sound.
        UsageError: cantools is not installed.
    """
    database = read_database(spec.dbc)
    problems = []
    for index, one in enumerate(spec.signals):
        found = signal_of(database, one.message, one.signal)
        if isinstance(found, Problem):
            where = f"signals.{index}.{found.where}"
            problems.append(Problem(where, found.what, found.got, found.expected, found.remedy))
    names = [m.name for m in database.messages]
    if spec.row_message not in names:
        hint = did_you_mean(spec.row_message, names) or _known(names)
        what = "the database has no message of that name"
        problems.append(Problem("row_message", what, spec.row_message, "", hint))
    return problems


def sound_database(spec: CanSource) -> Database:
    """The database of ``spec``, with every name of ``spec`` in it.

    Raises:
        DataError: the database is not sound.
        UsageError: a name is not in it, or cantools is not installed.
    """
    for problem in problems_of(spec):
        where = f"sources.{spec.name}.{problem.where}"
        raise UsageError(problem.what, where=where, got=problem.got, expected=problem.expected, remedy=problem.remedy)
    return read_database(spec.dbc)
