"""Read one TOML file that people wrote: bounded in size and depth, with errors that say what is wrong with the file."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from benchkit.errors import UsageError
from benchkit.profiles.nesting import check_nesting

MAX_PROFILE_BYTES = 1_000_000
"""A profile is written by people; a larger file is something else."""
MAX_ENTRIES = 20_000
"""Keys and list entries of one file; the largest example has about a thousand."""
MAX_DEPTH = 12


def read_toml(path: Path) -> tuple[dict[str, Any], str]:
    """What the TOML file at ``path`` holds, and its text.

    Raises:
        UsageError: it cannot be read, is not TOML, or is larger or deeper than what people write.
    """
    try:
        if path.exists() and not path.is_file():
            raise UsageError("not a file", where=str(path), remedy="Give the path of a profile (TOML).")
        if path.stat().st_size > MAX_PROFILE_BYTES:
            raise UsageError("too large for a profile", where=str(path), expected=f"at most {MAX_PROFILE_BYTES} bytes")
        text = path.read_bytes().decode("utf-8")
    except OSError as error:
        raise UsageError(
            "cannot be read", where=str(path), got=error.strerror, remedy="Check path and rights."
        ) from error
    except UnicodeDecodeError as error:
        raise UsageError("not UTF-8 text", where=str(path), got=str(error), remedy="Save it as UTF-8.") from error
    try:
        check_nesting(text, str(path))
        mapping = tomllib.loads(text)
    except ValueError as error:  # also a number of more digits than Python reads
        raise UsageError("not TOML", where=str(path), got=str(error)[:200], remedy="Mend the line named.") from error
    except RecursionError as error:
        raise UsageError("nested too deeply", where=str(path), remedy="A profile has at most four levels.") from error
    _check_size(mapping, path)
    return mapping, text


def _check_size(mapping: dict[str, Any], path: Path) -> None:
    """Refuse what no person wrote, before anything walks through it."""
    level: list[Any] = [mapping]
    entries = 0
    for _ in range(MAX_DEPTH):
        holders = [item.values() if isinstance(item, dict) else item for item in level]
        entries += sum(map(len, holders))
        level = [item for holder in holders for item in holder if isinstance(item, dict | list)]
        if entries > MAX_ENTRIES:
            raise UsageError(
                "too many keys for a profile", where=str(path), got=entries, expected=f"at most {MAX_ENTRIES}"
            )
        if not level:
            return
    raise UsageError("nested too deeply", where=str(path), remedy="A profile has at most four levels.")
