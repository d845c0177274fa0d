"""Collects the faults of a profile while values are taken to bench units and names are looked up."""

from __future__ import annotations

from collections.abc import Iterable

from benchkit.errors import Problem, UsageError, did_you_mean
from benchkit.profiles.base import Measure
from benchkit.units import Quantity, Scale, scale_to_bench


class Collector:
    """Each method adds a problem where something is wrong and goes on with a stand-in."""

    def __init__(self, origin: str) -> None:
        self.origin = origin
        self.problems: list[Problem] = []

    def fault(self, key: str, what: str, got: object = None, expected: str = "", remedy: str = "") -> None:
        self.problems.append(Problem(f"{self.origin}: {key}", what, got, expected, remedy))

    def known(self, key: str, noun: str, name: str, known: Iterable[str]) -> bool:
        names = list(known)
        if name in names:
            return True
        hint = did_you_mean(name, names)
        self.fault(key, f"no {noun} of that name", name, "", hint or f"Known: {', '.join(names) or 'none'}.")
        return False

    def scale(self, key: str, quantity: Quantity, unit: str) -> Scale:
        try:
            return scale_to_bench(quantity, unit)
        except UsageError as error:
            self.fault(f"{key}.unit", error.what, remedy=error.remedy)
            return Scale(1.0)

    def measure(self, key: str, quantity: Quantity, measure: Measure) -> float:
        scale = self.scale(key, quantity, measure.unit)
        return scale.factor * measure.value + scale.offset

    def difference(self, key: str, quantity: Quantity, measure: Measure) -> float:
        """A difference of two values: the factor counts, the zero point does not."""
        return abs(self.scale(key, quantity, measure.unit).factor) * measure.value

    def positive(self, key: str, quantity: Quantity, measure: Measure) -> float:
        value = self.measure(key, quantity, measure)
        if not value > 0.0:
            self.fault(f"{key}.value", "must be above zero", measure.value)
        return value

    def delay(self, key: str, measure: Measure) -> float:
        value = self.measure(key, Quantity.TIME, measure)
        if value < 0.0:
            self.fault(f"{key}.value", "a delay cannot be negative", measure.value)
        return value
