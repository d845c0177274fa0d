"""Limits that are inherited: stand < motor < inverter < run. Later wins, key by key, and every key knows its layer.

Works on what TOML says and knows no kind of limit. A layer gives a limit whole (it then names its ``kind``), changes
single keys of one, or takes one out (``take_out = true``). Whoever loosens a trip that another gave says why
(``reason = "…"``). A profile that builds on another speaks for its own stand: its
changes are marked, and need no reason.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass, field, replace
from typing import Any

from benchkit.errors import Problem, did_you_mean
from benchkit.model.canonical import canonical_sha256
from benchkit.model.limit_layers import LimitChange, LimitLayer, Mark, Rank
from benchkit.model.limits import LimitSet
from benchkit.profiles.layer_schema import LimitRecord
from benchkit.profiles.loosened import QuantityOf, change_words, differences

Table = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Written:
    """What one file says about limits. ``path`` is how its faults name it, ``file`` how a run does."""

    rank: Rank
    name: str
    revision: str
    path: str
    file: str
    text: str
    limits: Mapping[str, Any]
    removed: tuple[str, ...] = ()
    """Keys that a profile takes from its base before it adds its own, as dotted paths from ``limits`` on."""

    @property
    def layer(self) -> LimitLayer:
        """The same without the limits."""
        digest = hashlib.sha256(self.text.encode("utf-8")).hexdigest()
        return LimitLayer(self.rank, self.name, self.revision, self.file, digest)


@dataclass(slots=True)
class Resolved:
    """The limits of all layers in one; ``origins`` holds the number of the layer that last set each ``limit.key``."""

    written: Sequence[Written]
    limits: Table = field(default_factory=dict)
    origins: dict[str, int] = field(default_factory=dict)
    changes: list[LimitChange] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    def record(self, section: Any) -> dict[str, Any]:
        """``limit_record`` of the resolved profile, whose ``[limit_set]`` is ``section``."""
        try:
            sha256 = limits_sha256(self.limits, section)
        except (ValueError, OverflowError):
            sha256 = ""  # not a number, or no limit: the check of the profile will say so
        layers = [
            {"rank": w.layer.rank, "name": w.name, "revision": w.revision, "file": w.file, "sha256": w.layer.sha256}
            for w in self.written
        ]
        changes = [
            {"limit": c.limit, "layer": c.layer, "mark": c.mark, "what": c.what, "reason": c.reason}
            for c in self.changes
        ]
        return {"sha256": sha256, "layers": layers, "origins": self.origins, "changes": changes}

    def placed(self, problem: Problem, origin: str) -> Problem:
        """The fault, told of the layer that wrote the key instead of the profile that all was merged into."""
        head = f"{origin}: limits."
        if not problem.where.startswith(head):
            return problem
        key = problem.where.removeprefix(head)
        limit = key.partition(".")[0]
        layer = self.origins.get(key)
        if layer is None:
            layer = max((n for path, n in self.origins.items() if path.partition(".")[0] == limit), default=None)
        if layer is None or self.written[layer].rank is Rank.STAND:
            return problem
        return replace(problem, where=f"{self.written[layer].path}: limits.{key}")


def resolve(written: Sequence[Written], quantity_of: QuantityOf) -> Resolved:
    """Put the layers on one another, in their order."""
    resolved = Resolved(written)
    for number, layer in enumerate(written):
        before = deepcopy(resolved.limits)
        for path in layer.removed:
            _remove(resolved, path)
        reasons: dict[str, str] = {}
        for name, table in layer.limits.items():
            if isinstance(table, dict):
                reasons[name] = _lay(resolved, number, name, dict(table))
            else:
                resolved.limits[name] = table  # a fault of shape, told when the profile is checked
        for name, limit in before.items():
            _compare(resolved, number, name, limit, reasons.get(name, ""), quantity_of)
    return resolved


def _lay(resolved: Resolved, number: int, name: str, table: Table) -> str:
    """Put one limit of layer ``number`` on those below it; returns its reason."""
    layer = resolved.written[number]
    where = f"{layer.path}: limits.{name}"
    reason, out = table.pop("reason", ""), table.pop("take_out", False)
    if not isinstance(reason, str):
        resolved.problems.append(Problem(f"{where}.reason", "not a text", reason, "some words in quotes"))
        reason = ""
    reason = " ".join(reason.split())
    if not isinstance(out, bool):
        resolved.problems.append(Problem(f"{where}.take_out", "neither true nor false", out, "true"))
        return reason
    below = resolved.limits.get(name)
    is_change = out or "kind" not in table
    if is_change and below is None:
        what = "no layer below has a limit of this name"
        remedy = did_you_mean(name, resolved.limits) or (
            "A limit of its own is written whole, with its kind; one that a later layer holds is changed there."
        )
        resolved.problems.append(Problem(where, what, remedy=remedy))
        return reason
    if out:
        if table:
            remedy = "Take it out, or change it."
            resolved.problems.append(Problem(where, "taken out, and changed as well", ", ".join(table), remedy=remedy))
        if not reason:
            remedy = 'Write beside it why: reason = "…".'
            resolved.problems.append(Problem(where, "taken out without a reason", remedy=remedy))
        _remove(resolved, name)
    elif is_change and isinstance(below, dict):
        _merge(resolved, number, name, below, table)
    else:
        _remove(resolved, name)
        resolved.limits[name] = deepcopy(table)
        _note(resolved, number, name, table)
    return reason


def _merge(resolved: Resolved, number: int, path: str, below: Table, change: Table) -> None:
    """Tables are merged key by key; one that names a ``kind`` or a ``unit``, and everything else, replaces the old."""
    for key, value in change.items():
        old, here = below.get(key), f"{path}.{key}"
        if isinstance(value, dict) and isinstance(old, dict) and "kind" not in value and "unit" not in value:
            _merge(resolved, number, here, old, value)
            continue
        _forget(resolved, here)
        below[key] = deepcopy(value)
        _note(resolved, number, here, value)


def _note(resolved: Resolved, number: int, path: str, value: Any) -> None:
    """Write down who set ``path``, and every key below it that could be changed alone."""
    if isinstance(value, dict) and "unit" not in value and value:
        for key, held in value.items():
            _note(resolved, number, f"{path}.{key}", held)
    else:
        resolved.origins[path] = number


def _forget(resolved: Resolved, path: str) -> None:
    for known in [known for known in resolved.origins if known == path or known.startswith(f"{path}.")]:
        del resolved.origins[known]


def _remove(resolved: Resolved, path: str) -> None:
    """Take out what lies at ``path``; everything, for an empty one."""
    if not path:
        resolved.limits.clear()
        resolved.origins.clear()
        return
    *parents, last = path.split(".")
    holder: Any = resolved.limits
    for part in parents:
        holder = holder.get(part) if isinstance(holder, dict) else None
    if isinstance(holder, dict):
        holder.pop(last, None)
    _forget(resolved, path)


def _compare(resolved: Resolved, number: int, name: str, before: Any, reason: str, quantity_of: QuantityOf) -> None:
    """Mark what layer ``number`` did to a limit, and ask for the reason where it must have one."""
    after = resolved.limits.get(name)
    if not isinstance(before, dict) or (after is not None and not isinstance(after, dict)):
        return
    layer = resolved.written[number]
    if after is None:
        resolved.changes.append(LimitChange(name, number, Mark.LOOSENED, "taken out", reason))
        return
    keys = differences(before, after, quantity_of)
    if not keys:
        return
    is_looser, what = any(keys.values()), change_words(before, after, keys)
    if is_looser and before.get("severity") == "trip" and not reason and layer.rank is not Rank.STAND:
        resolved.problems.append(
            Problem(
                f"{layer.path}: limits.{name}",
                f"loosens a trip without a reason: {change_words(before, after, {k: v for k, v in keys.items() if v})}",
                remedy='Write why into this limit: reason = "…"; or leave these keys as the layer below has them.',
            )
        )
    mark = Mark.LOOSENED if is_looser else Mark.TIGHTENED
    resolved.changes.append(LimitChange(name, number, mark, what, reason))


def limits_sha256(limits: Any, section: Any) -> str:
    """``LimitSet.sha256`` of the sections ``limits`` and ``limit_set`` of a resolved profile."""
    starting = section.get("starting_time") if isinstance(section, dict) else None
    return canonical_sha256(limits if starting is None else {"limits": limits, "starting_time": starting})


def with_record(
    limit_set: LimitSet, mapping: Table, record: LimitRecord | None, origin: str
) -> tuple[LimitSet, list[Problem]]:
    """The limit set with its hash, and with its layers where the profile has a record of them.

    ``mapping`` is the resolved profile; the hash is always taken of it again. Runs of before ``starting_time`` went
    into the hash keep the hash of the limits alone that they were recorded with.
    """
    sha256 = limits_sha256(mapping["limits"], mapping.get("limit_set"))
    if record is None:
        return replace(limit_set, sha256=sha256), []
    if record.sha256 == canonical_sha256(mapping["limits"]):
        sha256 = record.sha256
    where = f"{origin}: limit_record"
    if record.sha256 != sha256:
        remedy = "They were changed after the run was recorded: look for the run as it was, benchkit verify says which."
        return limit_set, [Problem(f"{where}.sha256", "not the hash of these limits", sha256, record.sha256, remedy)]
    known = range(len(record.layers))
    if any(n not in known for n in (*record.origins.values(), *(c.layer for c in record.changes))):
        return limit_set, [Problem(where, "names a layer that it does not list", expected=f"fewer than {len(known)}")]
    return replace(
        limit_set,
        sha256=sha256,
        layers=tuple(LimitLayer(x.rank, x.name, x.revision, x.file, x.sha256) for x in record.layers),
        origins=dict(record.origins),
        changes=tuple(LimitChange(x.limit, x.layer, x.mark, x.what, x.reason) for x in record.changes),
    ), []
