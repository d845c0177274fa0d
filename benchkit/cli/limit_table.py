"""What ``benchkit limits`` prints: each limit as its files say it, and where it comes from."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from benchkit.model.cautions import SOFTWARE_TRIP
from benchkit.model.limits import LimitSet
from benchkit.profiles import LoadedStand
from benchkit.profiles.loosened import in_words

COLUMNS = ("limit", "channel", "kind", "set point", "on-delay", "deadband", "severity", "action", "marks", "from")
_TOLD = ("channel", "kind", "set_point", "on_delay", "deadband", "severity", "action", "off_delay", "latching")
"""Keys with a place in the table, or the same for nearly all limits; the others stand beside the set point."""


def limit_facts(loaded: LoadedStand) -> dict[str, Any]:
    """The resolved limit set for programs: every key as its file says it, with its origin."""
    limit_set = loaded.stand.limit_set
    layers = [
        {"rank": x.rank.value, "name": x.name, "revision": x.revision, "file": x.file, "sha256": x.sha256}
        for x in limit_set.layers
    ]
    limits = {
        name: {
            **table,
            "from": limit_set.origin(name),
            "origins": _origins(name, limit_set),
            "changes": [
                {"layer": c.layer, "mark": c.mark.value, "what": c.what, "reason": c.reason}
                for c in limit_set.changes
                if c.limit == name
            ],
        }
        for name, table in _tables(loaded).items()
    }
    return {
        "stand": loaded.stand.name,
        "limit_set": limit_set.name,
        "revision": limit_set.revision,
        "sha256": limit_set.sha256,
        "layers": layers,
        "limits": limits,
        "taken_out": [
            {"limit": c.limit, "layer": c.layer, "reason": c.reason} for c in limit_set.changes if c.limit not in limits
        ],
        "caution": str(SOFTWARE_TRIP),
    }


def limit_lines(loaded: LoadedStand) -> Iterator[str]:
    """The same for people: set and layers, one row a limit, what later layers changed, the caution."""
    limit_set = loaded.stand.limit_set
    yield f"{loaded.stand.name}: {limit_set.name}, revision {limit_set.revision}, {len(limit_set.limits)} limits"
    yield f"  SHA-256 {limit_set.sha256}"
    yield "  layers, a later one wins:"
    for layer in limit_set.layers:
        yield f"    {layer.place}: {layer.name}, revision {layer.revision}, SHA-256 {layer.sha256[:12]}…"
    yield ""
    yield from _aligned([COLUMNS, *(_row(name, table, limit_set) for name, table in _tables(loaded).items())])
    if limit_set.changes:
        yield ""
        yield "changed by a later layer:"
        for name in dict.fromkeys(c.limit for c in limit_set.changes):
            yield from (f"  {name}: {line}" for line in limit_set.changes_of(name))
    yield ""
    yield str(SOFTWARE_TRIP)


def _tables(loaded: LoadedStand) -> dict[str, dict[str, Any]]:
    tables: dict[str, dict[str, Any]] = json.loads(loaded.json)["limits"]
    return tables


def _row(name: str, table: Mapping[str, Any], limit_set: LimitSet) -> tuple[str, ...]:
    more = [f"{key} {in_words(value)}" for key, value in table.items() if key not in _TOLD]
    set_point = [in_words(table["set_point"])] if "set_point" in table else []
    marks = dict.fromkeys(c.mark.value for c in limit_set.changes if c.limit == name)
    return (
        name,
        in_words(table.get("channel", "-")),
        in_words(table.get("kind", "-")),
        ", ".join(set_point + more) or "-",
        in_words(table.get("on_delay", "-")),
        in_words(table.get("deadband", "-")),
        in_words(table.get("severity", "-")),
        in_words(table.get("action") or "-"),
        ", ".join(marks) or "-",
        limit_set.origin(name),
    )


def _origins(name: str, limit_set: LimitSet) -> dict[str, int]:
    start = f"{name}."
    return {path.removeprefix(start): n for path, n in limit_set.origins.items() if path.startswith(start)}


def _aligned(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
