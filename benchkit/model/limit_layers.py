"""How a limit set came about: the files it was put together from, what each of them set, and what it changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

HASH_SHOWN = 12
"""Digits of a hash that people compare by eye."""


class Rank(StrEnum):
    """Whose limits a layer holds; a later one wins over those before it."""

    STAND = "stand"
    MOTOR = "motor"
    INVERTER = "inverter"
    RUN = "run"


class Mark(StrEnum):
    """What a layer did to a limit that was there before."""

    LOOSENED = "loosened"
    TIGHTENED = "tightened"


@dataclass(frozen=True, slots=True)
class LimitLayer:
    """One file of limits: name and revision as it says, its file, and the SHA-256 of its text."""

    rank: Rank
    name: str
    revision: str
    file: str
    sha256: str

    @property
    def place(self) -> str:
        """Where something comes from, in short: ``motor: limits/heron_60.toml``."""
        return f"{self.rank.value}: {self.file}"


@dataclass(frozen=True, slots=True)
class LimitChange:
    """What the layer of that number did to a limit of a layer below; ``what`` names old and new values."""

    limit: str
    layer: int
    mark: Mark
    what: str
    reason: str


def origin_text(name: str, layers: Sequence[LimitLayer], origins: Mapping[str, int]) -> str:
    """Where the limit ``name`` comes from; where several layers set it, which keys each of them set last.

    ``origins`` holds the number of a layer for each ``limit.key``. Empty where nothing is recorded.
    """
    keys: dict[int, list[str]] = {}
    for path, layer in origins.items():
        limit, _, key = path.partition(".")
        if limit == name:
            keys.setdefault(layer, []).append(key)
    if not keys:
        return ""
    first, *later = sorted(keys)
    words = [layers[first].place, *(f"{', '.join(keys[n])} from {layers[n].place}" for n in later)]
    return "; ".join(words)


def change_text(change: LimitChange, layers: Sequence[LimitLayer]) -> str:
    """One change in one line: ``loosened by run: warm_day.toml: set_point 140 °C -> 145 °C. Reason: …``."""
    text = f"{change.mark.value} by {layers[change.layer].place}: {change.what}"
    return f"{text}. Reason: {change.reason}" if change.reason else text
