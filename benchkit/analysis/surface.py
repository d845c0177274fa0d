"""A smooth surface through scattered points: a linear model plus a Gaussian process of what the model leaves.

``y_i = x_i b + g(p_i) + e_i``, ``g`` a Gaussian process of standard deviation s with a Matérn 5/2 correlation over the
place p, ``e_i`` independent with standard deviation ``kappa u_i`` (universal kriging). Where the linear model is right,
s comes out small and the surface is the weighted least-squares fit; where it is wrong, g follows the points and widens
the uncertainty between them.

s, kappa and the two correlation lengths are not known. Each combination of a grid is weighted by its restricted
likelihood, and the surface is the average over the grid: the doubt about them is part of the uncertainty.

Sources: C. E. Rasmussen and C. K. I. Williams, *Gaussian Processes for Machine Learning*, MIT Press 2006, section 2.7
(explicit basis functions) and eq. 4.17 (Matérn 5/2); H. D. Patterson and R. Thompson, Biometrika 58 (1971) 545,
doi 10.1093/biomet/58.3.545 (restricted likelihood). From memory. Written here on numpy because this needs a page, and
the libraries that have it bring hundreds of megabytes.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

LENGTHS = (0.2, 0.4, 0.8, 1.6)
"""Correlation lengths that are tried on each axis, as shares of its span."""
MOST_POINTS = 400
"""So many points, evenly picked, weigh the grid where there are more: time grows with their cube."""
_LEAST_WEIGHT = 0.01
_MOST_MEMBERS = 24


@dataclass(frozen=True, slots=True)
class Member:
    """One combination of the grid: correlation lengths (scaled places), s [unit of y], kappa [1], weight [1]."""

    lengths: tuple[float, ...]
    s: float
    kappa: float
    weight: float


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """Points and the members of the grid that count, the best first.

    ``design`` (n, p), ``places`` (n, axes), ``y`` (n,), ``u`` (n,).
    """

    design: FloatArray
    places: FloatArray
    y: FloatArray
    u: FloatArray
    members: tuple[Member, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Predicted:
    """Values of a surface at m places: mean (m,), covariance (m, m) or variance (m,), and the part that is scatter.

    ``scatter`` is the variance (m,) that comes from the scatter of the points alone; the rest of the variance is what
    is not known about the shape (lack of fit).
    """

    mean: FloatArray
    variance: FloatArray
    scatter: FloatArray


def matern(a: npt.ArrayLike, b: npt.ArrayLike, lengths: Sequence[float]) -> FloatArray:
    """Matérn 5/2 correlation [1] of places a (n, axes) and b (m, axes), shape (n, m).

    ``k = (1 + √5 r + 5 r²/3) exp(-√5 r)`` (1), r the distance in correlation lengths, each in the unit of its axis.

    >>> matern([[0.0]], [[0.0], [1.0]], [1.0]).round(4).tolist()
    [[1.0, 0.524]]
    """
    scale = np.asarray(lengths, dtype=np.float64)
    p, q = np.asarray(a, dtype=np.float64) / scale, np.asarray(b, dtype=np.float64) / scale
    squared = np.zeros((p.shape[0], q.shape[0]))
    for axis in range(p.shape[1]):
        squared += (p[:, axis, None] - q[None, :, axis]) ** 2
    r = np.sqrt(5.0 * squared)
    return np.asarray((1.0 + r + r * r / 3.0) * np.exp(-r))


def fit_surface(
    design: npt.ArrayLike, places: npt.ArrayLike, y: npt.ArrayLike, u: npt.ArrayLike, *, u_is_known: bool = True
) -> Surface:
    """Weigh the grid of correlation lengths, s and kappa by restricted likelihood.

    ``-2 ln L = ln|V| + ln|Xᵀ V⁻¹ X| + rᵀ V⁻¹ r`` (2), ``V = kappa² diag(u²) + s² K``, r the residuals of generalised
    least squares. kappa is at least 1 where u is known: scatter is never less than stated. Where there are more than
    :data:`MOST_POINTS` points, the grid is weighed by so many of them; the surface goes through all.

    Args:
        design: X (n, p), independent columns.
        places: (n, axes), each axis scaled so that its span is about 1.
        y: values (n,), any unit.
        u: standard uncertainty of y from scatter (n,), positive; only their ratios count where not ``u_is_known``.
    """
    every = [np.asarray(v, dtype=np.float64) for v in (design, places, y, u)]
    count = every[2].size
    picked = np.unique(np.linspace(0, count - 1, min(count, MOST_POINTS)).round().astype(np.intp))
    X, P, target, sigma = (v[picked] for v in every)
    whitened, aim = X / sigma[:, None], target / sigma
    length = np.linalg.norm(whitened, axis=0)
    whitened = whitened / np.where(length > 0.0, length, 1.0)
    rest = aim - whitened @ np.linalg.lstsq(whitened, aim, rcond=None)[0]
    dof = max(1, aim.size - X.shape[1])
    misfit = max(math.sqrt(float(rest @ rest) / dof), 1e-9 * math.sqrt(float(aim @ aim) / aim.size), 1e-300)
    in_units = misfit * float(np.sqrt(np.mean(sigma**2)))
    if u_is_known:
        kappas = np.geomspace(1.0, max(1.3, 1.3 * misfit), 8 if misfit > 1.3 else 3)
    else:
        kappas = misfit * np.geomspace(0.02, 1.3, 10)
    amplitudes = np.append(0.0, in_units * np.geomspace(0.05, 20.0, 13))
    grid_kappa, grid_s = (g.ravel() for g in np.meshgrid(kappas, amplitudes, indexing="ij"))
    found: list[Member] = []
    scores: list[float] = []
    for lengths in itertools.product(LENGTHS, repeat=P.shape[1]):
        score = _restricted(matern(P, P, lengths) / np.outer(sigma, sigma), whitened, aim, grid_kappa, grid_s)
        scores.extend(score.tolist())
        found.extend(Member(lengths, float(s), float(k), 0.0) for k, s in zip(grid_kappa, grid_s, strict=True))
    weights = np.exp(np.asarray(scores) - max(scores))
    order = np.argsort(-weights)[:_MOST_MEMBERS]
    order = order[weights[order] > _LEAST_WEIGHT]
    total = float(weights[order].sum())
    members = tuple(
        Member(found[i].lengths, found[i].s, found[i].kappa, float(weights[i]) / total) for i in order.tolist()
    )
    return Surface(every[0], every[1], every[2], every[3], members)


def _restricted(correlation: FloatArray, X: FloatArray, y: FloatArray, kappa: FloatArray, s: FloatArray) -> FloatArray:
    """Restricted log likelihood for every (kappa, s), up to a constant; all whitened."""
    values, vectors = np.linalg.eigh(correlation)
    Xt, yt = vectors.T @ X, vectors.T @ y
    d = kappa[:, None] ** 2 + s[:, None] ** 2 * np.maximum(values, 0.0)[None, :]
    A = np.einsum("ni,gn,nj->gij", Xt, 1.0 / d, Xt, optimize=True)
    c = (yt[None, :] / d) @ Xt
    b = np.linalg.solve(A, c[..., None])[..., 0]
    quadratic = np.sum(yt**2 / d, axis=1) - np.sum(b * c, axis=1)
    return np.asarray(-0.5 * (np.sum(np.log(d), axis=1) + np.linalg.slogdet(A)[1] + np.maximum(quadratic, 0.0)))


def moved(surface: Surface, design: npt.ArrayLike, places: npt.ArrayLike, y: npt.ArrayLike) -> Surface:
    """The same points shifted, with the best member alone: what a systematic error does to it. In the unit of y."""
    best = surface.members[0]
    return Surface(
        np.asarray(design, dtype=np.float64),
        np.asarray(places, dtype=np.float64),
        np.asarray(y, dtype=np.float64),
        surface.u,
        (Member(best.lengths, best.s, best.kappa, 1.0),),
    )


def best_only(surface: Surface) -> Surface:
    """The surface of the best member alone."""
    return moved(surface, surface.design, surface.places, surface.y)


def mean_at(surface: Surface, design: npt.ArrayLike, places: npt.ArrayLike) -> FloatArray:
    """Mean of the surface at m places (m,), in the unit of its values."""
    X, P = np.asarray(design, dtype=np.float64), np.asarray(places, dtype=np.float64)
    mean = np.zeros(X.shape[0])
    for member in surface.members:
        cross = matern(P, surface.places, member.lengths)
        mean += member.weight * (_Solved(surface, member).weights(X, cross) @ surface.y)
    return mean


def predict(surface: Surface, design: npt.ArrayLike, places: npt.ArrayLike, *, joint: bool = False) -> Predicted:
    """Mean and variance of the surface at m places; with ``joint`` the full covariance (m, m).

    In the unit of the values, and its square. The variance is that of the surface, not of a further reading.
    ``mean = sum w_k m_k``, ``variance = sum w_k (v_k + (m_k - mean)²)`` (3) over the members.
    """
    X, P = np.asarray(design, dtype=np.float64), np.asarray(places, dtype=np.float64)
    means, second = [], []
    scatter = np.zeros(X.shape[0])
    crosses: dict[tuple[float, ...], FloatArray] = {}
    for member in surface.members:
        if member.lengths not in crosses:
            crosses[member.lengths] = matern(P, surface.places, member.lengths)
        solved = _Solved(surface, member)
        cross = crosses[member.lengths]
        weights = solved.weights(X, cross)
        means.append(weights @ surface.y)
        second.append(solved.covariance(X, P, cross) if joint else solved.variance(X, cross))
        scatter += member.weight * (weights**2 @ (member.kappa * surface.u) ** 2)
    share = np.array([m.weight for m in surface.members])
    mean = share @ np.stack(means)
    total = np.zeros(second[0].shape)
    for weight, values, variance in zip(share, means, second, strict=True):
        off = values - mean
        total += weight * (variance + (np.outer(off, off) if joint else off**2))
    single = np.diag(total) if joint else total
    return Predicted(np.asarray(mean), total, np.minimum(scatter, single))


def variance_taken(
    surface: Surface,
    at: tuple[npt.ArrayLike, npt.ArrayLike],
    by: tuple[npt.ArrayLike, npt.ArrayLike],
    u: npt.ArrayLike,
    weight: npt.ArrayLike,
) -> FloatArray:
    """By how much one more point at each of k places would lower the weighted sum of the variance at m others (k,).

    ``sum_j w_j cov(j, c)² / (v_c + kappa² u_c²)`` (4), averaged over the members: what a Gaussian process expects of a
    point before it is taken. What the members disagree about is not in it. ``at`` and ``by`` are (design, places) of
    the m and of the k, ``u`` (k,) the scatter a point would have, ``weight`` (m,). In the unit of the values squared.
    """
    X, P, Xc, Pc = (np.asarray(v, dtype=np.float64) for v in (*at, *by))
    scatter, weights = np.asarray(u, dtype=np.float64), np.asarray(weight, dtype=np.float64)
    taken = np.zeros(Xc.shape[0])
    for member in surface.members:
        solved = _Solved(surface, member)
        here, there = matern(P, surface.places, member.lengths), matern(Pc, surface.places, member.lengths)
        shared = solved.between((X, P, here), (Xc, Pc, there))
        taken += member.weight * (weights @ shared**2) / (solved.variance(Xc, there) + (member.kappa * scatter) ** 2)
    return taken


class _Solved:
    """The linear algebra of one member, done once for many places. ``cross`` is the correlation (m, n) with them."""

    def __init__(self, surface: Surface, member: Member) -> None:
        self._member = member
        self._sigma = member.kappa * surface.u
        here = surface.design / self._sigma[:, None]
        self._length = np.linalg.norm(here, axis=0)
        self._length[self._length == 0.0] = 1.0
        here = here / self._length
        covariance = np.eye(surface.y.size)
        if member.s > 0.0:
            own = matern(surface.places, surface.places, member.lengths)
            covariance += member.s**2 * own / np.outer(self._sigma, self._sigma)
        self._inverse = np.linalg.inv(covariance)
        self._design = self._inverse @ here
        self._inner = np.linalg.inv(here.T @ self._design)

    def _left(self, X: FloatArray, cross: FloatArray) -> tuple[FloatArray, FloatArray]:
        scaled = self._member.s**2 * cross / self._sigma[None, :]
        return scaled, X / self._length - scaled @ self._design

    def weights(self, X: FloatArray, cross: FloatArray) -> FloatArray:
        """Weight of each point in the mean at each place (m, n)."""
        scaled, left = self._left(X, cross)
        return np.asarray((scaled @ self._inverse + left @ self._inner @ self._design.T) / self._sigma[None, :])

    def variance(self, X: FloatArray, cross: FloatArray) -> FloatArray:
        """Variance at each place (m,)."""
        scaled, left = self._left(X, cross)
        known = np.sum((scaled @ self._inverse) * scaled, axis=1)
        return np.asarray(np.maximum(self._member.s**2 - known + np.sum((left @ self._inner) * left, axis=1), 0.0))

    def covariance(self, X: FloatArray, P: FloatArray, cross: FloatArray) -> FloatArray:
        """Covariance of the places (m, m)."""
        return self.between((X, P, cross), (X, P, cross))

    def between(
        self, a: tuple[FloatArray, FloatArray, FloatArray], b: tuple[FloatArray, FloatArray, FloatArray]
    ) -> FloatArray:
        """Covariance of some places (m) with others (k), each as (X, P, cross), shape (m, k)."""
        (scaled, left), (other_scaled, other_left) = self._left(a[0], a[2]), self._left(b[0], b[2])
        prior = self._member.s**2 * matern(a[1], b[1], self._member.lengths)
        return np.asarray(prior - scaled @ self._inverse @ other_scaled.T + left @ self._inner @ other_left.T)
