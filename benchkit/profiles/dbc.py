"""The CAN database that a profile names: a file beside it, whose text is taken up, so that a run carries it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from benchkit.decode.can_commands import CommandEncoder, parse_command
from benchkit.decode.can_database import MAX_DBC_BYTES, problems_of, read_database
from benchkit.decode.can_frames import states_of
from benchkit.errors import BenchkitError, DataError, Problem, UsageError, did_you_mean
from benchkit.model.sources import CanSource
from benchkit.model.stand import Stand
from benchkit.model.stops import StopStep
from benchkit.profiles.files import stays_below

UNREAD = "-"
"""Stands in for the text of a database that could not be read, so that everything else is still checked."""


def take_up_databases(mapping: Mapping[str, Any], path: Path, texts: dict[str, str]) -> list[Problem]:
    """Read each database that the profile at ``path`` names; put its text into ``mapping`` and ``texts``.

    The name in the profile is that of a file in the folder of the profile, or in a folder below it. Return the faults.
    """
    problems: list[Problem] = []
    sources = mapping.get("sources")
    for name, section in sources.items() if isinstance(sources, dict) else ():
        if not isinstance(section, dict):
            continue
        where = f"{path}: sources.{name}.dbc"
        if "dbc_text" in section:
            remedy = "Name the file in dbc; its text is taken up by itself."
            problems.append(Problem(f"{where}_text", "is not written in a profile", remedy=remedy))
            section["dbc_text"] = UNREAD
        file = section.get("dbc")
        if not isinstance(file, str):
            continue
        try:
            text = _read(path.parent, file)
        except UsageError as error:
            problems.append(Problem(where, error.what, file, error.expected, error.remedy))
            section["dbc_text"] = UNREAD
            continue
        section["dbc_text"] = text
        texts[file] = text
    return problems


def _read(folder: Path, file: str) -> str:
    """Text of ``file`` in ``folder``: UTF-8, or the Windows code page 1252 in which such files are often written.

    Raises:
        UsageError: the name leads out of the folder, or the file cannot be read.
    """
    if not stays_below(file):
        raise UsageError(
            "must lie in the folder of the profile",
            expected="a name such as 'inverter.dbc', with / between folders",
            remedy="Copy the file beside the profile.",
        )
    try:
        path = (folder / file).resolve(strict=True)
        if not path.is_relative_to(folder.resolve()):
            raise UsageError("is a link out of the folder of the profile", remedy="Copy the file beside the profile.")
        if not path.is_file():
            raise UsageError("is no file", remedy="Name the database file.")
        with path.open("rb") as stream:
            data = stream.read(MAX_DBC_BYTES + 1)
    except OSError as error:
        raise UsageError(f"cannot be read: {error.strerror}", remedy="Check name and rights.") from error
    if len(data) > MAX_DBC_BYTES:
        raise UsageError("too large", expected=f"at most {MAX_DBC_BYTES} bytes", remedy="Keep the messages you need.")
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise UsageError("is no text", remedy="Export the database as DBC again.")


def database_problems(stand: Stand, files: Mapping[str, str], origin: str) -> list[Problem]:
    """Faults of the databases, and everything in the stand that they do not know. ``files``: source -> file name."""
    problems: list[Problem] = []
    for name, spec in stand.sources.items():
        if not isinstance(spec, CanSource):
            continue
        key = f"{origin}: sources.{name}"
        try:
            unknown = problems_of(spec)
        except DataError as error:
            what = f"{files.get(name, 'the database')}: {error.what}"
            problems.append(Problem(f"{key}.dbc", what, error.got, error.expected, error.remedy))
            continue
        problems += [Problem(f"{key}.{p.where}", p.what, p.got, p.expected, p.remedy) for p in unknown]
        if not unknown:
            problems += _command_problems(stand, spec, origin)
    return problems


def _command_problems(stand: Stand, spec: CanSource, origin: str) -> list[Problem]:
    """Commands that could not be encoded, and acknowledgements that could never come."""
    problems: list[Problem] = []
    told = _told_states(spec)
    for where, step in _steps_to(stand, spec.name, origin):
        try:
            CommandEncoder(spec).encode(step.command)
        except BenchkitError as error:
            problems.append(Problem(f"{where}.command", error.what, step.command, error.expected, error.remedy))
        if step.acknowledged_by not in told:
            expected = "MESSAGE.SIGNAL=STATE of a signal of this source that has named values in the database"
            hint = did_you_mean(step.acknowledged_by, told)
            problems.append(Problem(f"{where}.acknowledged_by", "is never told", step.acknowledged_by, expected, hint))
    if spec.set_point_command is not None:
        parsed = parse_command(spec.set_point_command.replace("{name}", "name").replace("{value}", "0"))
        known = [m.name for m in read_database(spec.dbc).messages]
        if parsed is None or parsed[0] not in known:
            where, expected = f"{origin}: sources.{spec.name}.set_point_command", "MESSAGE.{name}={value}"
            hint = did_you_mean(parsed[0], known) if parsed else ""
            problems.append(Problem(where, "not a command to this bus", spec.set_point_command, expected, hint))
    return problems


def _steps_to(stand: Stand, source: str, origin: str) -> Iterator[tuple[str, StopStep]]:
    """Steps of stop actions that go to this source, each with its key path."""
    for name, action in stand.stop_actions.items():
        for i, step in enumerate(action.steps):
            if step.source == source:
                yield f"{origin}: stop_actions.{name}" + (f".then.{i - 1}" if i else ""), step


def _told_states(spec: CanSource) -> list[str]:
    database = read_database(spec.dbc)
    told = []
    for one in spec.signals:
        states = states_of(database.get_message_by_name(one.message).get_signal_by_name(one.signal))
        told += [f"{one.message}.{one.signal}={state}" for state in states.values()]
    return told
