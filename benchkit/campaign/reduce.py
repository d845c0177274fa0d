"""Rows of many runs -> trends: by firmware, article, propeller and recorded hours. Formulas are in ``analysis``."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from benchkit.analysis.trends import grouped, line_over, mean_of_runs, run_levels, set_point_cells
from benchkit.campaign.entry import Entry
from benchkit.campaign.points import Row
from benchkit.model.results import Estimate
from benchkit.model.results_campaign import CampaignRun, GroupLevel, HoursTrend, RunLevel, Trend


@dataclass(frozen=True, slots=True)
class Metric:
    """A column that is followed over the runs; ``by_torque``: its set-points differ by torque as well as by speed."""

    key: str
    title: str
    unit: str
    by_torque: bool


METRICS = (
    Metric("drive_loss_w", "Loss of the drive", "W", True),
    Metric("inverter_loss_w", "Loss of the inverter", "W", True),
    Metric("motor_loss_w", "Loss of the motor", "W", True),
    Metric("drive_efficiency", "Efficiency of the drive", "1", True),
    Metric("ct", "Thrust coefficient CT", "1", False),
    Metric("cp", "Power coefficient CP", "1", False),
)
GROUPS = ("firmware", "article", "propeller")
NOT_SAID = "not said"
STILL_RPM = 5.0
"""Below this a shaft stands: no loss or efficiency is taken from such a point."""


def hours_before(entries: Sequence[Entry]) -> list[float]:
    """Recorded time of the article before each run [h], standstill included; runs are in the order of their start.

    NaN from the first run on whose length is not known.
    """
    total: dict[str, float] = {}
    hours = []
    for entry in entries:
        before = total.get(entry.article, 0.0)
        hours.append(before)
        total[entry.article] = before + (math.nan if entry.duration_s is None else entry.duration_s / 3600.0)
    return hours


def trends(runs: Sequence[CampaignRun], rows: Sequence[tuple[int, Row]]) -> tuple[Trend, ...]:
    """Every metric that was measured in two runs or more. ``rows`` go with the place of their run in ``runs``.

    Rows without ``speed_rpm`` and ``torque_nm``, such as those of an analysis of one's own, give none.
    """
    kept = [(run, row) for run, row in rows if not row.get("excluded")]
    found = (_trend(metric, runs, kept) for metric in METRICS)
    return tuple(trend for trend in found if trend is not None)


def _trend(metric: Metric, runs: Sequence[CampaignRun], rows: Sequence[tuple[int, Row]]) -> Trend | None:
    names = ("speed_rpm", "torque_nm") if metric.by_torque else ("speed_rpm",)
    used = [
        (run, row)
        for run, row in rows
        if _is_number(row.get(metric.key)) and all(_is_number(row.get(name)) for name in names)
        if abs(_float(row["speed_rpm"])) >= STILL_RPM
    ]
    if len({run for run, _ in used}) < 2:
        return None
    gaps = [max(_float(row.get(band, 0.0)) for _, row in used) for band in ("speed_band_rpm", "torque_band_nm")]
    cells = set_point_cells([[_float(row[name]) for name in names] for _, row in used], gaps[: len(names)])
    levels = run_levels([run for run, _ in used], cells, [_float(row[metric.key]) for _, row in used])
    common = _common(metric, used)
    told = tuple(
        RunLevel(int(run), _level(value, u, metric.unit, levels.dof), *common[int(run)])
        for run, value, u in zip(levels.runs, levels.level, levels.u, strict=True)
    )
    if len(told) < 2:
        return None
    groups = tuple((word, _groups(word, metric, runs, told)) for word in GROUPS)
    return Trend(
        metric.key,
        metric.title,
        metric.unit,
        told,
        groups,
        _over_hours(metric, runs, told),
        levels.cells,
        tuple(levels.left_out.tolist()),
    )


def _level(value: float, u: float, unit: str, dof: int) -> Estimate:
    """A level as an estimate; without degrees of freedom nothing is said about its scatter."""
    return Estimate(float(value), float(u), unit, float(dof) if dof else math.inf)


def _common(metric: Metric, used: Sequence[tuple[int, Row]]) -> dict[int, tuple[float, int]]:
    """Mean standard uncertainty of the points of each run, and their number.

    The errors of the instruments are the same at all points of a run or nearly so: that of the mean is at most the
    mean of theirs, whatever their correlation.
    """
    of_run: dict[int, list[float]] = {}
    for run, row in used:
        of_run.setdefault(run, []).append(_float(row.get(f"u_{metric.key}")))
    return {run: (float(np.mean(values)), len(values)) for run, values in of_run.items()}


def _groups(
    word: str, metric: Metric, runs: Sequence[CampaignRun], levels: Sequence[RunLevel]
) -> tuple[GroupLevel, ...]:
    members: Mapping[object, list[int]] = grouped([getattr(runs[each.run], word) or NOT_SAID for each in levels])
    found = []
    for name in sorted(members, key=str):
        mine = [levels[place] for place in members[name]]
        values = [each.level.value for each in mine]
        found.append(
            GroupLevel(
                str(name),
                len(mine),
                mean_of_runs(values, metric.unit),
                float(np.std(values, ddof=1)) if len(values) > 1 else math.nan,
                float(np.mean([each.u_common for each in mine])),
            )
        )
    return tuple(found)


def _over_hours(metric: Metric, runs: Sequence[CampaignRun], levels: Sequence[RunLevel]) -> tuple[HoursTrend, ...]:
    members = grouped([runs[each.run].article or NOT_SAID for each in levels])
    found = []
    for name in sorted(members, key=str):
        mine = [levels[place] for place in members[name]]
        hours = [runs[each.run].hours for each in mine]
        unit = f"{metric.unit}/h"
        slope = line_over(hours, [each.level.value for each in mine], unit)
        if slope is not None:
            known = [h for h in hours if math.isfinite(h)]
            found.append(HoursTrend(str(name), len(known), min(known), max(known), slope))
    return tuple(found)


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def _float(value: object) -> float:
    return float(value) if isinstance(value, (int, float)) else math.nan
