"""Levels of many runs over set-points that not all of them share; means of groups; lines over hours.

A reading of run i at set-point j is taken as ``y_ij = a_i + c_j + e_ij`` (1): what the run adds, what the set-point
asks for, and scatter. The level of a run is ``L_i = a_i + mean(c)`` (2): what it would read on the average of all
set-points. Least squares over (1) need not have every run at every set-point, only a chain of shared ones.

Source: two-way classification without interaction, unequal numbers in the cells: H. Scheffé, The Analysis of Variance,
Wiley 1959, chapter 4. Lines and means: JCGM 100:2008, 4.2 and H.3.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.model.results import Estimate

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """Levels of runs. ``runs`` (m,) are the labels, ``level`` and ``u`` (m,) go with them; ``dof`` is that of the
    scatter. ``cells`` counts the set-points that tie them together; ``left_out`` are the labels without a tie."""

    runs: IntArray
    level: FloatArray
    u: FloatArray
    dof: int
    cells: int
    left_out: IntArray


def set_point_cells(places: npt.ArrayLike, gaps: Sequence[float]) -> IntArray:
    """Number of the set-point (n,) of every reading, from its place (n, k), such as speed [rpm] and torque [N·m].

    Along each axis in turn, places belong together as long as no gap between neighbours is wider than ``gaps`` (k,).
    The order of the readings makes no difference to which belong together.

    >>> set_point_cells([[1000.0, 20.0], [1999.0, 20.0], [2001.0, 20.5], [2000.0, 80.0]], [25.0, 2.0]).tolist()
    [0, 1, 1, 2]
    """
    at = np.asarray(places, dtype=np.float64).reshape(-1, len(gaps))
    cells = np.zeros(len(at), dtype=np.int64)
    for axis, gap in enumerate(gaps):
        order = np.lexsort((at[:, axis], cells))
        is_new = np.empty(len(at), dtype=bool)
        is_new[:1] = False
        is_new[1:] = (np.diff(cells[order]) != 0) | (np.diff(at[order, axis]) > gap)
        split = np.empty_like(cells)
        split[order] = np.cumsum(is_new)
        cells = split
    return cells


def run_levels(runs: npt.ArrayLike, cells: npt.ArrayLike, values: npt.ArrayLike) -> Levels:
    """Levels (2) of runs by least squares over (1), each with its standard uncertainty from the
    scatter, in the unit of the values.

    ``runs`` and ``cells`` (n,) are whole numbers, ``values`` (n,); NaN is left out. Runs are eliminated first, so that
    only a system as large as the number of set-points is solved. Of sets of runs that share no set-point the largest
    is taken. ``u`` is NaN where no reading is left over to see scatter by.

    ``var(L_i) = s² (1/n_i + w_i' C⁺ w_i)`` with ``w_ij = 1/J - n_ij/n_i`` (3), ``C`` the matrix of the normal equations
    of the set-points.
    """
    y = np.asarray(values, dtype=np.float64)
    is_known = np.isfinite(y)
    run, cell, y = np.asarray(runs)[is_known], np.asarray(cells)[is_known], y[is_known]
    every = np.unique(np.asarray(runs, dtype=np.int64))
    inside = _largest_tied(run, cell)
    run, cell, y = run[inside], cell[inside], y[inside]
    labels, i = np.unique(run.astype(np.int64), return_inverse=True)
    places, j = np.unique(cell, return_inverse=True)
    m, k, n = len(labels), len(places), len(y)
    left_out = np.setdiff1d(every, labels)
    if n == 0:
        return Levels(labels, np.empty(0), np.empty(0), 0, 0, left_out)
    # readings of each run at each set-point, as a table of runs by set-points
    counts = np.zeros((m, k))
    np.add.at(counts, (i, j), 1.0)
    per_run = counts.sum(axis=1)
    shares = counts / per_run[:, None]
    run_mean = np.bincount(i, y, m) / per_run
    normal = np.diag(counts.sum(axis=0)) - counts.T @ shares
    right = np.bincount(j, y - run_mean[i], k)
    inverse = np.linalg.pinv(normal, hermitian=True)
    effect = inverse @ right
    weights = 1.0 / k - shares
    level = run_mean + weights @ effect
    rest = y - run_mean[i] - effect[j] + (shares @ effect)[i]
    dof = n - m - k + 1
    s2 = float(rest @ rest) / dof if dof > 0 else math.nan
    variance = s2 * (1.0 / per_run + np.einsum("ij,jk,ik->i", weights, inverse, weights, optimize=True))
    return Levels(labels, level, np.sqrt(variance), max(dof, 0), k, left_out)


def _largest_tied(run: npt.NDArray[np.generic], cell: npt.NDArray[np.generic]) -> npt.NDArray[np.bool_]:
    """Which readings (n,) belong to the largest set of runs that is tied together by shared set-points."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    if not len(run):
        return np.zeros(0, dtype=bool)
    labels, i = np.unique(run, return_inverse=True)
    places, j = np.unique(cell, return_inverse=True)
    size = len(labels) + len(places)
    ties = coo_array((np.ones(len(i)), (i, len(labels) + j)), shape=(size, size))
    _, part = connected_components(ties, directed=False)
    largest = int(np.argmax(np.bincount(part[: len(labels)])))
    found: npt.NDArray[np.bool_] = part[i] == largest
    return found


def mean_of_runs(levels: Sequence[float], unit: str) -> Estimate:
    """Mean of runs with the standard uncertainty of their scatter, ``s / sqrt(n)`` (4), n - 1 degrees of freedom.

    NaN uncertainty with one run: one run says nothing about how runs scatter.

    >>> found = mean_of_runs([1.0, 2.0, 3.0], "1")
    >>> found.value, round(found.u, 6), found.dof
    (2.0, 0.57735, 2.0)
    """
    values = np.asarray(levels, dtype=np.float64)
    n = len(values)
    u = float(np.std(values, ddof=1)) / math.sqrt(n) if n > 1 else math.nan
    return Estimate(float(np.mean(values)), u, unit, float(n - 1) if n > 1 else math.inf)


def line_over(x: Sequence[float], y: Sequence[float], unit: str) -> Estimate | None:
    """Slope of the straight line through (x, y), ``unit`` its unit, with the scatter about the line; None where fewer
    than three points or no two different x leave nothing to see scatter by."""
    at, values = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    is_known = np.isfinite(at) & np.isfinite(values)
    at, values = at[is_known], values[is_known]
    n = len(at)
    if n < 3 or np.ptp(at) <= 0.0:
        return None
    centred = at - at.mean()
    square = float(centred @ centred)
    slope = float(centred @ values) / square
    rest = values - values.mean() - slope * centred
    return Estimate(slope, math.sqrt(float(rest @ rest) / (n - 2) / square), unit, float(n - 2))


def grouped(names: Sequence[Hashable]) -> dict[Hashable, list[int]]:
    """Places of every name, names in the order of their first place."""
    found: dict[Hashable, list[int]] = {}
    for place, name in enumerate(names):
        found.setdefault(name, []).append(place)
    return found
