"""Any number that a run has, compared like the losses: one value a run, blocks, intervals, verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.compare import blocked
from benchkit.analysis.compare.blocked import Order
from benchkit.analysis.compare.verdict import Verdict, verdicts
from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Metric:
    """One number a run: short name, label, unit, values (runs,), standard uncertainties (runs,), and which way is good.

    ``u`` is what is stated for the value of one run; it is shown and not used: what counts is how runs repeat.
    """

    name: str
    label: str
    unit: str
    values: FloatArray
    u: FloatArray
    lower_is_better: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class MetricRow:
    """A metric with the means of both sides, their standard uncertainty from repeats, and the verdict on B less A."""

    metric: Metric
    a: float
    b: float
    u_a: float
    u_b: float
    verdict: Verdict


def compare_metrics(metrics: Sequence[Metric], order: Order, refused: Sequence[str] = ()) -> tuple[MetricRow, ...]:
    """Judge metrics together: p-values are adjusted for all of them (Holm).

    A run without the number (NaN) is left out of that metric.

    Raises:
        UsageError: a metric with another number of values than there are runs.
    """
    rows: list[tuple[Metric, float, float, float]] = []
    for metric in metrics:
        if metric.values.shape != order.is_b.shape:
            raise UsageError(
                "one value a run", where=metric.name, got=metric.values.shape, expected=str(order.is_b.shape)
            )
        known = np.isfinite(metric.values)
        kept = Order(order.is_b[known], order.block[known], order.time_h[known])
        try:
            found = blocked.difference_of_sides(metric.values[known][:, None], kept, slopes=False)
            rows.append((metric, float(found.difference[0]), float(found.u[0]), float(found.dof)))
        except (UsageError, IndexError):
            d = _mean(metric.values[known & order.is_b]) - _mean(metric.values[known & ~order.is_b])
            rows.append((metric, d, np.nan, 0.0))
    found_verdicts: dict[int, Verdict] = {}
    for lower in (True, False):
        # adjusted over all; which way is good only words the answer
        all_of = verdicts(
            [r[1] for r in rows],
            [r[2] for r in rows],
            [r[3] for r in rows],
            lower_is_better=lower,
            refused=refused,
            unit="",
        )
        found_verdicts |= {i: v for i, v in enumerate(all_of) if rows[i][0].lower_is_better is lower}
    return tuple(
        MetricRow(
            metric,
            _mean(metric.values[~order.is_b]),
            _mean(metric.values[order.is_b]),
            _u_mean(metric.values[~order.is_b]),
            _u_mean(metric.values[order.is_b]),
            found_verdicts[i],
        )
        for i, (metric, *_) in enumerate(rows)
    )


def _mean(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else float("nan")


def _u_mean(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(known.std(ddof=1) / np.sqrt(known.size)) if known.size > 1 else float("nan")
