"""A look at TOML text before it is parsed: what is nested without end costs a parser time by its square."""

from __future__ import annotations

import re

from benchkit.errors import UsageError

_MAX_OPEN = 64
"""Brackets open at once. Those in texts are counted too, which no profile comes near."""
_LONG_KEY = re.compile(r"(?:^|[,\[\]{])(?:[^=,\[\]{}#\n.]*\.){65}", re.MULTILINE)
_BRACKETS = re.compile(r"[\[\]{}]")


def check_nesting(text: str, where: str) -> None:
    """Refuse keys of many parts and brackets within brackets, as no person writes them.

    Raises:
        UsageError: the text is nested too deeply.
    """
    opened, is_deep = 0, _LONG_KEY.search(text) is not None
    for match in _BRACKETS.finditer(text):
        opened = opened + 1 if match.group() in "[{" else max(opened - 1, 0)
        is_deep = is_deep or opened > _MAX_OPEN
        if is_deep:
            break
    if is_deep:
        raise UsageError("nested too deeply", where=where, remedy="A profile has at most four levels.")
