"""What would halve an uncertainty: which lines of a budget have to shrink, and by how much.

Source: the law of propagation of uncertainty, JCGM 100:2008, 5.1.2 (derived).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from benchkit.model.results import Estimate

LEAST_FACTOR = 0.1
"""No contribution is asked to shrink below a tenth of itself: another is taken with it (rule of this project)."""
_SUMS_WITHIN = 1e-3


@dataclass(frozen=True, slots=True)
class Reduction:
    """One contribution ``name`` that has to go from ``from_u`` to ``to_u``, both in the unit of the result."""

    name: str
    from_u: float
    to_u: float

    @property
    def factor(self) -> float:
        """What is left of the contribution [1], 0 to 1."""
        return self.to_u / self.from_u


def what_would_reduce(estimate: Estimate, to: float = 0.5) -> tuple[Reduction, ...]:
    """The fewest contributions whose reduction brings u down to ``to`` times itself, and how far they must go.

    With ``u² = sum u_i²``, the first m of the ranked lines are taken, m the least for which the rest leaves room:
    ``f² sum_{i<=m} u_i² + sum_{i>m} u_i² = (to u)²`` (1), the same factor f for each of the m, f at least
    :data:`LEAST_FACTOR`. One line alone where that is possible.

    Args:
        estimate: with its budget; lines are independent of each other.
        to: share of u that is aimed at [1], between 0.1 and 1; a half when not given.

    Returns:
        Reductions in the order of the budget, in the unit of the estimate. Empty where nothing can be said: no budget,
        u unknown, or a budget whose squares do not sum to u² (correlated inputs: a line alone decides nothing).

    >>> from benchkit.model.results import Contribution, Estimate
    >>> budget = (Contribution("torque calibration", 4.0), Contribution("speed scatter", 1.0))
    >>> [(r.name, round(r.to_u, 3)) for r in what_would_reduce(Estimate(100.0, 17.0**0.5, "W", budget=budget))]
    [('torque calibration', 1.803)]
    """
    lines = sorted(estimate.budget, key=lambda line: -line.u)
    squares = [line.u**2 for line in lines]
    total = math.fsum(squares)
    if not lines or not (estimate.u > 0.0 and math.isfinite(total) and LEAST_FACTOR < to < 1.0):
        return ()
    if abs(math.sqrt(total) - estimate.u) > _SUMS_WITHIN * estimate.u:
        return ()
    aim = to**2 * total
    for m in range(1, len(lines) + 1):
        taken, rest = math.fsum(squares[:m]), math.fsum(squares[m:])
        if rest < aim and (factor := math.sqrt((aim - rest) / taken)) >= LEAST_FACTOR:
            return tuple(Reduction(line.name, line.u, factor * line.u) for line in lines[:m])
    return ()


def in_words(reductions: tuple[Reduction, ...], sources: Mapping[str, Estimate], result: Estimate) -> str:
    """The reductions as one phrase: ``shaft_torque calibration, 0.12 % -> 0.046 % of reading``; empty for none.

    ``sources`` are the measured inputs by name. A line that is found in the budget of one of them, or that is one of
    them, is given as a share of that reading; any other as a share of the result.
    """
    return " and ".join(_phrase(r, sources, result) for r in reductions)


def _phrase(r: Reduction, sources: Mapping[str, Estimate], result: Estimate) -> str:
    for name, source in sources.items():
        own = source.u if name == r.name else next((x.u for x in source.budget if x.name == r.name), None)
        if own is not None and source.value != 0.0:
            share = own / abs(source.value)
            return f"{r.name}, {_percent(share)} → {_percent(share * r.factor)} of reading"
    share = r.from_u / abs(result.value) if result.value != 0.0 else math.nan
    return f"{r.name}, its part {_percent(share)} → {_percent(share * r.factor)} of the result"


def _percent(share: float) -> str:
    return f"{100.0 * share:.2g} %"
