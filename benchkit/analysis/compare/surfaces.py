"""From the points of several runs to one value a run and region: common operating points and local surfaces.

The shape that all runs share is taken out first: one loss model over speed and torque, fitted to all of them together.
What is left of each run, in shares of the input power, is smooth and small. It is read at the common operating points
through a local plane (tricube weights over the nearest points of that run), which carries a set-point that was missed
by a little to where the others were, and averages neighbours.

Source of the local fit: W. S. Cleveland, J. Am. Statist. Assoc. 74 (1979) 829, doi 10.1080/01621459.1979.10481038.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.compare.data import RunData
from benchkit.analysis.hull import convex_hull, is_inside
from benchkit.analysis.losses import BOTH_WAYS, POWERS, SIGNED, cells, design
from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

NEIGHBOURS = 9
"""Points of a run that a local plane rests on."""
NEAR = 0.03
"""A run counts as measured at a common point where it has a point nearer than this share of the spans."""
LEAST_RUN_POINTS = 4
LEAST_COMMON = 3


@dataclass(frozen=True, slots=True, eq=False)
class SharedShape:
    """Loss model of all runs together: loss [W] over speed and torque."""

    terms: tuple[str, ...]
    coefficients: FloatArray
    speed_scale: float
    torque_scale: float

    def loss_w(self, speed_rpm: npt.ArrayLike, torque_nm: npt.ArrayLike) -> FloatArray:
        """Loss [W] at speeds and torques; broadcasts."""
        n = np.asarray(speed_rpm, dtype=np.float64) / self.speed_scale
        T = np.asarray(torque_nm, dtype=np.float64) / self.torque_scale
        return np.asarray(design(self.terms, n, T) @ self.coefficients)

    def square_of_torque_w(self, speed_rpm: npt.ArrayLike, torque_nm: npt.ArrayLike) -> FloatArray:
        """The part of the loss that goes with torque squared, at speed zero [W]: what resistance takes."""
        k = self.terms.index("T^2") if "T^2" in self.terms else -1
        T = np.asarray(torque_nm, dtype=np.float64) / self.torque_scale
        return np.maximum(self.coefficients[k], 0.0) * T**2 + 0.0 * np.asarray(speed_rpm) if k >= 0 else 0.0 * T


def shared_shape(
    speed: FloatArray, torque: FloatArray, loss: FloatArray, weight_w: FloatArray, wanted: Sequence[str] | None = None
) -> SharedShape:
    """Fit one loss model to the points of all runs: speed [rpm], torque [N·m], loss [W], each (n,).

    Weights are ``1/weight_w²``, ``weight_w`` [W] (n,). Fewer terms where points are few.
    """
    n_scale, t_scale = float(np.max(np.abs(speed))) or 1.0, float(np.max(np.abs(torque))) or 1.0
    n, T = speed / n_scale, torque / t_scale
    distinct = int(np.unique(cells(speed, torque)).size)
    both = min(int(np.sum(n * T > 0.0)), int(np.sum(n * T < 0.0))) >= BOTH_WAYS
    by_use = ("1", "T^2", "n", "n^2", "|T|", "n*|T|", "n*T^2", "n^2*|T|", "n^2*T^2")
    terms = tuple(wanted) if wanted else (*by_use, *(SIGNED if both else ()))
    assert set(by_use) == set(POWERS)
    terms = terms[: max(1, min(len(terms), distinct - 2))]
    X = design(terms, n, T)
    b = np.linalg.lstsq(X / weight_w[:, None], loss / weight_w, rcond=1e-10)[0]
    return SharedShape(terms, np.asarray(b), n_scale, t_scale)


@dataclass(frozen=True, slots=True, eq=False)
class CommonPoints:
    """Operating points that all runs have: place (m,), power that flows in there [W], and the number of its region."""

    speed_rpm: FloatArray
    torque_nm: FloatArray
    input_w: FloatArray
    region: IntArray
    regions: tuple[Region, ...]


@dataclass(frozen=True, slots=True)
class Region:
    """A part of the map: its name and bounds, and how many common points lie in it."""

    name: str
    speed_low_rpm: float
    speed_high_rpm: float
    torque_low_nm: float
    torque_high_nm: float
    points: int


def common_points(runs: Sequence[RunData], divide: tuple[int, int] = (3, 3)) -> CommonPoints:
    """Set-points that every run has, or has measured all round, grouped into regions of the map.

    ``divide`` is the number of parts along speed and torque. Regions without a common point are left out.

    Raises:
        UsageError: a run with fewer than four points, or fewer than three common points.
    """
    for run in runs:
        if run.speed_rpm.size < LEAST_RUN_POINTS:
            raise UsageError(
                "too few operating points to compare",
                where=run.label,
                got=run.speed_rpm.size,
                expected=f"at least {LEAST_RUN_POINTS}",
                remedy="Measure the same set-points in every run.",
            )
    speed, torque = (np.concatenate([getattr(r, name) for r in runs]) for name in ("speed_rpm", "torque_nm"))
    owner = np.concatenate([np.full(r.speed_rpm.size, i) for i, r in enumerate(runs)])
    power = np.concatenate([r.input_w for r in runs])
    spans = float(np.ptp(speed)) or 1.0, float(np.ptp(torque)) or 1.0
    group = grouped(speed / spans[0], torque / spans[1])
    count = np.bincount(group)
    n, T, P = (np.bincount(group, v) / count for v in (speed, torque, power))
    shared = np.ones(n.size, dtype=np.bool_)
    for i, run in enumerate(runs):
        seen = np.bincount(group[owner == i], minlength=n.size) > 0
        shared &= seen | _surrounded(run, n, T)
    if shared.sum() < LEAST_COMMON:
        raise UsageError(
            "the runs have hardly any operating point in common",
            got=f"{int(shared.sum())} common points",
            expected=f"at least {LEAST_COMMON}",
            remedy="Measure the same set-points of speed and torque with both firmwares.",
        )
    n, T, P = n[shared], T[shared], P[shared]
    number, regions = _regions(n, T, divide)
    return CommonPoints(n, T, P, number, regions)


def grouped(x: FloatArray, y: FloatArray) -> IntArray:
    """Number of the set-point of each point (n,): points within NEAR of the first of a set-point count as one.

    ``x`` and ``y`` (n,) are shares of the spans of speed and torque [1].
    """
    order = np.lexsort((y, x))
    group = np.full(x.size, -1, dtype=np.intp)
    centres: list[tuple[float, float]] = []
    for k in order.tolist():
        for g, (cx, cy) in enumerate(centres):
            if abs(x[k] - cx) < NEAR and abs(y[k] - cy) < NEAR:
                group[k] = g
                break
        else:
            group[k] = len(centres)
            centres.append((float(x[k]), float(y[k])))
    return group


def _surrounded(run: RunData, n: FloatArray, T: FloatArray) -> npt.NDArray[np.bool_]:
    """Places inside the hull of what a run measured; none where its points lie on one line."""
    try:
        return is_inside(convex_hull(run.speed_rpm, run.torque_nm), n, T)
    except UsageError:
        return np.zeros(n.shape, dtype=np.bool_)


_WORDS = {1: ("",), 2: ("low", "high"), 3: ("low", "middle", "high")}


def _regions(n: FloatArray, T: FloatArray, divide: tuple[int, int]) -> tuple[IntArray, tuple[Region, ...]]:
    edges = [_edges(v, k) for v, k in zip((n, T), divide, strict=True)]
    parts = [
        np.clip(np.searchsorted(e, v, side="right") - 1, 0, e.size - 2) for e, v in zip(edges, (n, T), strict=True)
    ]
    whole = parts[0] * (edges[1].size - 1) + parts[1]
    found, number = np.unique(whole, return_inverse=True)
    regions = []
    for k, code in enumerate(found.tolist()):
        i, j = divmod(code, edges[1].size - 1)
        n_low, n_high, t_low, t_high = (float(v) for v in (*edges[0][i : i + 2], *edges[1][j : j + 2]))
        name = f"{_word(i, edges[0].size - 1)} speed, {_word(j, edges[1].size - 1)} torque"
        regions.append(Region(name, n_low, n_high, t_low, t_high, int(np.sum(number == k))))
    return np.asarray(number, dtype=np.intp), tuple(regions)


def _word(index: int, parts: int) -> str:
    words = _WORDS.get(parts)
    return f"part {index + 1} of {parts}" if words is None else words[index] or "any"


def _edges(values: FloatArray, parts: int) -> FloatArray:
    """Equal parts from end to end, a hair wider; one part where all values are alike."""
    low, high = float(values.min()), float(values.max())
    hair = 0.02 * (high - low)
    if high - low < 1e-9 * max(abs(high), 1.0):
        return np.array([low - 1.0, high + 1.0])
    return np.linspace(low - hair, high + hair, parts + 1)


def local_weights(run: RunData, points: CommonPoints) -> FloatArray:
    """Weights (m, n) [1] of the points of a run in its local plane at each common point; rows sum to one.

    ``z(x_0) = a`` of ``min sum K(d_i/d_q) (z_i - a - b (x_i - x_0))²``, K tricube, d_q the distance of the q-th
    nearest point. Where the nearest points do not span a plane, the direction that they lack is left out.
    """
    spans = np.array([float(np.ptp(points.speed_rpm)) or 1.0, float(np.ptp(points.torque_nm)) or 1.0])
    own = np.stack([run.speed_rpm, run.torque_nm], axis=1) / spans
    at = np.stack([points.speed_rpm, points.torque_nm], axis=1) / spans
    offset = own[None, :, :] - at[:, None, :]
    distance = np.sqrt(np.sum(offset**2, axis=2))
    q = min(NEIGHBOURS, own.shape[0])
    reach = np.sort(distance, axis=1)[:, q - 1] * 1.05 + 1e-9
    kernel = np.maximum(1.0 - (distance / reach[:, None]) ** 3, 0.0) ** 3
    X = np.concatenate([np.ones((*distance.shape, 1)), offset], axis=2)
    root = np.sqrt(kernel)
    # a ridge far below any scatter: decides only where the points lie on a line
    gram = np.einsum("mni,mn,mnj->mij", X, kernel, X) + 1e-6 * np.diag([0.0, 1.0, 1.0])
    first = np.linalg.solve(gram, np.broadcast_to(np.eye(3)[:, :1], (at.shape[0], 3, 1)))[..., 0]
    weights = np.einsum("mni,mi->mn", X, first) * root**2
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


def region_means(points: CommonPoints) -> FloatArray:
    """Matrix (regions + 1, m) [1] that averages common points to regions; the last row is the whole map."""
    rows = [(points.region == k).astype(np.float64) for k in range(len(points.regions))]
    rows.append(np.ones(points.speed_rpm.size))
    matrix = np.stack(rows)
    return np.asarray(matrix / matrix.sum(axis=1, keepdims=True))
