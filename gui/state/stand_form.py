"""A stand profile as forms: which there are, their fields, what can be chosen, and what the loader says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from benchkit.model.limits import LimitKind, Severity
from benchkit.profiles import document
from benchkit.profiles.document import Leaf
from benchkit.profiles.toml_text import Key
from benchkit.units import ACCEPTED, Quantity

NAMED = ("channels", "derived", "limits", "sources", "stop_actions")
"""Sections that hold a table for each name: each table is a form."""
COPIED = ("channels", "derived", "limits")
_ORDER = ("stand", "inverter", "motor", "propeller", "coolant", "channels", "derived", "limit_set", "limits", "alarms")
_TITLES = {
    "stand": "Stand",
    "inverter": "Inverter",
    "motor": "Motor",
    "propeller": "Propeller",
    "coolant": "Coolant",
    "channels": "Channels",
    "derived": "Derived channels",
    "limit_set": "Limit set",
    "limits": "Limits",
    "alarms": "Alarms",
    "roles": "Roles",
    "sources": "Sources",
    "steadiness": "Steadiness",
    "stop_actions": "Stop actions",
    "start_conditions": "Start conditions",
    "heartbeat": "Heartbeat",
    "bursts": "Bursts",
    "profile": "Base",
    "thermal_models": "Thermal models",
}


@dataclass(frozen=True, slots=True)
class Field:
    """One row of a form. ``choices`` may be empty: anything can be typed."""

    leaf: Leaf
    label: str
    text: str
    choices: tuple[str, ...] = ()
    note: str = ""
    faults: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Form:
    """One form: the key of its table, its title; ``is_own``: something of it is in this file."""

    key: Key
    title: str
    is_own: bool


@dataclass(frozen=True, slots=True)
class StandText:
    """The text of a profile while it is edited. ``saved`` is what is on the disk, ``whole`` that with its bases."""

    path: Path
    saved: str
    text: str
    whole: Mapping[str, Any]
    faults: tuple[str, ...] = ()

    @property
    def is_changed(self) -> bool:
        """True where something is not saved."""
        return self.text != self.saved


def opened(path: Path) -> StandText:
    """A profile, to be edited.

    Raises:
        UsageError: it cannot be read, or is not TOML.
    """
    text = document.read_text(path)
    return StandText(path, text, text, document.resolved(path), document.faults(path, text, text))


def changed(stand: StandText, text: str) -> StandText:
    """The same profile with another text, and what the loader says of that. Nothing is written."""
    return replace(stand, text=text, faults=document.faults(stand.path, stand.saved, text))


def written(stand: StandText) -> StandText:
    """Write the text to the disk.

    Raises:
        ProfileError: the loader finds faults; nothing is written.
        UsageError: the file was changed meanwhile, or cannot be written.
    """
    document.save(stand.path, stand.saved, stand.text)
    return replace(stand, saved=stand.text, whole=document.resolved(stand.path), faults=())


def with_typed(stand: StandText, field: Field, typed: str) -> str:
    """The text after somebody typed something into a field.

    Raises:
        UsageError: the file is written in a form in which this cannot be changed.
    """
    value = document.parsed(typed, field.leaf.value)
    return document.with_value(stand.text, field.leaf.key, value, stand.whole)


def forms(stand: StandText) -> tuple[Form, ...]:
    """All forms, the most used first."""
    own = _sections(stand.text)
    sections = [*own, *(name for name in stand.whole if name not in own and name != "limit_record")]
    sections.sort(key=lambda name: _ORDER.index(name) if name in _ORDER else len(_ORDER))
    found = []
    for section in sections:
        title = _TITLES.get(section, section)
        if section in NAMED:
            named = document.names(stand.text, stand.whole, section)
            found += [Form((section, name), name, _is_own(stand, (section, name))) for name in named]
        else:
            found.append(Form((section,), title, section in own))
    return tuple(found)


def section_title(section: str) -> str:
    """Heading of a section in the list."""
    return _TITLES.get(section, section)


def fields(stand: StandText, form: Form) -> tuple[Field, ...]:
    """Fields of a form, in the order of the file, each with what the loader says of it."""
    leaves = document.leaves(stand.text, stand.whole, form.key)
    values = {leaf.key: leaf.value for leaf in leaves}
    return tuple(
        Field(
            leaf,
            ".".join(str(part) for part in leaf.key[len(form.key) :]),
            document.shown(leaf.value),
            _choices(stand, leaf.key, values),
            "" if leaf.is_own else "from the base, or the limits of inverter or motor",
            tuple(fault for fault in stand.faults if f" {leaf.name}:" in fault),
        )
        for leaf in leaves
    )


def faults_of(stand: StandText, form: Form) -> tuple[str, ...]:
    """What the loader says of a form as a whole or of anything in it."""
    name = ".".join(map(str, form.key))
    return tuple(fault for fault in stand.faults if f" {name}." in fault or f" {name}:" in fault)


def short(fault: str, path: Path) -> str:
    """A fault without the path of the file, which the window says already."""
    return fault.removeprefix(f"{path}: ")


def copied(stand: StandText, form: Form, new: str) -> str:
    """The text with the table of a form once more, under another name.

    Raises:
        UsageError: the name is taken.
    """
    return document.with_copy(stand.text, str(form.key[0]), str(form.key[1]), new, stand.whole)


def removed(stand: StandText, form: Form) -> str:
    """The text without the table of a form.

    Raises:
        UsageError: it is not in this file.
    """
    return document.without(stand.text, form.key)


def _sections(text: str) -> list[str]:
    return list(document.mapping(text))


def _is_own(stand: StandText, key: Key) -> bool:
    section = document.mapping(stand.text).get(str(key[0]), {})
    return isinstance(section, Mapping) and key[1] in section


def _choices(  # noqa: PLR0911 - one return a kind of key
    stand: StandText, key: Key, values: Mapping[Key, Any]
) -> tuple[str, ...]:
    """What can be chosen for a key, where that is known."""
    name, section = str(key[-1]), str(key[0])
    own = document.names(stand.text, stand.whole, "channels") + document.names(stand.text, stand.whole, "derived")
    match name:
        case "quantity":
            return tuple(q.value for q in Quantity)
        case "severity":
            return tuple(s.value for s in Severity)
        case "kind" if section == "limits" and len(key) == 3:
            return tuple(k.value for k in LimitKind)
        case "channel" | "partner":
            return own
        case "source" if section in ("channels", "stop_actions"):
            return document.names(stand.text, stand.whole, "sources")
        case "action" | "orderly_stop":
            return document.names(stand.text, stand.whole, "stop_actions")
        case "unit" if section in ("channels", "derived") and len(key) == 3:
            quantity = values.get((*key[:-1], "quantity"))
            known = quantity in {q.value for q in Quantity}
            return tuple(ACCEPTED[Quantity(str(quantity))]) if known else ()
    return ("true", "false") if isinstance(values.get(key), bool) else ()
