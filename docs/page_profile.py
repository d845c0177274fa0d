"""docs/reference/profile.md: every key of a stand profile, from the schema that checks it.

The units of a key are those that the conversion asks for while the shared profiles are read; examples are taken from
these profiles and from the pages of docs/.
"""

from __future__ import annotations

import ast
import contextlib
import inspect
import json
import re
import textwrap
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

from page_tools import GENERATED, cell, table

from benchkit.profiles import load_stand
from benchkit.profiles.base import Section
from benchkit.profiles.collect import Collector
from benchkit.profiles.schema import Profile, ProfileSection
from benchkit.units import ACCEPTED, BENCH_UNIT, Quantity, Scale

ROOT = Path(__file__).resolve().parents[1]
LONGEST = 64
"""Characters of an example; a longer one is left out."""

HEAD = """\
`benchkit check PROFILE` names every fault of a profile at once, with its remedy; `benchkit schema` prints these rules
for an editor. `NAME` stands for a name of yours: lower case letters, digits, underscore. Unknown keys are refused. A
key without a default must be given; nothing that protects has one.

*Number with unit* is written `{ value = 140.0, unit = "°C" }`. The column *unit* says what it measures and which
units are accepted, the bench unit first; values are kept in bench units from there on.
"""

NOT_IN_SHARED = {
    "cold_junction": Quantity.TEMPERATURE,
    "gate_time": Quantity.TIME,
    "change": Quantity.TEMPERATURE_DIFFERENCE,
    "delay": Quantity.TIME,
    "timeout": Quantity.TIME,
    "window": Quantity.TIME,
    "scatter": Quantity.TEMPERATURE_DIFFERENCE,
    "u_constant": Quantity.TEMPERATURE_DIFFERENCE,
}
"""Quantities of keys that no shared profile has."""

Found = Sequence[tuple[str, Any]]
"""Values of one key in the examples, each with its key path."""


@dataclass(frozen=True)
class Material:
    """What the keys are described with."""

    defs: Mapping[str, Any]
    quantities: Mapping[str, Quantity]
    docs: Mapping[str, type[Section]]


def page() -> str:
    """The whole page."""
    schema = Profile.model_json_schema()
    defs = schema["$defs"] | {"ProfileSection": ProfileSection.model_json_schema()}
    material = Material(defs, _quantities(), {cls.__name__: cls for cls in _all_sections(Section)})
    examples = list(_examples())
    lines = ["# Keys of a stand profile", "", GENERATED, "", HEAD]
    parts = {"profile": {"$ref": "#/$defs/ProfileSection"}} | schema["properties"]
    del parts["limit_record"]  # not written by people
    required = set(schema["required"])
    for key, node in parts.items():
        found = _below(examples, key)
        lines += _part(key, node, key in required, found, material)
    return "\n".join(lines)


# --- material -------------------------------------------------------------------------------------------------------


def _all_sections(cls: type[Section]) -> Iterator[type[Section]]:
    for sub in cls.__subclasses__():
        yield sub
        yield from _all_sections(sub)


def _quantities() -> dict[str, Quantity]:
    """Key path without names and numbers -> the quantity that the conversion asks for."""
    seen: dict[str, Quantity] = {}
    plain = Collector.scale

    def noting(self: Collector, key: str, quantity: Quantity, unit: str) -> Scale:
        seen.setdefault(key, quantity)
        return plain(self, key, quantity, unit)

    with patch.object(Collector, "scale", noting):
        for path in sorted((ROOT / "shared" / "stands").glob("*.toml")):
            load_stand(path)
    return seen


def _examples() -> Iterator[tuple[str, Any]]:
    for path in sorted((ROOT / "shared").rglob("*.toml")):
        yield "", tomllib.loads(path.read_text(encoding="utf-8"))
    for path in sorted((ROOT / "docs").rglob("*.md")):
        for block in re.findall(
            r"^```toml\n(.*?)^```", path.read_text(encoding="utf-8"), flags=re.DOTALL | re.MULTILINE
        ):
            try:
                yield "", tomllib.loads(block)
            except tomllib.TOMLDecodeError:  # a block that shows alternatives, one a line
                for line in block.splitlines():
                    with contextlib.suppress(tomllib.TOMLDecodeError):
                        yield "", {"channels": {"one": tomllib.loads(line)}}


def _below(found: Found, key: str) -> Found:
    return [
        (f"{path}.{key}".lstrip("."), value[key]) for path, value in found if isinstance(value, dict) and key in value
    ]


def _entries(found: Found) -> Found:
    """The values of tables of names, and of lists."""
    inner: list[tuple[str, Any]] = []
    for path, value in found:
        if isinstance(value, dict):
            inner += [(f"{path}.{name}", entry) for name, entry in value.items()]
        elif isinstance(value, list):
            inner += [(f"{path}.{number}", entry) for number, entry in enumerate(value)]
    return inner


# --- sections -------------------------------------------------------------------------------------------------------


def _resolved(node: Mapping[str, Any], material: Material) -> Mapping[str, Any]:
    if "$ref" in node:
        return {"def": node["$ref"].rpartition("/")[2]} | material.defs[node["$ref"].rpartition("/")[2]]
    return node


def _alternatives(node: Mapping[str, Any], material: Material) -> list[Mapping[str, Any]]:
    """The sections a value may be, without "or nothing"."""
    node = _resolved(node, material)
    options = node.get("oneOf") or node.get("anyOf")
    if options:
        return [inner for o in options for inner in _alternatives(o, material) if inner.get("type") != "null"]
    return [node]


def _part(key: str, node: Mapping[str, Any], required: bool, found: Found, material: Material) -> Iterator[str]:
    yield from (f"## {key}", "")
    node = _resolved(node, material)
    inner = _named_ones(node)
    if inner is not None:
        options = _alternatives(inner, material)
        if "properties" not in options[0]:
            names = _resolved(node.get("propertyNames", {}), material).get("enum", ())
            yield from (f"`[{key}]`: {_type(inner, material)} for each of these names. {_must(required)}", "")
            yield from (", ".join(f"`{name}`" for name in names), "")
            sample = _sample(_entries(found), {})
            if sample:
                yield from ("Example of a value: " + sample, "")
            return
        where, found = f"{key}.NAME", _entries(found)
    else:
        options, where = _alternatives(node, material), key
    yield from (_must(required), "")
    yield from _sections(where, options, found, material, 3, {})


def _named_ones(node: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """What stands under each name of a table whose names are free."""
    open_names = [node.get("additionalProperties"), *node.get("patternProperties", {}).values()]
    return next((inner for inner in open_names if isinstance(inner, dict)), None)


def _must(required: bool) -> str:
    return "Every profile has it." if required else "May be left out."


def _sections(
    where: str,
    options: list[Mapping[str, Any]],
    found: Found,
    material: Material,
    level: int,
    shown: dict[str, str],
) -> Iterator[str]:
    """One table for each section that may stand there, then what stands inside it; no table twice."""
    again: list[str] = []
    for option in options:
        kinds = _kinds(option)
        chosen = [item for item in found if isinstance(item[1], dict) and (not kinds or item[1].get("kind") in kinds)]
        named = f" of kind {', '.join(kinds)}" if kinds else ""
        form = getattr(material.docs.get(str(option.get("def"))), "FORM", "")
        if len(options) > 1 and not kinds and form:
            named = f", {form}"
        written = f"[[{where.removesuffix('[]')}]]" if where.endswith("[]") else f"[{where}]"
        name = str(option.get("def"))
        if level > 3 and name in shown:
            again.append(
                f"`{written}` has the keys "
                + (f"of `{shown[name]}` above." if shown[name] != written else "it has above.")
            )
            continue
        shown[name] = written
        yield from (f"{'#' * level} `{written}`{named}", "")
        yield from _told(option, material)
        yield from table(("key", "type", "unit", "default", "example"), _rows(where, option, chosen, material))
        yield ""
        for key, node in option.get("properties", {}).items():
            inner, listed = _inner_sections(node, material)
            if inner:
                values = _below(chosen, key)
                values = _entries(values) if listed else values
                place = f"{where}.{key}" + {"list": "[]", "names": ".NAME"}.get(listed, "")
                yield from _sections(place, inner, values, material, min(level + 1, 6), shown)
    for line in dict.fromkeys(again):
        yield from (line, "")


def _kinds(option: Mapping[str, Any]) -> list[str]:
    kind = option.get("properties", {}).get("kind", {})
    return [kind["const"]] if "const" in kind else list(kind.get("enum", ()))


def _told(option: Mapping[str, Any], material: Material) -> Iterator[str]:
    cls = material.docs.get(str(option.get("def")))
    text = inspect.getdoc(cls) if cls is not None and cls.__doc__ else ""
    text = re.sub(r"^``\[+[\w.]+\]+``[.:]?\s*", "", (text or "").replace("\n", " "))
    text = re.sub(r"``(.*?)``", r"`\1`", text).strip()
    if text and not text.startswith("of kind"):
        yield from (text[0].upper() + text[1:], "")


def _inner_sections(node: Mapping[str, Any], material: Material) -> tuple[list[Mapping[str, Any]], str]:
    """Sections that stand under a key, and whether the key holds a list of them or a table of names."""
    options = _alternatives(node, material)
    listed = ""
    if options and "items" in options[0]:
        options, listed = _alternatives(options[0]["items"], material), "list"
    elif options and (named := _named_ones(options[0])) is not None:
        options, listed = _alternatives(named, material), "names"
    sections = [o for o in options if "properties" in o and o.get("def") not in ("Measure", "FixedPoint")]
    return sections, listed


def _rows(where: str, option: Mapping[str, Any], found: Found, material: Material) -> Iterator[tuple[str, ...]]:
    required = set(option.get("required", ()))
    notes = _attribute_notes(material.docs.get(str(option.get("def"))))
    for key, node in option.get("properties", {}).items():
        values = _below(found, key)
        kind = _type(node, material) + (f". {notes[key]}" if key in notes else "")
        words = dict.fromkeys(value for _, value in values if isinstance(value, str) and kind.startswith("number"))
        kind += "".join(f" or `{json.dumps(word)}`" for word in words)
        default = "must be given" if key in required else _default(node)
        sample = _sample(values, node)
        yield f"`{key}`", cell(kind), cell(_units(where, key, node, values, material)), cell(default), sample


def _attribute_notes(cls: type[Section] | None) -> dict[str, str]:
    """The texts under the attributes of a section and of those it is made from."""
    notes: dict[str, str] = {}
    for base in reversed(cls.__mro__ if cls else ()):
        if not (issubclass(base, Section) and base is not Section):
            continue
        body = ast.parse(textwrap.dedent(inspect.getsource(base))).body[0]
        assert isinstance(body, ast.ClassDef)
        for one, after in zip(body.body, body.body[1:], strict=False):
            is_text = isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant)
            if isinstance(one, ast.AnnAssign) and isinstance(one.target, ast.Name) and is_text:
                text = str(after.value.value)  # type: ignore[attr-defined]
                notes[one.target.id] = re.sub(r"``(.*?)``", r"`\1`", " ".join(text.split()))
    return notes


def _type(node: Mapping[str, Any], material: Material) -> str:
    options = _alternatives(node, material)
    return " or ".join(dict.fromkeys(_one_type(option, material) for option in options))


def _one_type(node: Mapping[str, Any], material: Material) -> str:
    if node.get("def") in ("Measure", "FixedPoint"):
        return "number with unit"
    if "properties" in node:
        return "section"
    fixed = [node["const"]] if "const" in node else node.get("enum", [])
    if fixed:
        words = ", ".join(f"`{json.dumps(value, ensure_ascii=False)}`" for value in fixed)
        return f"one of {words}" if len(fixed) > 1 else words
    if "items" in node:
        return f"list: {_type(node['items'], material)}{_bounds(node, 'minItems', 'maxItems', ' entries')}"
    named = _named_ones(node)
    if named is not None:
        return f"table of names: {_type(named, material)}"
    return _plain_type(node)


def _plain_type(node: Mapping[str, Any]) -> str:
    plain = {"string": "text", "number": "number", "integer": "whole number", "boolean": "`true` or `false`"}
    text = plain.get(str(node.get("type")), "value")
    if node.get("format") == "date":
        text = "date"
    if "description" in node:
        return f"{text}: {node['description']}"
    return text + _bounds(node, "minimum", "maximum", "") + _bounds(node, "minLength", "maxLength", " characters")


def _bounds(node: Mapping[str, Any], low: str, high: str, unit: str) -> str:
    least, most = node.get(low), node.get(high)
    if least is None and most is None:
        return ""
    if most is None:
        return f", {least}{unit} or more".replace("1 entries", "one entry").replace("1 characters", "one character")
    if least is None:
        return f", {most}{unit} at most"
    return f", {least} … {most}{unit}" if least != most else f", {most}{unit}"


def _default(node: Mapping[str, Any]) -> str:
    default = node.get("default")
    return "none" if default in (None, "", [], {}) else f"`{_toml(default)}`"


def _units(where: str, key: str, node: Mapping[str, Any], found: Found, material: Material) -> str:
    options = _alternatives(node, material)
    if not any(option.get("def") in ("Measure", "FixedPoint", "PhasePoint", "LinePoint") for option in options):
        return ""
    pattern = re.compile(
        re.escape(f"{where}.{key}").replace("NAME", "[^.]+").replace(r"\[\]", r"(\.\d+|\[\d+\])") + "$"
    )
    quantities = dict.fromkeys(q for path, q in material.quantities.items() if pattern.match(path))
    if not quantities:  # not among the shared profiles: by the units of the examples
        units = {str(value["unit"]) for _, value in found if isinstance(value, dict) and "unit" in value}
        quantities = dict.fromkeys(q for q in Quantity if units and units <= set(ACCEPTED[q]))
        quantities = quantities if len(quantities) == 1 else {}
        quantities = quantities or dict.fromkeys([NOT_IN_SHARED[key]] if key in NOT_IN_SHARED else [])
    if where.startswith("limits") and key in ("set_point", "low", "high", "deadband"):
        return "of what this kind watches: [limits](limits.md)"
    if key in ("partner_change", "level") or len(quantities) > 1:
        return "of the channel it is for" if where.startswith(("limits", "start_")) else " or ".join(quantities)
    return "; ".join(f"{q.replace('_', ' ')}: {_accepted(q)}" for q in quantities) or "see its text"


def _accepted(quantity: Quantity) -> str:
    bench = BENCH_UNIT[quantity]
    return ", ".join([bench, *(unit for unit in ACCEPTED[quantity] if unit != bench)])


def _sample(found: Found, node: Mapping[str, Any]) -> str:
    for _, value in found:
        text = _toml(value)
        if text and len(text) <= LONGEST:
            return f"`{cell(text)}`"
    return f"`{json.dumps(node['const'])}`" if "const" in node else ""


def _toml(value: Any) -> str:
    """A value as TOML writes it on one line."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(inner)}" for key, inner in value.items()) + " }" if value else ""
    if isinstance(value, list):
        return f"[{', '.join(_toml(inner) for inner in value)}]"
    if isinstance(value, bool | str):
        return json.dumps(value, ensure_ascii=False)
    return str(value)
