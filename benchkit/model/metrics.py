"""One number of a run: name, value, standard uncertainty, unit. All that is compared, drawn or listed beside losses."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Counted:
    """What stands behind a share or a rate: ``events`` of ``of`` trials, or ``events`` in ``of`` hours."""

    events: int
    of: float
    is_share: bool


@dataclass(frozen=True, slots=True)
class Metric:
    """One named value of a run with its standard uncertainty (k = 1), in ``unit``.

    ``note`` says what belongs to the number: band, window, method, leakage. ``region`` names the operating region or
    burst it holds for; empty: the whole run. ``interval95`` where value ± k u is not the 95 % interval. ``counted`` is
    there for shares and rates: these are compared by their counts. ``averaged`` values were averaged for it.
    """

    name: str
    value: float
    u: float
    unit: str
    note: str = ""
    region: str = ""
    interval95: tuple[float, float] | None = None
    counted: Counted | None = None
    averaged: int = 1

    @property
    def is_measured(self) -> bool:
        """False where the value is NaN, that is: not measured."""
        return not math.isnan(self.value)
