"""Find and read the files of limits that a profile names for its motor and its inverter, and that of a run."""

from __future__ import annotations

from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from benchkit.errors import Problem, did_you_mean
from benchkit.model.limit_layers import Rank
from benchkit.profiles.files import shared_path, stays_below
from benchkit.profiles.layer_schema import LayerFile
from benchkit.profiles.layers import Resolved, Written, resolve
from benchkit.profiles.messages import problem_from
from benchkit.profiles.toml_files import read_toml
from benchkit.units import Quantity

MAX_BASES = 8
UNITS = (Rank.MOTOR, Rank.INVERTER)
"""What has limits of its own, in the order in which they count; each is a section of the profile."""


@dataclass(slots=True)
class LimitReader:
    """Collects what the files of one profile say about limits. ``texts`` takes the text of each layer that is read."""

    texts: dict[str, str]
    problems: list[Problem] = field(default_factory=list)
    stand: list[Written] = field(default_factory=list)
    """The profile and those it builds on, the lowest first."""
    _named_in: dict[Rank, Path] = field(default_factory=dict)

    def note_profile(self, path: Path, text: str, mapping: Mapping[str, Any], removed: list[str]) -> None:
        """Take up what one profile says about limits, after the one that it builds on."""
        for rank in UNITS:
            section = mapping.get(rank.value)
            if isinstance(section, dict) and "limits" in section:
                self._named_in[rank] = path
        head, limits = mapping.get("limit_set"), mapping.get("limits")
        said = head if isinstance(head, dict) else {}
        below = self.stand[-1] if self.stand else None
        gone = [key.removeprefix("limits").removeprefix(".") for key in removed if f"{key}.".startswith("limits.")]
        self.stand.append(
            Written(
                Rank.STAND,
                str(said.get("name", below.name if below else "")),
                str(said.get("revision", below.revision if below else "")),
                str(path),
                path.name,
                text,
                deepcopy(limits) if isinstance(limits, dict) else {},  # the merge goes on to change the mapping
                tuple(gone),
            )
        )

    def resolved(self, mapping: Mapping[str, Any], run: Path | None) -> Resolved:
        """The limits of the merged profile ``mapping`` and of its layers; ``run``: the file of limits of one run."""
        written = list(self.stand)
        for rank in UNITS:
            section = mapping.get(rank.value)
            name = section.get("limits") if isinstance(section, dict) else None
            if isinstance(section, dict) and isinstance(name, str) and name:
                named_in = self._named_in[rank]
                where = f"{named_in}: {rank.value}.limits"
                path = self._find(named_in.parent, name, where)
                written += self._read(rank, path, name, section.get("id"), where) if path else []
        if run is not None:
            stand = mapping.get("stand")
            owner = stand.get("name") if isinstance(stand, dict) else None
            written += self._read(Rank.RUN, run, run.name, owner, str(run))
        for layer in written[len(self.stand) :]:
            self._keep(layer)
        return resolve(written, lambda channel: _quantity(mapping, channel))

    def _read(self, rank: Rank, path: Path, file: str, owner: object, where: str) -> list[Written]:
        """The layer at ``path`` and those it changes, the lowest first; empty with a fault."""
        layers: list[Written] = []
        seen: list[Path] = []
        while True:
            if path.resolve() in seen or len(seen) > MAX_BASES:
                remedy = "Remove one base."
                self.problems.append(Problem(where, "limit layers build on each other in a circle", remedy=remedy))
                return []
            seen.append(path.resolve())
            mapping, text = read_toml(path)
            try:
                layer = LayerFile.model_validate(mapping)
            except ValidationError as error:
                faults = error.errors(include_url=False)
                self.problems += [problem_from(e, LayerFile, str(path)) for e in faults]
                return []
            head = layer.limit_set
            if not layers:
                self._check_owner(rank, head.applies_to, owner, f"{path}: limit_set.applies_to")
            shown = _shared_name(path) or file
            layers.insert(0, Written(rank, head.name, head.revision, str(path), shown, text, layer.limits))
            if not head.base:
                return layers
            where = f"{path}: limit_set.base"
            found = self._find(path.parent, head.base, where)
            if found is None:
                return []
            path, file = found, head.base

    def _check_owner(self, rank: Rank, applies_to: str, owner: object, where: str) -> None:
        """Limits agreed for another motor must not protect this one."""
        if not isinstance(owner, str):
            return  # the check of the profile will say so
        noun = "stand" if rank is Rank.RUN else rank.value
        if not applies_to and rank is not Rank.RUN:
            remedy = f'Write for which {noun} these limits were agreed: applies_to = "{owner}".'
            self.problems.append(Problem(where, "missing", remedy=remedy))
        elif applies_to and applies_to != owner:
            remedy = did_you_mean(applies_to, [owner], 0.8) or f"Name the limits of this {noun}."
            self.problems.append(Problem(where, f"limits of another {noun}", applies_to, owner, remedy))

    def _find(self, folder: Path, name: str, where: str) -> Path | None:
        """The file of that name in ``folder`` or below it, or else among the shared files."""
        shared = shared_path("limits").parent
        if not stays_below(name):
            expected = "a name such as 'limits/big_motor.toml', with / between folders"
            remedy = "Copy the limits beside the profile."
            self.problems.append(
                Problem(where, "must lie in the folder of the profile or below it", name, expected, remedy)
            )
            return None
        for root in (folder, shared):
            found = root / name
            if not found.is_file():
                continue
            if not found.resolve().is_relative_to(root.resolve()):
                remedy = "Copy the limits beside the profile."
                self.problems.append(Problem(where, "is a link out of the folder", name, remedy=remedy))
                return None
            return found
        known = [f"limits/{path.name}" for path in sorted((shared / "limits").glob("*.toml"))]
        remedy = did_you_mean(name, known, 0.8) or f"Check the name. Shared ones: {', '.join(known)}."
        self.problems.append(Problem(where, "no such file", name, f"a file of limits in {folder}", remedy))
        return None

    def _keep(self, layer: Written) -> None:
        """Keep the text for the run, under a name that no other text has."""
        key = layer.file
        while self.texts.get(key, layer.text) != layer.text:
            key = f"{layer.rank.value}/{key}"
        self.texts[key] = layer.text


def _shared_name(path: Path) -> str:
    """Name of one of the shared files, wherever they lie on this machine; empty for any other."""
    shared, real = shared_path("limits").parent.resolve(), path.resolve()
    return "/".join(("shared", *real.relative_to(shared).parts)) if real.is_relative_to(shared) else ""


def _quantity(mapping: Mapping[str, Any], channel: str) -> Quantity | None:
    for group in ("channels", "derived"):
        section = mapping.get(group)
        entry = section.get(channel) if isinstance(section, dict) else None
        word = entry.get("quantity") if isinstance(entry, dict) else None
        if word in [quantity.value for quantity in Quantity]:
            return Quantity(word)
    return None
