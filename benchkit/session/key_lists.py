"""Lists of keys that people keep: text, a line a key; empty lines and lines that begin with ``#`` say nothing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from benchkit.errors import UsageError


def entries(path: Path, what: str) -> Iterator[tuple[int, str]]:
    """Number and text of every line that says something. ``what`` names the list in an error.

    Raises:
        UsageError: it cannot be read. ``FileNotFoundError`` where there is none, for who takes that for an empty list.
    """
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except FileNotFoundError:
        raise
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"{what} cannot be read", where=str(path), got=str(error)) from None
    for number, line in enumerate(lines, start=1):
        text = line.strip()
        if text and not text.startswith("#"):
            yield number, text
