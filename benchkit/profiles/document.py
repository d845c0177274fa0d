"""A stand profile as a form edits it: its values with where each comes from, and the loader's word on every change."""

from __future__ import annotations

import copy
import datetime as dt
import json
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from benchkit.errors import BenchkitError, ProfileError, UsageError
from benchkit.profiles.edit import Edit, try_edit, write_edit
from benchkit.profiles.load import load_stand
from benchkit.profiles.toml_files import read_toml
from benchkit.profiles.toml_text import Key, literal, put, remove

Value = bool | int | float | str | dt.date | list[Any] | dict[str, Any]


@dataclass(frozen=True, slots=True)
class Leaf:
    """One value of a profile. ``is_own`` is False where a base or a file of limits says it, not this file."""

    key: Key
    value: Any
    is_own: bool

    @property
    def name(self) -> str:
        """Key as it is written in messages."""
        return ".".join(map(str, self.key))


def read_text(path: Path) -> str:
    """Text of a profile.

    Raises:
        UsageError: it cannot be read, or is not TOML.
    """
    return read_toml(path)[1]


def faults(path: Path, before: str, after: str) -> tuple[str, ...]:
    """What the loader says against the profile with the text ``after``; nothing is written to it."""
    try:
        try_edit(Edit(path, before, after))
    except ProfileError as error:
        return tuple(map(str, error.problems))
    except BenchkitError as error:
        return (str(error),)
    return ()


def save(path: Path, before: str, after: str) -> None:
    """Write the profile in one step.

    Raises:
        ProfileError: the loader finds faults in ``after``; nothing is written.
        UsageError: the file was changed meanwhile, or cannot be written.
    """
    write_edit(Edit(path, before, after))


def resolved(path: Path) -> dict[str, Any]:
    """The profile as it is on the disk with its base and the limits of inverter and motor.

    Empty where the loader finds faults in it.
    """
    try:
        found: dict[str, Any] = json.loads(load_stand(path).json)
    except BenchkitError:
        return {}
    return found


_MADE = ("limit_record",)
"""Keys of a resolved profile that nobody writes."""


@lru_cache(maxsize=4)
def mapping(text: str) -> dict[str, Any]:
    """What the text of a profile says, without its base. A form asks it many times of one text: do not change it."""
    return tomllib.loads(text)


def leaves(text: str, whole: Mapping[str, Any], under: Key) -> tuple[Leaf, ...]:
    """Values under a key, in the order of the file; behind them those that only ``whole`` (:func:`resolved`) has."""
    own = _at(mapping(text), under)
    whole = {key: value for key, value in whole.items() if key not in _MADE}
    found = [Leaf((*under, *rest), value, True) for rest, value in _flat(own)]
    known = {leaf.key for leaf in found}
    for rest, value in _flat(_at(whole, under)):
        key = (*under, *rest)
        # a table that names a kind or a unit is replaced whole: nothing of the base's is left in it
        if key not in known and not _is_replaced(own, rest):
            found.append(Leaf(key, value, False))
    return tuple(found)


def names(text: str, whole: Mapping[str, Any], section: str) -> tuple[str, ...]:
    """Tables of a section such as ``channels``: those of this file in their order, then those of the base."""
    own, all_of = _at(mapping(text), (section,)), _at(whole, (section,))
    found = [name for holder in (own, all_of) for name, value in holder.items() if isinstance(value, dict)]
    return tuple(dict.fromkeys(found))


def parsed(typed: str, before: object) -> Value:
    """What a person typed, as a value of the kind that stood there; as text where it is not of that kind.

    The loader then says what is wrong with it.
    """
    if isinstance(before, str):
        return typed
    try:
        found: Value = tomllib.loads(f"x = {typed}")["x"]
    except (tomllib.TOMLDecodeError, KeyError, RecursionError):
        return typed
    is_whole = isinstance(found, int) and not isinstance(found, bool)
    return float(found) if is_whole and isinstance(before, float) else found  # type: ignore[arg-type]


def shown(value: object) -> str:
    """A value as a person types it: texts without quotes."""
    return value if isinstance(value, str) else literal(value)


def with_value(text: str, key: Key, value: Value, whole: Mapping[str, Any]) -> str:
    """The text with one value changed; one that only the base has is written into this file, which then overrides it.

    Raises:
        UsageError: the file is written in a form in which this cannot be done without touching more.
    """
    return put(text, *_place(mapping(text), key, value, whole))


def with_copy(text: str, section: str, name: str, new: str, whole: Mapping[str, Any]) -> str:
    """The text with a table such as ``[channels.NAME]`` once more at its end, under a new name.

    Raises:
        UsageError: no such table, or the new name is there already.
    """
    source = _at(mapping(text), (section, name)) or _at(whole, (section, name))
    if not source:
        raise UsageError("no such table", where=f"{section}.{name}", remedy="Choose one of the list.")
    if not new or new in names(text, whole, section):
        raise UsageError("is there already" if new else "no name", where=section, got=new, remedy="Choose another.")
    for key, value in source.items():
        text = put(text, (section, new, key), _with_days(value))
    return text


def without(text: str, key: Key) -> str:
    """The text without a table of this file.

    Raises:
        UsageError: it is not in this file.
    """
    if not _has(mapping(text), key):
        raise UsageError(
            "is not in this file",
            where=".".join(map(str, key)),
            remedy="A base or a file of limits has it: change that.",
        )
    return remove(text, key)


def _place(own: Mapping[str, Any], key: Key, value: Value, whole: Mapping[str, Any]) -> tuple[Key, Value]:
    """Where to write, and what: what a base says in a table with a kind or a unit is taken over with its neighbours."""
    if not _has(own, key):
        for depth in range(3, len(key)):
            inherited = _at(whole, key[:depth])
            if ("kind" in inherited or "unit" in inherited) and not _has(own, key[:depth]):
                table: Any = copy.deepcopy(dict(inherited))
                holder = table
                for part in key[depth:-1]:
                    holder = holder[part]
                holder[key[-1]] = value
                return key[:depth], _with_days(table)
    return key, value


def _with_days(value: Any) -> Any:
    """JSON, through which a resolved profile goes, knows no days: texts of that form are days again."""
    if isinstance(value, Mapping):
        return {key: _with_days(each) for key, each in value.items()}
    if isinstance(value, str):
        try:
            day = dt.date.fromisoformat(value)
        except ValueError:
            return value
        return day if day.isoformat() == value else value
    return value


def _at(mapping: Mapping[str, Any], key: Key) -> Mapping[str, Any]:
    holder: Any = mapping
    for part in key:
        if isinstance(holder, list) and isinstance(part, int) and part < len(holder):
            holder = holder[part]
        else:
            holder = holder.get(part) if isinstance(holder, Mapping) else None
    return holder if isinstance(holder, Mapping) else {}


def _has(mapping: Mapping[str, Any], key: Key) -> bool:
    return key[-1] in _at(mapping, key[:-1])


def _flat(mapping: Mapping[str, Any], prefix: Key = ()) -> Iterator[tuple[Key, Any]]:
    for name, value in mapping.items():
        if isinstance(value, Mapping):
            yield from _flat(value, (*prefix, name))
        elif isinstance(value, list) and value and all(isinstance(each, Mapping) for each in value):
            for number, each in enumerate(value):
                yield from _flat(each, (*prefix, name, number))
        else:
            yield (*prefix, name), value


def _is_replaced(own: Mapping[str, Any], rest: Key) -> bool:
    for depth in range(1, len(rest)):
        table = _at(own, rest[:depth])
        if "kind" in table or "unit" in table:
            return True
    return False
