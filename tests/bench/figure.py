"""One measured figure with its goal."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Figure:
    """``holds`` is None for a figure that is printed without a goal."""

    name: str
    value: float
    unit: str
    goal: str = "printed"
    holds: bool | None = None

    def line(self) -> str:
        """Name, value, unit, goal and verdict in one line."""
        verdict = {None: "", True: "holds", False: "falls short"}[self.holds]
        return f"{self.name:34} {self.value:>12.5g} {self.unit:14} {self.goal:22} {verdict}".rstrip()


Measure = Callable[[], Iterable[Figure]]


def at_most(name: str, value: float, unit: str, goal: float) -> Figure:
    """A figure that must not exceed its goal."""
    return Figure(name, value, unit, f"<= {goal:g}", value <= goal)


def at_least(name: str, value: float, unit: str, goal: float) -> Figure:
    """A figure that must reach its goal."""
    return Figure(name, value, unit, f">= {goal:g}", value >= goal)


def between(name: str, value: float, unit: str, low: float, high: float) -> Figure:
    """A figure that must lie inside its goal."""
    return Figure(name, value, unit, f"{low:g} ... {high:g}", low <= value <= high)
