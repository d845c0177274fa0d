"""Efficiency maps from 60 points: how far off at points that were not measured, and how often the interval holds them.

Reference in the same run: scipy's ``griddata`` (linear, rescaled) and ``RBFInterpolator`` (thin plate) through the same
measured losses.

All figures together are taken of fewer runs of each truth and other form (:data:`SHORT`); ``--only`` one of them, of
all (:data:`WHOLE`). The coverage of the simulated stand takes all in both: a share of fewer would not settle its goal.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from benchkit.analysis.efficiency_map import efficiency_of, fit_map, losses_over
from benchkit.analysis.hull import is_inside
from benchkit.analysis.map_points import losses_of
from benchkit.model.stand import Role
from tests.analysis.map_truths import (
    OMEGA,
    OTHER_FORMS,
    Measured,
    Pool,
    other_pool,
    stand_pool,
)
from tests.analysis.map_truths import (
    measure as measured_run,
)
from tests.bench.cores import on_all_cores
from tests.bench.figure import Figure, at_least, at_most, between

FloatArray = npt.NDArray[np.float64]
NAMES = (
    "map_loss_error_median_pct",
    "map_loss_error_worst_truth_pct",
    "map_vs_griddata_ratio",
    "map_vs_rbf_ratio",
    "map_vs_griddata_worst_ratio",
    "map_vs_rbf_worst_ratio",
    "map_outside_hull_values",
    "coverage_map_shape",
    "coverage_map",
    "coverage_map_efficiency",
    "coverage_map_other_forms",
    "coverage_map_generating",
)
K95 = 1.959964


@dataclass(frozen=True, slots=True)
class Runs:
    """How many simulated runs stand behind the figures."""

    a_truth: int
    coverage: int
    a_form: int
    """Of each other form."""
    generating: int


WHOLE, SHORT = Runs(20, 500, 40, 100), Runs(8, 500, 14, 100)


def measure() -> Iterator[Figure]:
    """Errors and ratios over all truths, then coverage."""
    yield from _measure(WHOLE)


def measure_short() -> Iterator[Figure]:
    """The same of fewer runs, where all figures are taken."""
    yield from _measure(SHORT)


def _measure(runs: Runs) -> Iterator[Figure]:
    half = runs.coverage // 2
    errors, one, other = on_all_cores(_piece, [runs.a_truth, range(half), range(half, runs.coverage)])
    yield from errors
    shapes = [_coverage(other_pool(name), range(runs.a_form), calibrated=0.0)[0] for name in OTHER_FORMS]
    yield at_least("coverage_map_shape", float(np.mean(shapes)), "% inside", 93.0)
    losses, efficiencies = (_percent([*first, *second]) for first, second in zip(one, other, strict=True))
    yield between("coverage_map", losses, "% inside", 93.0, 97.0)
    yield between("coverage_map_efficiency", efficiencies, "% inside", 93.0, 97.0)
    first = range(0, len(OTHER_FORMS) * runs.a_form, runs.a_form)
    shares = [
        _coverage(other_pool(name), range(start, start + runs.a_form))[0]
        for name, start in zip(OTHER_FORMS, first, strict=True)
    ]
    yield between("coverage_map_other_forms", float(np.mean(shares)), "% inside", 93.0, 97.0)
    generating, _ = _coverage(stand_pool(-130.0, -20.0), range(runs.generating))
    yield between("coverage_map_generating", generating, "% inside", 93.0, 97.0)


def _piece(piece: int | range) -> Any:
    """Figures of the errors over so many runs of each truth; or what :func:`_inside` says of runs of the stand."""
    return list(_errors(piece)) if isinstance(piece, int) else _inside(stand_pool(), piece)


def _errors(runs_a_truth: int) -> Iterator[Figure]:
    """Errors with the calibration errors of the runs in them; ratios without: those move all methods alike."""
    pools = (stand_pool(), *(other_pool(name) for name in OTHER_FORMS))
    whole = [np.concatenate([_one_run(pool, seed, 1.0)[0] for seed in range(runs_a_truth)]) for pool in pools]
    yield at_most("map_loss_error_median_pct", 100.0 * float(np.median(np.concatenate(whole))), "%", 3.0)
    yield at_most("map_loss_error_worst_truth_pct", 100.0 * max(float(np.median(errors)) for errors in whole), "%", 3.0)
    runs = [[_one_run(pool, seed, 0.0) for seed in range(runs_a_truth)] for pool in pools]
    ours, grid, rbf = ([np.concatenate([run[k] for run in found]) for found in runs] for k in range(3))
    for name, theirs in (("griddata", grid), ("rbf", rbf)):
        ratio = float(np.median(np.concatenate(ours)) / np.median(np.concatenate(theirs)))
        yield Figure(f"map_vs_{name}_ratio", ratio, "", "< 1", ratio < 1.0)
        worst = max(float(np.median(a) / np.median(b)) for a, b in zip(ours, theirs, strict=True))
        yield Figure(f"map_vs_{name}_worst_ratio", worst, "", "< 1", worst < 1.0)
    yield at_most("map_outside_hull_values", float(sum(run[3] for found in runs for run in found)), "values", 0.0)


def _one_run(pool: Pool, seed: int, calibrated: float) -> tuple[FloatArray, FloatArray, FloatArray, int]:
    """Relative errors at held-out points of the map, of griddata and of RBF; values given outside the hull."""
    from scipy.interpolate import RBFInterpolator, griddata

    run = measured_run(pool, seed, calibrated)
    n, T, true = _held_out(pool, run)
    fit = fit_map(run.points, "drive")
    at, loss = _axes(run.points.means[Role.SPEED], run.points.means[Role.TORQUE]), losses_of(run.points.means)["drive"]
    found = losses_over(fit, "drive", n, T).loss_w
    linear = griddata(at, loss, _axes(n, T), rescale=True)
    thin_plate = RBFInterpolator(at, loss)(_axes(n, T))
    good = np.isfinite(found) & np.isfinite(linear)
    rim_n, rim_t = (x.ravel() for x in np.meshgrid(np.linspace(0, 5000, 30), np.linspace(-20, 200, 30)))
    out = ~is_inside(fit.hull, rim_n, rim_t)
    given = int(np.sum(np.isfinite(losses_over(fit, "drive", rim_n[out], rim_t[out]).loss_w)))
    errors = [np.abs(values - true)[good] / true[good] for values in (found, linear, thin_plate)]
    return errors[0], errors[1], errors[2], given


def _axes(n: FloatArray, T: FloatArray) -> FloatArray:
    return np.stack([n / 2500.0, T / 110.0], axis=1)


def _held_out(pool: Pool, run: Measured) -> tuple[FloatArray, FloatArray, FloatArray]:
    return pool.speed[run.held_out], pool.torque[run.held_out], pool.drive_loss[run.held_out]


def _coverage(pool: Pool, seeds: range, calibrated: float = 1.0) -> tuple[float, float]:
    """Percent of unmeasured points inside the hull whose 95 % interval holds the truth: of loss, and of efficiency."""
    losses, efficiencies = _inside(pool, seeds, calibrated)
    return _percent(losses), _percent(efficiencies)


def _percent(inside: list[FloatArray]) -> float:
    return 100.0 * float(np.mean(np.concatenate(inside)))


def _inside(pool: Pool, seeds: range, calibrated: float = 1.0) -> tuple[list[FloatArray], list[FloatArray]]:
    """Of each run, which unmeasured points inside the hull have a 95 % interval that holds the truth: of loss, of
    efficiency.

    Without calibration errors the interval is that of scatter and lack of fit alone.
    """
    inside: list[FloatArray] = []
    inside_eta: list[FloatArray] = []
    for seed in seeds:
        run = measured_run(pool, seed, calibrated)
        n, T, true = _held_out(pool, run)
        found = losses_over(fit_map(run.points, "drive"), "drive", n, T)
        good = np.isfinite(found.loss_w)
        u = found.u_w if calibrated else np.sqrt(found.variance)
        inside.append((np.abs(found.loss_w - true) <= K95 * u)[good])
        shaft = OMEGA * n * T
        eta = efficiency_of(shaft, found.loss_w)
        slope = np.where(shaft < 0.0, 1.0 / shaft, shaft / (shaft + found.loss_w) ** 2)
        inside_eta.append((np.abs(eta - efficiency_of(shaft, true)) <= K95 * np.abs(slope) * u)[good])
    return inside, inside_eta
