"""A campaign: many runs, one analysis, and what shows between them."""

from __future__ import annotations

from dataclasses import dataclass

from benchkit.model.results import Estimate


@dataclass(frozen=True, slots=True)
class CampaignRun:
    """One run of a campaign."""

    file: str
    content_sha256: str
    run_id: str
    started_utc: str
    stand: str
    operator: str
    article: str
    """Inverter and motor."""
    firmware: str
    propeller: str
    is_simulated: bool
    hours: float
    """Recorded time of the article in this folder before this run, standstill included [h]; NaN where not known."""
    points: int


@dataclass(frozen=True, slots=True)
class SkippedRun:
    """One run that is not in the results, and why."""

    file: str
    reason: str


@dataclass(frozen=True, slots=True)
class RunLevel:
    """One quantity of one run over the set-points of all.

    ``level.u`` is scatter about the set-points; ``u_common`` is the part of the instruments: it moves all runs with the
    same instruments alike, and no number of runs makes it smaller.
    """

    run: int
    """Place of the run in :attr:`Campaign.runs`."""
    level: Estimate
    u_common: float
    points: int


@dataclass(frozen=True, slots=True)
class GroupLevel:
    """Runs that share a firmware, a propeller or an article: their mean."""

    name: str
    runs: int
    mean: Estimate
    """``u`` is that of the mean by the scatter between runs; NaN with one run."""
    scatter: float
    """Standard deviation between runs; NaN with one run."""
    u_common: float
    """Of the instruments: mean of the runs' ``u_common``, the greatest it can be."""


@dataclass(frozen=True, slots=True)
class HoursTrend:
    """Straight line of a quantity over the recorded hours of one article."""

    article: str
    runs: int
    from_h: float
    to_h: float
    slope_per_h: Estimate
    """``u`` by the scatter of the runs about the line."""


@dataclass(frozen=True, slots=True)
class Trend:
    """One quantity over all runs."""

    key: str
    title: str
    unit: str
    levels: tuple[RunLevel, ...]
    groups: tuple[tuple[str, tuple[GroupLevel, ...]], ...]
    """By ``firmware``, ``article``, ``propeller``: each a word and its groups."""
    over_hours: tuple[HoursTrend, ...]
    set_points: int
    """Set-points that tie the runs together."""
    left_out: tuple[int, ...]
    """Runs that share no set-point, over no chain of others, with the most of them."""


@dataclass(frozen=True, slots=True)
class Campaign:
    """What a campaign found."""

    folder: str
    analysis: str
    analysis_version: str
    runs: tuple[CampaignRun, ...]
    skipped: tuple[SkippedRun, ...]
    trends: tuple[Trend, ...]
    rows: int
    table_sha256: str
    """Of the table as CSV."""
