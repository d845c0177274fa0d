"""Read a stand profile: TOML text, base profiles merged, checked once, all faults listed together."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from benchkit.errors import Problem, ProfileError, UsageError
from benchkit.model.limits import LimitKind, Severity
from benchkit.model.sources import Checksum
from benchkit.model.stand import Stand
from benchkit.profiles.convert import Converter
from benchkit.profiles.dbc import database_problems, take_up_databases
from benchkit.profiles.files import shared_path
from benchkit.profiles.layer_files import MAX_BASES, LimitReader
from benchkit.profiles.layers import with_record
from benchkit.profiles.limit_convert import further_problems
from benchkit.profiles.messages import problem_from
from benchkit.profiles.schema import Profile, ProfileSection
from benchkit.profiles.source_schema import CanSection
from benchkit.profiles.toml_files import read_toml
from benchkit.protect.configuration import check_limits
from benchkit.units import Quantity, scale_to_bench

MAX_LISTED = 200
"""So many faults of shape are listed; nobody reads more at once."""
MAX_MENDED = 50
"""With more faults of shape than this the faults of meaning are not looked for as well: each costs a check of all."""


@dataclass(frozen=True, slots=True)
class LoadedStand:
    """A stand with the words it was made from: resolved JSON and the text of every file read."""

    stand: Stand
    json: str
    texts: dict[str, str]

    def unit_factor(self, channel: str) -> float:
        """Bench units in one unit of the channel, as its profile writes it."""
        return scale_to_bench(
            self.stand.channels[channel].quantity, json.loads(self.json)["channels"][channel]["unit"]
        ).factor


def load_stand(path: Path, limits: Path | None = None) -> LoadedStand:
    """Read and check the profile at ``path``; ``limits``: a file of limits for one run, which is laid on top.

    Raises:
        ProfileError: with every fault found, each with key path, got, expected and remedy.
        UsageError: the file cannot be read.
    """
    texts: dict[str, str] = {}
    faults: list[Problem] = []
    reader = LimitReader(texts)
    mapping = _read_merged(path, reader, faults, depth=0)
    layers = reader.resolved(mapping, limits)
    if layers.limits or "limits" in mapping:
        mapping |= {"limits": layers.limits, "limit_record": layers.record(mapping.get("limit_set"))}
    text = json.dumps(mapping, ensure_ascii=False, default=str)
    try:
        stand = _checked(text, str(path), [*faults, *reader.problems, *layers.problems])
    except ProfileError as error:
        said = layers.problems  # by a layer, which is named there already
        problems = [p if p in said else layers.placed(p, str(path)) for p in error.problems]
        raise ProfileError(error.source, problems) from None
    return LoadedStand(stand, text, texts)


def stand_from_json(text: str, *, origin: str = "profile in the run file") -> Stand:
    """Build the stand from the resolved JSON that a run carries."""
    return _checked(text, origin)


def json_schema() -> dict[str, Any]:
    """JSON Schema of a profile, for editors that complete and check TOML."""
    schema = Profile.model_json_schema()
    schema["properties"]["profile"] = ProfileSection.model_json_schema()
    del schema["properties"]["limit_record"]  # not written by people
    schema["title"] = "benchkit stand profile"
    # A profile with a base may leave out what its base holds; benchkit itself checks the merged whole.
    schema["if"] = {"required": ["profile"]}
    schema["then"] = {}
    schema["else"] = {"required": schema.pop("required")}
    return schema


def _checked(text: str, origin: str, faults: list[Problem] | None = None) -> Stand:
    """The stand of a resolved profile. ``faults`` are those found while its files were read; None: it comes from a run,
    whose databases were checked when it was recorded."""
    try:
        profile = Profile.model_validate_json(text)
    except ValidationError as error:
        raise ProfileError(origin, [*(faults or ()), *_all_problems(error, text, origin)]) from None
    converter = Converter(profile, origin)
    stand = converter.stand()
    problems = [*(faults or ()), *converter.problems]
    if problems:
        problems += further_problems(stand, problems, origin)
    else:
        problems = [Problem(f"{origin}: {p.where}", p.what, p.got, p.expected, p.remedy) for p in check_limits(stand)]
        if faults is not None:
            files = {name: s.dbc for name, s in profile.sources.items() if isinstance(s, CanSection)}
            problems += database_problems(stand, files, origin)
    if not problems:
        limit_set, problems = with_record(stand.limit_set, json.loads(text), profile.limit_record, origin)
        stand = replace(stand, limit_set=limit_set)
    if problems:
        raise ProfileError(origin, problems)
    return stand


def _all_problems(error: ValidationError, text: str, origin: str) -> list[Problem]:
    """Faults of shape, and with them the faults of meaning in everything that has the right shape.

    Each key of wrong shape is taken out, or given a stand-in of the right shape, so that the rest can be checked;
    what would be said of a stand-in is left out.
    """
    listed = error.errors(include_url=False)
    problems = [problem_from(e, Profile, origin) for e in listed[:MAX_LISTED]]
    if len(listed) > MAX_LISTED:
        problems.append(Problem(origin, f"{len(listed) - MAX_LISTED} more faults are not listed"))
    if len(listed) > MAX_MENDED:
        return problems
    mapping = json.loads(text)
    stand_ins = []
    for e in error.errors():
        path = _path_in(mapping, e["loc"])
        stand_ins.append(f"{origin}: {'.'.join(str(part) for part in path)}")
        if not _mend(mapping, path, e["type"] == "extra_forbidden"):
            return problems
    converter = Converter(Profile.model_validate_json(json.dumps(mapping)), origin)
    stand = converter.stand()
    problems += [p for p in converter.problems if not p.where.startswith(tuple(stand_ins))]
    touched = [*converter.problems, *(Problem(where, "") for where in stand_ins)]
    return problems + further_problems(stand, touched, origin)


_STAND_INS: tuple[Any, ...] = (
    1, 1000, "x", True, "0" * 64, "above", "trip", "text", "speed", "none", ".", ",", "2026-01-01", ["x"], [0.0, 1.0],
    {"value": 1.0, "unit": "1"},
    {"kind": "gain_offset", "gain": 1.0, "offset": 0.0},
    {"of_reading_percent": 0.0, "constant": 0.0},
)  # fmt: skip
"""One value for every shape that the schema knows."""


_WORDS = [word.value for kind in (Quantity, LimitKind, Severity, Checksum) for word in kind]


def _path_in(mapping: Any, loc: tuple[int | str, ...]) -> list[int | str]:
    """The location without union tags and key marks: only steps that exist in the mapping, and the last key."""
    path: list[int | str] = []
    holder = mapping
    parts = [part for part in loc if part != "[key]"]
    for i, part in enumerate(parts):
        exists = (isinstance(holder, dict) and part in holder) or (
            isinstance(holder, list) and isinstance(part, int) and part < len(holder)
        )
        if exists:
            path.append(part)
            holder = holder[part]
        elif i == len(parts) - 1 and not (path and isinstance(holder, dict) and holder.get("kind") == part):
            path.append(part)
    return path


def _mend(mapping: dict[str, Any], path: list[int | str], drop: bool) -> bool:
    """Drop the key at ``path`` or put the first stand-in there that has the right shape. False: none has."""
    holder: Any = mapping
    for part in path[:-1]:
        holder = holder[part]
    if not path or not isinstance(holder, (dict, list)):
        return False
    last: Any = path[-1]
    meant: list[str] = []
    if isinstance(holder, dict):
        meant = get_close_matches(str(holder.pop(last, "")), _WORDS, n=1)
        if drop or _shape_is_right(mapping, path):
            return True
    for stand_in in (*meant, *_STAND_INS):
        holder[last] = stand_in
        if _shape_is_right(mapping, path):
            return True
    return False


def _shape_is_right(mapping: dict[str, Any], path: list[int | str]) -> bool:
    try:
        Profile.model_validate_json(json.dumps(mapping))
    except ValidationError as error:
        return not any(_path_in(mapping, e["loc"])[: len(path)] == path for e in error.errors())
    return True


def _read_merged(path: Path, reader: LimitReader, faults: list[Problem], depth: int) -> dict[str, Any]:
    if depth > MAX_BASES:
        raise UsageError("profiles build on each other in a circle", where=str(path), remedy="Remove one base.")
    mapping, text = read_toml(path)
    reader.texts[path.name] = text
    faults += take_up_databases(mapping, path, reader.texts)
    if mapping.pop("limit_record", None) is not None:
        remedy = "Remove it: it is made when the limits are put together."
        faults.append(Problem(f"{path}: limit_record", "is not written in a profile", remedy=remedy))
    section = mapping.pop("profile", None)
    if section is None:
        reader.note_profile(path, text, mapping, [])
        return mapping
    try:
        change = ProfileSection.model_validate(section)
    except ValidationError as error:
        problems = [problem_from(e, ProfileSection, f"{path}: profile") for e in error.errors()]
        raise ProfileError(str(path), problems) from None
    base = _read_merged(_base_path(path, change.base), reader, faults, depth + 1)
    reader.note_profile(path, text, mapping, change.remove)
    for key in change.remove:
        _remove(base, key, str(path))
    return _merge(base, mapping)


def _base_path(path: Path, base: str) -> Path:
    """Where a base lies: in the folder of the profile or below it, or among the shared examples; nowhere else."""
    found = path.parent / base
    folders = (path.parent, shared_path("stands"))
    if not any(found.resolve().is_relative_to(folder.resolve()) for folder in folders):
        problem = Problem(
            f"{path}: profile.base", "lies outside the folder of the profile", base, remedy="Copy the base beside it."
        )
        raise ProfileError(str(path), [problem])
    return found


def _remove(mapping: dict[str, Any], key: str, origin: str) -> None:
    *parents, last = key.split(".")
    holder: Any = mapping
    for part in parents:
        holder = holder.get(part) if isinstance(holder, dict) else None
    if not isinstance(holder, dict) or last not in holder:
        raise ProfileError(origin, [Problem(f"{origin}: profile.remove", "the base holds no such key", key)])
    del holder[last]


def _merge(base: dict[str, Any], change: dict[str, Any]) -> dict[str, Any]:
    """Tables are merged key by key; everything else is replaced. A table that names another ``kind`` or ``unit``
    replaces the old one whole."""
    merged = dict(base)
    for key, value in change.items():
        old = merged.get(key)
        if isinstance(value, dict) and isinstance(old, dict) and "kind" not in value and "unit" not in value:
            merged[key] = _merge(old, value)
        else:
            merged[key] = value
    return merged
