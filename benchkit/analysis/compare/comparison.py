"""Two sets of runs -> what is different, where, and whether that was shown. The order of the steps.

1. Sides, order, blocks. 2. Common operating points. 3. Shared shape, corrections, what is left of each run.
4. Drift by reference points. 5. One value a run and region; difference by blocks. 6. Doubt about the corrections added.
7. Verdicts.

Source: the order of the steps is a rule of this project; each step has its source in its own module.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from benchkit.analysis.compare import blocked
from benchkit.analysis.compare.blocked import BlockedDifference, Order
from benchkit.analysis.compare.correction import CAUSES, Corrected, corrections
from benchkit.analysis.compare.data import SUBJECTS, RunData
from benchkit.analysis.compare.metrics import MetricColumn, MetricRow, columns_of, compare_metrics
from benchkit.analysis.compare.order import Block, Drift, drifts, order_of
from benchkit.analysis.compare.pairing import (
    MATTERS,
    Confounder,
    Treatment,
    measured_differences,
    one_firmware,
    order_differences,
    stated_differences,
)
from benchkit.analysis.compare.surfaces import (
    CommonPoints,
    common_points,
    local_weights,
    region_means,
    shared_shape,
)
from benchkit.analysis.compare.verdict import Verdict, verdicts
from benchkit.errors import UsageError, did_you_mean
from benchkit.model.metrics import Metric

FloatArray = npt.NDArray[np.float64]

INTERACTION = 0.01
"""Below this p-value the difference is taken as another from block to block."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What the person who compares decides.

    ``divide``: parts of the map along speed and torque. ``margin``: per cent of the input power that still counts as
    equal; NaN: not asked. ``rule``: for many regions, see :mod:`~benchkit.analysis.compare.verdict`. ``matters``: the
    difference that matters, per cent of the input power. ``accepted``: refused differences that are accepted, by name,
    with the reason. ``subjects``: whose losses are compared, as far as they are measured.
    """

    divide: tuple[int, int] = (3, 3)
    margin: float = math.nan
    rule: str = "holm"
    matters: float = MATTERS
    accepted: Mapping[str, str] = field(default_factory=dict)
    subjects: tuple[str, ...] = SUBJECTS


@dataclass(frozen=True, slots=True, eq=False)
class LossComparison:
    """Losses of one subject: by region and for the whole map. Per cent of the input power, B less A.

    ``values`` (runs, regions + 1) holds the level of every run, the whole map last; ``scatter`` its part from the
    scatter of the points. ``points`` are difference and its u at every common point (m,). ``correction`` is by cause
    the difference that was taken out (regions + 1,), ``correction_u`` what is not known of it.
    """

    subject: str
    values: FloatArray
    scatter: FloatArray
    found: BlockedDifference
    difference: FloatArray
    u: FloatArray
    dof: FloatArray
    difference_w: FloatArray
    points: tuple[FloatArray, FloatArray]
    correction: Mapping[str, FloatArray]
    correction_u: Mapping[str, FloatArray]
    drifts: tuple[Drift, ...]
    p_permuted: FloatArray
    p_permuted_least: float
    p_interaction: float
    regions: tuple[Verdict, ...]
    whole: Verdict


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Everything that is said about B against A."""

    runs: tuple[RunData, ...]
    order: Order
    blocks: tuple[Block, ...]
    points: CommonPoints
    confounders: tuple[Confounder, ...]
    losses: tuple[LossComparison, ...]
    metrics: tuple[MetricRow, ...]
    settings: Settings

    @property
    def a(self) -> tuple[RunData, ...]:
        """Runs of the firmware that was there before."""
        return tuple(r for r, s in zip(self.runs, self.order.is_b, strict=True) if not s)

    @property
    def b(self) -> tuple[RunData, ...]:
        """Runs of the firmware in question."""
        return tuple(r for r, s in zip(self.runs, self.order.is_b, strict=True) if s)

    @property
    def refused(self) -> tuple[Confounder, ...]:
        """Differences that forbid a verdict."""
        return tuple(c for c in self.confounders if c.treatment is Treatment.REFUSED)

    @property
    def refused_or_marked(self) -> tuple[Confounder, ...]:
        """Differences that a reader has to weigh, the accepted ones among them."""
        weighed = (Treatment.REFUSED, Treatment.MARKED, Treatment.ACCEPTED)
        return tuple(c for c in self.confounders if c.treatment in weighed)

    @property
    def is_same_firmware(self) -> bool:
        """Both sides have one hash: the comparison tests the bench."""
        return self.runs[0].firmware == self.b[0].firmware


def compare(
    a: Sequence[RunData], b: Sequence[RunData], settings: Settings | None = None, metrics: Sequence[MetricColumn] = ()
) -> Comparison:
    """Compare the runs of firmware B with those of firmware A.

    Args:
        a, b: runs of either firmware, in any order; their times say how they were mixed.
        settings: see :class:`Settings`.
        metrics: further numbers, one a run of ``(*a, *b)`` in that order.

    Raises:
        UsageError: several firmwares on a side, too few common points, an unknown name that is accepted.
    """
    chosen = settings or Settings()
    one_firmware(a, "A")
    one_firmware(b, "B")
    runs = (*a, *b)
    order, blocks = order_of(runs, [False] * len(a) + [True] * len(b))
    points = common_points(runs, chosen.divide)
    weights = [local_weights(run, points) for run in runs]
    found = stated_differences(a, b) + measured_differences(runs, order.is_b, weights, chosen.matters)
    confounders = _accepted([*found, *order_differences(blocks)], chosen.accepted)
    refused = [c.label.lower() for c in confounders if c.treatment is Treatment.REFUSED]
    losses = tuple(
        _losses(subject, runs, order, points, weights, chosen, refused)
        for subject in chosen.subjects
        if all(subject in run.loss_w for run in runs)
    )
    named = (*_loss_metrics(losses), *columns_of([run.metrics for run in runs]), *metrics)
    rows = compare_metrics(named, order, refused)
    return Comparison(runs, order, blocks, points, tuple(confounders), losses, rows, chosen)


def _accepted(found: Sequence[Confounder], accepted: Mapping[str, str]) -> list[Confounder]:
    names = [c.name for c in found]
    for name, reason in accepted.items():
        if name not in names:
            raise UsageError(
                "nothing of that name differs", got=name, expected=", ".join(names), remedy=did_you_mean(name, names)
            )
        if not reason.strip():
            raise UsageError("a difference is accepted with a reason", where=name, remedy=f"Write {name}=REASON.")
    return [
        replace(c, treatment=Treatment.ACCEPTED, meaning=f"{c.meaning}; accepted: {accepted[c.name]}")
        if c.treatment is Treatment.REFUSED and c.name in accepted
        else c
        for c in found
    ]


def shares_left(
    subject: str, runs: Sequence[RunData]
) -> tuple[list[FloatArray], list[FloatArray], tuple[Corrected, ...]]:
    """Of each run what the shared shape leaves of its corrected loss (n,) and its scatter (n,), both shares of the
    input power [1], and the corrections."""
    speed, torque = (np.concatenate([getattr(r, n) for r in runs]) for n in ("speed_rpm", "torque_nm"))
    power = np.concatenate([run.input_w for run in runs])
    floor = 0.02 * float(np.max(power))
    own = np.maximum(power, floor)
    copper_of = "motor" if all("motor" in run.loss_w for run in runs) else "drive"
    resistive = shared_shape(
        speed, torque, np.concatenate([run.loss_w[copper_of] for run in runs]), own, ("1", "T^2", "n", "n^2")
    )
    corrected = corrections(runs, subject, resistive)
    losses = [run.loss_w[subject] + c.total_w for run, c in zip(runs, corrected, strict=True)]
    shape = shared_shape(speed, torque, np.concatenate(losses), own)
    left = [
        (loss - shape.loss_w(run.speed_rpm, run.torque_nm)) / run.input_w
        for run, loss in zip(runs, losses, strict=True)
    ]
    return left, [run.u_loss_w[subject] / run.input_w for run in runs], corrected


def run_levels(subject: str, runs: Sequence[RunData]) -> FloatArray:
    """Loss of every run over the common points, off the mean of all (runs,) [% of the input power]."""
    points = common_points(runs)
    left, _, _ = shares_left(subject, runs)
    average = region_means(points)[-1]
    values = np.array([average @ local_weights(run, points) @ z for run, z in zip(runs, left, strict=True)])
    return np.asarray(100.0 * (values - values.mean()))


def _losses(
    subject: str,
    runs: Sequence[RunData],
    order: Order,
    points: CommonPoints,
    weights: Sequence[FloatArray],
    settings: Settings,
    refused: Sequence[str],
) -> LossComparison:
    left, scatter, corrected = shares_left(subject, runs)
    drift = drifts(runs, order, left)
    left = [_without_drift(z, run, drift, order, k) for k, (z, run) in enumerate(zip(left, runs, strict=True))]
    average = region_means(points)
    at_points = 100.0 * np.stack([w @ z for w, z in zip(weights, left, strict=True)])
    values = at_points @ average.T
    u_values = np.stack([100.0 * np.sqrt((average @ w) ** 2 @ s**2) for w, s in zip(weights, scatter, strict=True)])
    found, p_interaction = _difference(values, order)
    each = _difference(at_points, order)[0]
    watts = at_points * points.input_w[None, :] / 100.0
    difference_w = _difference(watts @ average.T, order)[0].difference
    taken = {
        cause: _difference(_correction_values(cause, runs, corrected, weights, average), order)[0].difference
        for cause in CAUSES
    }
    doubt = {cause: np.abs(taken[cause]) * max(c.doubt[cause] for c in corrected) for cause in CAUSES}
    drift_u = _drift_doubt(drift, order)
    systematic = np.sqrt(np.sum([d**2 for d in doubt.values()], axis=0) + drift_u**2)
    u = np.hypot(found.u, systematic)
    with np.errstate(divide="ignore", invalid="ignore"):
        dof = np.where(found.u > 0.0, found.dof * (u / found.u) ** 4, found.dof)
    permuted = blocked.rearranged(values, order, slopes=True)
    judged = {"rule": settings.rule, "margin": settings.margin, "refused": refused}
    return LossComparison(
        subject=subject,
        values=values,
        scatter=u_values,
        found=found,
        difference=found.difference,
        u=u,
        dof=dof,
        difference_w=difference_w,
        points=(each.difference, each.u),
        correction=taken,
        correction_u=doubt,
        drifts=drift,
        p_permuted=np.full(u.shape, np.nan) if permuted is None else permuted.p_value,
        p_permuted_least=math.nan if permuted is None else permuted.least_p,
        p_interaction=p_interaction,
        regions=verdicts(found.difference[:-1], u[:-1], dof[:-1], **judged),  # type: ignore[arg-type]
        whole=verdicts(found.difference[-1:], u[-1:], dof[-1:], **judged)[0],  # type: ignore[arg-type]
    )


def _difference(values: FloatArray, order: Order) -> tuple[BlockedDifference, float]:
    """Difference by blocks; block by block where it is not the same in all of them (judged on the last column)."""
    try:
        found = blocked.difference_of_sides(values, order, slopes=True)
    except UsageError:
        return _unjudged(values, order), math.nan
    if not found.method.startswith("within blocks") or found.dof < 1.0:
        return found, math.nan
    p = blocked.interaction(values[:, -1], order)
    if p < INTERACTION and np.unique(order.block).size > 2:
        return blocked.block_by_block(values, order), p
    return found, p


def _unjudged(values: FloatArray, order: Order) -> BlockedDifference:
    """Too few runs or days to tell how they repeat: a difference, and nothing to judge it by."""
    d = values[order.is_b].mean(axis=0) - values[~order.is_b].mean(axis=0)
    unknown = np.full(d.shape, np.nan)
    return BlockedDifference(d, unknown, 0.0, unknown, "not judged: one run or one day of a side does not repeat")


def _removed(drift: Sequence[Drift], order: Order) -> list[Drift]:
    """Drifts that are taken out by reference points: of blocks in which no straight line is fitted to the runs."""
    return [d for d in drift if d.is_known and d.block not in order.with_slope]


def _drift_doubt(drift: Sequence[Drift], order: Order) -> float:
    """What is not known of these drifts, in the difference, per cent of the input power."""
    parts = []
    for known in _removed(drift, order):
        pattern = np.where(order.block == known.block, order.time_h, 0.0)[:, None]
        try:
            parts.append(100.0 * known.u * float(blocked.within_blocks(pattern, order).difference[0]))
        except UsageError:
            continue  # blocks of one side: their drift is in the scatter of the blocks
    return math.sqrt(math.fsum(p**2 for p in parts))


def _without_drift(left: FloatArray, run: RunData, drift: Sequence[Drift], order: Order, index: int) -> FloatArray:
    known = next((d for d in _removed(drift, order) if d.block == order.block[index]), None)
    if known is None:
        return left
    middle = float(np.mean(order.time_h[order.block == known.block]))
    hours = order.time_h[index] + (run.time_s - run.middle_s) / 3600.0
    return np.asarray(left - known.slope * (hours - middle))


def _correction_values(
    cause: str,
    runs: Sequence[RunData],
    corrected: Sequence[Corrected],
    weights: Sequence[FloatArray],
    average: FloatArray,
) -> FloatArray:
    """Correction of every run and region, per cent of the input power (runs, regions + 1)."""
    shares = [c.added_w[cause] / run.input_w for run, c in zip(runs, corrected, strict=True)]
    return 100.0 * np.stack([w @ z for w, z in zip(weights, shares, strict=True)]) @ average.T


def _loss_metrics(losses: Sequence[LossComparison]) -> list[MetricColumn]:
    found = []
    for loss in losses:
        name = f"{loss.subject}_loss_share"
        pairs = zip(loss.values[:, -1].tolist(), loss.scatter[:, -1].tolist(), strict=True)
        of_runs = tuple(Metric(name, value, u, "%") for value, u in pairs)
        label = f"{loss.subject.capitalize()} loss over the map"
        found.append(MetricColumn(name, "%", of_runs, label=label))
    return found
