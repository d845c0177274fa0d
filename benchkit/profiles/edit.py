"""Change one channel of a stand profile and nothing else: comments, order and spelling of the rest stay as they are."""

from __future__ import annotations

import contextlib
import difflib
import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchkit.errors import Problem, ProfileError, UsageError, did_you_mean
from benchkit.profiles.load import LoadedStand, load_stand
from benchkit.profiles.toml_text import put


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
    try_edit(edit)
    return edit


def try_edit(edit: Edit) -> None:
    """Load the profile as it would be after the change; nothing is written to it.

    Raises:
        ProfileError: the profile would have faults.
        UsageError: it would not be readable, or no file can be made beside it.
    """
    with _beside(edit):
        pass


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

    def named(text: Any) -> Any:
        return text.replace(name, str(edit.path)).replace(fresh.name, edit.path.name) if isinstance(text, str) else text

    try:
        with os.fdopen(handle, "wb") as file:
            file.write(edit.after.encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
        try:
            load_stand(fresh)
        except ProfileError as error:  # a fault is one of the profile, not of a file that nobody will see
            problems = [
                Problem(*(named(part) for part in (p.where, p.what, p.got, p.expected, p.remedy)))
                for p in error.problems
            ]
            raise ProfileError(str(edit.path), problems) from None
        except UsageError as error:
            parts = {part: named(getattr(error, part)) for part in ("where", "got", "expected", "remedy")}
            raise UsageError(named(error.what), **parts) from None
        yield fresh
    finally:
        fresh.unlink(missing_ok=True)


def _with_tables(text: str, channel: str, tables: Mapping[str, Mapping[str, Any]]) -> str:
    for key, values in tables.items():
        numbers = {
            name: float(v) if isinstance(v, int) and not isinstance(v, bool) else v for name, v in values.items()
        }
        text = put(text, ("channels", channel, key), numbers, may_drop_inner=True)
    return text
