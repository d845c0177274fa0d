"""Any number that a run has, compared like the losses: one value a run, blocks, intervals, verdict.

Values are judged by how runs repeat, in blocks; counts by exact tests of the counts of each side together (see
:mod:`~benchkit.analysis.compare.counted`). All p-values of the table are adjusted together.

Source: the tests are those of :mod:`~benchkit.analysis.compare.statistics`; what is judged is a rule of this project.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchkit.analysis.compare import blocked
from benchkit.analysis.compare.blocked import Order
from benchkit.analysis.compare.counted import equal_rates, equal_shares, ratio_of_rates
from benchkit.analysis.compare.verdict import Verdict, Word, verdicts
from benchkit.analysis.signals.counts import rate_per_hour, share
from benchkit.analysis.signals.run_metrics import averaged
from benchkit.errors import UsageError
from benchkit.model.metrics import Metric

FloatArray = npt.NDArray[np.float64]

MORE_IS_BETTER = ("start_reliability", "fault_reaction", "time_to_limit")
NO_WAY_IS_BETTER = ("switching_frequency", "dead_time", "torque_step_amplitude", "speed_step_amplitude")
"""A difference is told, and is neither gain nor loss."""
AS_MEASURED = ("inverter_loss", "motor_loss", "system_loss")
"""Levels beside the losses of the map; these are corrected, and judged."""
SPEED_OF_BURST = "electrical_frequency"
SAME_SPEED = 0.02
"""Relative. Bursts of runs whose electrical frequencies differ by more were taken at other operating points."""


@dataclass(frozen=True, slots=True, eq=False)
class MetricColumn:
    """One metric of all runs: ``of_runs`` in their order, None where a run has it not.

    ``lower_is_better`` None: neither way is. ``not_judged`` says why it is shown and not judged; empty: it is judged.
    ``label`` empty: that of the name.
    """

    name: str
    unit: str
    of_runs: tuple[Metric | None, ...]
    lower_is_better: bool | None = True
    label: str = ""
    region: str = ""
    not_judged: str = ""

    @property
    def values(self) -> FloatArray:
        """Value of every run (runs,) in the unit of the metric; NaN where it has none."""
        return np.array([math.nan if metric is None else metric.value for metric in self.of_runs])

    @property
    def is_counted(self) -> bool:
        """True for shares and rates."""
        return any(metric is not None and metric.counted is not None for metric in self.of_runs)


@dataclass(frozen=True, slots=True, eq=False)
class MetricRow:
    """A metric with both sides and the verdict on B less A; None: not judged.

    ``a`` and ``b`` are means with their standard uncertainty from repeats, of counts the share or rate of all runs of
    the side together with its exact interval.
    """

    metric: MetricColumn
    a: Metric
    b: Metric
    verdict: Verdict | None


def columns_of(runs: Sequence[Sequence[Metric]]) -> list[MetricColumn]:
    """Metrics of runs side by side, in the order in which they first appear.

    Metrics of one name and region in a run are averaged. A value that half of the
    runs lack is left out.
    """
    own = [_by_key(metrics) for metrics in runs]
    found = []
    for key in dict.fromkeys(key for metrics in own for key in metrics):
        of_runs = tuple(metrics.get(key) for metrics in own)
        measured = [m for m in of_runs if m is not None and m.is_measured]
        is_counted = any(m.counted is not None for m in measured)
        if not measured or (2 * len(measured) <= len(runs) and not is_counted):
            continue
        name, region = key
        way = None if name in NO_WAY_IS_BETTER else name not in MORE_IS_BETTER
        found.append(MetricColumn(name, measured[0].unit, of_runs, way, region=region, not_judged=_why_not(key, own)))
    return found


def _by_key(metrics: Iterable[Metric]) -> dict[tuple[str, str], Metric]:
    groups: dict[tuple[str, str], list[Metric]] = {}
    for metric in metrics:
        groups.setdefault((metric.name, metric.region), []).append(metric)
    return {key: averaged(group) for key, group in groups.items()}


def _why_not(key: tuple[str, str], own: Sequence[dict[tuple[str, str], Metric]]) -> str:
    name, region = key
    column = [metrics.get(key) for metrics in own]
    if name in AS_MEASURED:
        return "level as measured, not corrected"
    if name == SPEED_OF_BURST:
        return "where the bursts were taken"
    if name == "time_to_limit" and not all(m is not None and m.is_measured for m in column):
        return "some runs never reach the limit"
    if len({m.averaged for m in column if m is not None and m.is_measured}) > 1:
        return "another number of single values in some runs"
    speeds = np.array([m.value for metrics in own if (m := metrics.get((SPEED_OF_BURST, region))) is not None])
    if region and speeds.size and float(np.ptp(speeds)) > SAME_SPEED * float(np.abs(speeds).mean()):
        return "bursts at other speeds"
    return ""


def compare_metrics(
    metrics: Sequence[MetricColumn], order: Order, refused: Sequence[str] = ()
) -> tuple[MetricRow, ...]:
    """Judge metrics together: p-values are adjusted for all of them (Holm).

    A run without the number (NaN) is left out of that metric. Counts of which neither side has any event, or of shares
    any failure, cannot tell the sides apart: they are not part of the adjustment.

    Raises:
        UsageError: a metric with another number of values than there are runs.
    """
    sides: list[tuple[Metric, Metric]] = []
    for metric in metrics:
        if metric.values.shape != order.is_b.shape:
            raise UsageError(
                "one value a run", where=metric.name, got=metric.values.shape, expected=str(order.is_b.shape)
            )
        sides.append((_side(metric, ~order.is_b), _side(metric, order.is_b)))
    judged = [k for k, metric in enumerate(metrics) if not metric.not_judged]
    tested = [_tested(metrics[k], *sides[k], order) for k in judged]
    difference, u, dof, exact = (list(part) for part in zip(*tested, strict=True)) if tested else ([], [], [], [])
    found: dict[int, Verdict] = {}
    for lower in (True, False, None):
        # adjusted over all; which way is good only words the answer
        all_of = verdicts(difference, u, dof, lower_is_better=lower, refused=refused, unit="", p_values=exact)
        found |= {k: v for k, v in zip(judged, all_of, strict=True) if metrics[k].lower_is_better is lower}
    return tuple(
        MetricRow(metric, *sides[k], verdict=_of_counts(found.get(k), metric, *sides[k]))
        for k, metric in enumerate(metrics)
    )


def _side(metric: MetricColumn, of_side: npt.NDArray[np.bool_]) -> Metric:
    own = [m for m, is_in in zip(metric.of_runs, of_side, strict=True) if is_in and m is not None and m.is_measured]
    if metric.is_counted:
        counts = [m.counted for m in own if m.counted is not None]
        events, of = sum(c.events for c in counts), math.fsum(c.of for c in counts)
        if not counts:
            return Metric(metric.name, math.nan, math.nan, metric.unit, "nothing to count", metric.region)
        if counts[0].is_share:
            return share(metric.name, events, round(of), region=metric.region)
        return rate_per_hour(metric.name, events, of, region=metric.region)
    values = np.array([m.value for m in own])
    mean = float(values.mean()) if values.size else math.nan
    u = float(values.std(ddof=1) / np.sqrt(values.size)) if values.size > 1 else math.nan
    note = own[0].note if own else ""
    return Metric(metric.name, mean, u, metric.unit, note, metric.region, averaged=values.size)


def _tested(metric: MetricColumn, a: Metric, b: Metric, order: Order) -> tuple[float, float, float, float]:
    """Difference, its u, degrees of freedom, and the exact p-value of counts (NaN: by Student's t)."""
    if metric.is_counted:
        return b.value - a.value, math.nan, 0.0, _p_exact(a, b)
    values = metric.values
    known = np.isfinite(values)
    kept = Order(order.is_b[known], order.block[known], order.time_h[known])
    try:
        found = blocked.difference_of_sides(values[known][:, None], kept, slopes=False)
        return float(found.difference[0]), float(found.u[0]), float(found.dof), math.nan
    except (UsageError, IndexError):
        return b.value - a.value, math.nan, 0.0, math.nan


def _p_exact(a: Metric, b: Metric) -> float:
    if a.counted is None or b.counted is None:
        return math.nan
    events = a.counted.events + b.counted.events
    if events == 0:
        return math.nan
    if not a.counted.is_share:
        return equal_rates(a.counted.events, a.counted.of, b.counted.events, b.counted.of)
    trials = round(a.counted.of), round(b.counted.of)
    if events == sum(trials):
        return math.nan
    return equal_shares(a.counted.events, trials[0], b.counted.events, trials[1])


def _of_counts(verdict: Verdict | None, metric: MetricColumn, a: Metric, b: Metric) -> Verdict | None:
    """The words of a verdict on counts: the counts themselves, and the ratio of rates with its exact interval."""
    if verdict is None or verdict.word is Word.REFUSED or not metric.is_counted:
        return verdict
    if a.counted is None or b.counted is None:
        return replace(verdict, text="not shown: nothing to count on one side")
    if a.counted.is_share:
        counts = f"{b.counted.events} of {b.counted.of:g} against {a.counted.events} of {a.counted.of:g}"
        return replace(verdict, text=f"{verdict.word} ({counts})")
    counts = f"{b.counted.events} in {b.counted.of:.3g} h against {a.counted.events} in {a.counted.of:.3g} h"
    low, high = ratio_of_rates(a.counted.events, a.counted.of, b.counted.events, b.counted.of)
    if not math.isfinite(high):
        bounds = f"; ratio {low:.2g} or more" if low > 0.0 else ""
    else:
        bounds = f"; ratio {low:.2g} … {high:.2g}"
    return replace(verdict, text=f"{verdict.word} ({counts}{bounds})")
