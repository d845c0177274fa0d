"""TOML text changed value by value: every other character stays as it is, comments, order and spelling with them.

A value is found by its place in the text and replaced there. What came of it is read again and held against what it was
to say, and its comments against those that were there: an edit that would do anything else is refused.
"""

from __future__ import annotations

import copy
import datetime as dt
import json
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchkit.errors import UsageError

Key = tuple[str | int, ...]
"""Way to a value: names of tables and keys, numbers of the entries of lists."""

_STRING = r'"""(?:\\.|[^\\])*?"""(?!")|\'\'\'.*?\'\'\'(?!\')|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\''  # the long ones first
_STRING_OR_COMMENT = re.compile(rf"{_STRING}|#[^\r\n]*", re.DOTALL)
_IS_STRING = re.compile(_STRING, re.DOTALL)
_BARE = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:[^\s,\]}#]+|[^\s,\]}#]+")
_NAME = re.compile(r"""[ \t]*([A-Za-z0-9_-]+|"(?:\\.|[^"\\\n])*"|'[^'\n]*')[ \t]*""")
_SPACE = re.compile(r"[ \t]*")
_BLANK = re.compile(r"(?:\s|#[^\r\n]*)*")


@dataclass
class Places:
    """Where things are: ``values`` start and end of each, ``ends`` behind the last line of each table."""

    values: dict[Key, tuple[int, int]] = field(default_factory=dict)
    ends: dict[Key, int] = field(default_factory=dict)
    headers: dict[Key, int] = field(default_factory=dict)
    """Start of the line of each header."""


def comments(text: str) -> tuple[str, ...]:
    """Every comment of a TOML text, in order; a ``#`` in a string is none.

    >>> comments('a = "#1" # one\\n# two\\n')
    ('# one', '# two')
    """
    found = (match[0] for match in _STRING_OR_COMMENT.finditer(text))
    return tuple(part.rstrip() for part in found if part.startswith("#"))


def put(text: str, key: Key, value: Any, *, may_drop_inner: bool = False) -> str:
    """The text with ``value`` at ``key``: in place of the one that is there, else as a new last key of its table.

    ``may_drop_inner``: comments inside the value that is replaced may go with it; else such a value is refused.

    Raises:
        UsageError: it is written in a form in which this cannot be done without touching more, or is not TOML.
    """
    wanted = copy.deepcopy(_loaded(text))
    try:
        _set(wanted, key, value)
        found = places(text)
        after = _put(text, found, key, literal(value))
    except (LookupError, TypeError, ValueError) as error:
        raise _refusal(key, value) from error
    start, end = found.values.get(key, (0, 0)) if may_drop_inner else (0, 0)
    if _parsed(after) != wanted or comments(after) != comments(text[:start] + text[end:]):
        raise _refusal(key, value)
    return after


def remove(text: str, key: Key) -> str:
    """The text without the table ``[key]``: its header, its lines, and the comments in them; or without a key's line.

    Raises:
        UsageError: it is not there as a table or line of its own.
    """
    before = _loaded(text)
    wanted = copy.deepcopy(before)
    found = places(text)
    try:
        holder: Any = wanted
        for part in key[:-1]:
            holder = holder[part]
        del holder[key[-1]]
        if key in found.headers:
            below = [k for k in found.headers if k[: len(key)] == key]
            spans = sorted((found.headers[k], found.ends[k]) for k in below)
        else:
            start, end = found.values[key]
            spans = [(_line_start(text, start), _line_end(text, end))]
        after = text
        for start, end in reversed(spans):
            after = after[:start] + after[end:]
    except (LookupError, TypeError) as error:
        raise _refusal(key, "") from error
    if _parsed(after) not in (wanted, _without_empty(wanted, key)):
        raise _refusal(key, "")
    return after


def literal(value: Any) -> str:  # noqa: PLR0911 - one return a kind of value
    """A value as TOML on one line.

    >>> literal({"value": 1.5, "unit": "°C"})
    '{ value = 1.5, unit = "°C" }'
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_name(str(key))} = {literal(each)}" for key, each in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(literal, value)) + "]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    if isinstance(value, float) and not math.isfinite(value):
        return "nan" if math.isnan(value) else "inf" if value > 0 else "-inf"
    return repr(value)


def places(text: str) -> Places:
    """Where every value, table and header of a TOML text is. The text must be TOML.

    Raises:
        ValueError: something is not as TOML writes it.
    """
    found = Places()
    table: Key = ()
    counts: dict[Key, int] = {}
    found.ends[()] = 0
    at = _BLANK.match(text, 0).end()  # type: ignore[union-attr]
    while at < len(text):
        start = _line_start(text, at)
        if text[at] == "[":
            many = text.startswith("[[", at)
            table, at = _dotted(text, at + 1 + many)
            at += 1 + many
            table = _counted(table, counts, many)
            found.headers[table] = start
        else:
            names, at = _dotted(text, at)
            at = _value(text, at + 1, (*table, *names), found)
        at = _line_end(text, at)
        found.ends[table] = at
        at = _BLANK.match(text, at).end()  # type: ignore[union-attr]
    return found


def _counted(names: Key, counts: dict[Key, int], many: bool) -> Key:
    """Names of a header with the numbers of the entries that they lie in."""
    full: Key = ()
    for i, name in enumerate(names):
        full = (*full, name)
        if many and i == len(names) - 1:
            counts[full] = counts.get(full, -1) + 1
        if full in counts:
            full = (*full, counts[full])
    return full


def _dotted(text: str, at: int) -> tuple[Key, int]:
    names: list[str] = []
    while True:
        match = _NAME.match(text, at)
        if match is None:
            raise ValueError(f"no key at {at}")
        name, at = match[1], match.end()
        names.append(tomllib.loads(f"x = {name}")["x"] if name[0] in "\"'" else name)
        if text[at] != ".":
            return tuple(names), at
        at += 1


def _value(text: str, at: int, key: Key, found: Places) -> int:
    """Note the value that begins at or behind a place; returns its end."""
    at = _SPACE.match(text, at).end()  # type: ignore[union-attr]
    start = at
    if text[at] == "{":
        at = _BLANK.match(text, at + 1).end()  # type: ignore[union-attr]
        while text[at] != "}":
            names, at = _dotted(text, at)
            at = _value(text, at + 1, (*key, *names), found)
            at = _separator(text, at)
        at += 1
    elif text[at] == "[":
        at, number = _BLANK.match(text, at + 1).end(), 0  # type: ignore[union-attr]
        while text[at] != "]":
            at = _value(text, at, (*key, number), found)
            at, number = _separator(text, at), number + 1
        at += 1
    else:
        match = _IS_STRING.match(text, at) or _BARE.match(text, at)
        if match is None:
            raise ValueError(f"no value at {at}")
        at = match.end()
    found.values[key] = (start, at)
    return at


def _separator(text: str, at: int) -> int:
    at = _BLANK.match(text, at).end()  # type: ignore[union-attr]
    return _BLANK.match(text, at + 1).end() if text[at] == "," else at  # type: ignore[union-attr]


def _put(text: str, found: Places, key: Key, written: str) -> str:
    if key in found.values:
        start, end = found.values[key]
        return text[:start] + written + text[end:]
    newline = "\r\n" if "\r\n" in text else "\n"
    holder, line = key[:-1], f"{_name(str(key[-1]))} = {written}"
    if holder in found.values:  # an inline table
        start, end = found.values[holder]
        inside = text[start + 1 : end - 1].rstrip()
        return f"{text[:start]}{{{inside}{', ' if inside.strip() else ' '}{line} }}{text[end:]}"
    if holder in found.headers or not holder:
        end = found.ends[holder]
        gap = newline if end and not text[:end].endswith("\n") else ""
        return f"{text[:end]}{gap}{line}{newline}{text[end:]}"
    name = ".".join(_name(str(part)) for part in holder)
    gap = "" if not text or text.endswith("\n") else newline
    return f"{text}{gap}{newline}[{name}]{newline}{line}{newline}"


def _set(mapping: Any, key: Key, value: Any) -> None:
    for part in key[:-1]:
        mapping = mapping[part] if isinstance(part, int) else mapping.setdefault(part, {})
    if isinstance(mapping, dict | list):
        mapping[key[-1]] = value  # type: ignore[index]
    else:
        raise TypeError("no table")


def _without_empty(mapping: dict[str, Any], key: Key) -> dict[str, Any] | None:
    """With the last table of a section goes the section, which had no header of its own."""
    out = copy.deepcopy(mapping)
    if len(key) == 2 and out.get(str(key[0])) == {}:
        del out[str(key[0])]
        return out
    return None


def _line_start(text: str, at: int) -> int:
    return text.rfind("\n", 0, at) + 1


def _line_end(text: str, at: int) -> int:
    end = text.find("\n", at)
    return len(text) if end < 0 else end + 1


def _name(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else json.dumps(name, ensure_ascii=False)


def _loaded(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except ValueError as error:
        raise UsageError("not TOML", got=str(error)[:200], remedy="Mend the line named.") from error


def _parsed(text: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(text)
    except ValueError:
        return None


def _refusal(key: Key, value: Any) -> UsageError:
    written = literal(value) if value != "" else "…"
    return UsageError(
        "written in a form that cannot be changed without touching more",
        where=".".join(map(str, key)),
        remedy=f"Change it in a text editor: {key[-1]} = {written}",
    )
