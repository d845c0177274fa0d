"""Change one channel of a stand profile and nothing else: comments, order and spelling of the rest stay as they are."""

from __future__ import annotations

import contextlib
import copy
import datetime as dt
import difflib
import json
import os
import re
import shutil
import tempfile
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchkit.errors import UsageError, did_you_mean
from benchkit.profiles.load import LoadedStand, load_stand


@dataclass(frozen=True, slots=True)
class Edit:
    """A change of one file that was tried and loads without faults, but is not written yet."""

    path: Path
    before: str
    after: str

    @property
    def diff(self) -> str:
        """Unified diff of the change."""
        lines = difflib.unified_diff(
            self.before.splitlines(), self.after.splitlines(), self.path.name, f"{self.path.name} (new)", lineterm=""
        )
        return "\n".join(lines)


def edit_channel(path: Path, channel: str, tables: Mapping[str, Mapping[str, Any]]) -> Edit:
    """Put ``tables`` into ``[channels.NAME]`` of the profile at ``path``: key, then names with texts, numbers or days.

    A profile that builds on another gets a table of its own that overrides the base. The result is loaded and checked.

    Raises:
        UsageError: the file cannot be read, or the stand has no such channel.
        ProfileError: the profile has faults, before or after the change.
    """
    channels = load_stand(path).stand.channels
    if channel not in channels:
        raise UsageError(
            "no channel of that name",
            where=str(path),
            got=channel,
            remedy=did_you_mean(channel, channels) or f"Known: {', '.join(channels)}.",
        )
    before = path.read_bytes().decode("utf-8")
    edit = Edit(path, before, _with_tables(before, channel, tables))
    with _beside(edit):
        pass
    return edit


def write_edit(edit: Edit) -> LoadedStand:
    """Write the change in one step; returns the stand as it is now.

    Raises:
        UsageError: the file was changed meanwhile, or cannot be written. It is then as it was.
    """
    if edit.path.read_bytes().decode("utf-8") != edit.before:
        raise UsageError("was changed meanwhile", where=str(edit.path), remedy="Look at it and run the command again.")
    target = edit.path.resolve()  # a link stays a link
    with _beside(edit) as fresh:
        shutil.copymode(target, fresh)
        try:
            fresh.replace(target)
        except OSError as error:
            raise UsageError("cannot be written", where=str(target), got=error.strerror) from error
    return load_stand(edit.path)


@contextlib.contextmanager
def _beside(edit: Edit) -> Iterator[Path]:
    """The new text in a file beside the old one, where its base is found; loaded, and removed at the end."""
    folder = edit.path.resolve().parent
    try:
        handle, name = tempfile.mkstemp(prefix=f".{edit.path.stem}-", suffix=".toml", dir=folder)
    except OSError as error:
        raise UsageError(
            "cannot be written", where=str(folder), got=error.strerror, remedy="Check rights and space of the folder."
        ) from error
    fresh = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(edit.after.encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
        load_stand(fresh)
        yield fresh
    finally:
        fresh.unlink(missing_ok=True)


def _with_tables(text: str, channel: str, tables: Mapping[str, Mapping[str, Any]]) -> str:
    """The text with the tables in it. What it then says is held against what it shall say, key by key."""
    wanted = copy.deepcopy(tomllib.loads(text))
    wanted.setdefault("channels", {}).setdefault(channel, {}).update({k: dict(v) for k, v in tables.items()})
    newline = "\r\n" if "\r\n" in text else "\n"
    written = {key: f"{key} = {_inline(values)}" for key, values in tables.items()}
    lines = text.splitlines(keepends=True)
    start, stop = _section(lines, channel)
    if start is None:
        if lines and not lines[-1].endswith(("\n", "\r")):
            lines[-1] += newline
        lines += [newline, *(line + newline for line in (f"[channels.{channel}]", *written.values()))]
    else:
        section = lines[start:stop]
        for key, line in written.items():
            _put(section, key, line, newline)
        lines[start:stop] = section
    after = "".join(lines)
    try:
        is_right = tomllib.loads(after) == wanted
    except tomllib.TOMLDecodeError:
        is_right = False
    if not is_right:
        raise UsageError(
            "written in a form that cannot be edited line by line",
            where=f"channels.{channel}",
            expected=f"a section [channels.{channel}] with one key on a line",
            remedy="Put these in yourself: " + "; ".join(written.values()),
        )
    return after


def _section(lines: list[str], channel: str) -> tuple[int | None, int]:
    """First line after the header of the channel, and the line after its last key."""
    header = re.compile(rf"\s*\[\s*channels\s*\.\s*[\"']?{re.escape(channel)}[\"']?\s*\]\s*(#.*)?$")
    for start, line in enumerate(lines, start=1):
        if not header.match(line):
            continue
        stop = next((i for i in range(start, len(lines)) if re.match(r"\s*\[", lines[i])), len(lines))
        while stop > start and (not lines[stop - 1].strip() or lines[stop - 1].lstrip().startswith("#")):
            stop -= 1  # comments before the next header belong to that one
        if stop > 0 and not lines[stop - 1].endswith(("\n", "\r")):
            lines[stop - 1] += "\n"
        return start, stop
    return None, 0


def _put(section: list[str], key: str, line: str, newline: str) -> None:
    """Replace the value of ``key`` and keep what is written behind it, or add the key at the end."""
    for first, old in enumerate(section):
        if not re.match(rf"\s*{key}\s*=", old):
            continue
        for last in range(first + 1, len(section) + 1):
            whole = "".join(section[first:last])
            if _parses(whole):
                indent = old[: len(old) - len(old.lstrip())]
                section[first:last] = [indent + line + _behind(whole) + newline]
                return
    section.append(line + newline)


def _behind(assignment: str) -> str:
    """The comment behind a value, with the space before it."""
    stripped = assignment.rstrip("\r\n")
    for place in (i for i, letter in enumerate(stripped) if letter == "#"):
        value = stripped[:place]
        if _parses(value):
            return value[len(value.rstrip()) :] + stripped[place:]
    return ""


def _parses(text: str) -> bool:
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return False
    return True


def _inline(values: Mapping[str, Any]) -> str:
    return "{ " + ", ".join(f"{key} = {_literal(value)}" for key, value in values.items()) + " }"


def _literal(value: Any) -> str:
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, dt.date):
        return value.isoformat()
    return repr(float(value))
