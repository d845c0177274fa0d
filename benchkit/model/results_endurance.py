"""What the analysis says of a mission: energy, endurance, temperatures, what ends it, and the power that fits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchkit.model.results import Estimate


@dataclass(frozen=True, slots=True)
class MissionEnd:
    """One cause that ends the mission, in what share of the trials."""

    cause: str
    share: float


@dataclass(frozen=True, slots=True)
class MissionTrace:
    """A quantity over the mission: median and 95 % band of the trials that still run, NaN where fewer than half do."""

    name: str
    unit: str
    time_s: tuple[float, ...]
    middle: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class EnduranceResult:
    """A mission on a battery, by Monte Carlo: every estimate is the mean of the trials with their 95 % interval.

    ``endurance_s`` is the time until the first limit; NaN where some trials end by none (the mission is done first).
    """

    kind: str
    done_share: float
    """Share of the trials that finished the mission without meeting a limit."""
    endurance_s: Estimate
    ends: tuple[MissionEnd, ...]
    """Causes, the most frequent first."""
    energy_wh: Estimate
    """Energy at the terminals until the end."""
    mean_power_w: Estimate
    charge_left: Estimate
    """State of charge at the end (1)."""
    lowest_voltage_v: Estimate
    stored_wh: Estimate
    """Energy of the open-circuit curve from start to reserve: what an ideal battery would give."""
    hottest_c: tuple[tuple[str, Estimate], ...]
    """Highest temperature of each part."""
    continuous_power_w: Estimate | None
    """Constant power at the terminals that lasts the wanted endurance."""
    wanted_s: float | None
    trials: int
    traces: tuple[MissionTrace, ...] = ()
