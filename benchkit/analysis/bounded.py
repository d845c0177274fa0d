"""Least squares with coefficients that cannot be negative, and an uncertainty that stays honest at the bound.

A resistance, a threshold or a switching loss is never below zero. Where the data leave a coefficient near that bound,
the usual covariance is wrong both ways: with the bound ignored it speaks of values that cannot be, with the coefficient
dropped it speaks as if zero were known. Here the coefficients have the normal law of the unbounded fit cut off at the
bounds (a flat prior where they may lie), and everything that is said of them is taken from draws of that law.

Draws: exact Hamiltonian dynamics between the walls, A. Pakman and L. Paninski, J. Comput. Graph. Stat. 23 (2014) 518,
doi 10.1080/10618600.2013.788448. In the whitened space every path is ``a sin t + b cos t``, so the next wall is a
closed formula.

Sources: of the draws as above; (1) to (2) and the chi² test, textbook of least squares; the widening, R. T. Birge,
Phys. Rev. 40 (1932) 207 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

DRAWS = 4000
BROAD = 2.0
"""Width of the prior that keeps directions finite of which the data say nothing: so many times the largest
observation, for each term at its largest."""
_CHAINS, _BURN = 500, 12
_MOST_BOUNCES = 400
_AT_WALL = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class BoundedFit:
    """A fit of p coefficients to n observations.

    ``best`` (p,) is the constrained optimum; ``draws`` (m, p) the law of the coefficients, ``mean`` and ``covariance``
    its moments. ``at_bound`` (p,) marks coefficients whose optimum is zero. ``chi2`` is that of the optimum against the
    stated covariance of the observations, over ``dof`` = n less the coefficients inside their bounds.
    ``precision`` (p, p) is that of the observations alone, without bounds and prior: leverage comes from it.
    """

    best: FloatArray
    draws: FloatArray
    at_bound: BoolArray
    residuals: FloatArray
    chi2: float
    dof: int
    precision: FloatArray
    inflated: float
    """Factor (1 or more) by which the stated covariance was widened, as the points scatter more than stated."""
    gain: FloatArray
    """Derivative of the coefficients by the observations (p, n), those at their bound held there."""

    @property
    def mean(self) -> FloatArray:
        """Mean of the law (p,), each in the unit of its coefficient."""
        return np.asarray(self.draws.mean(axis=0))

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the law (p, p), in the products of the units of the coefficients."""
        return np.atleast_2d(np.cov(self.draws, rowvar=False))

    @property
    def p_value(self) -> float:
        """Probability [1] of a chi² as large as this where the model is right; NaN without degrees of freedom."""
        from scipy.special import gammaincc

        return float(gammaincc(0.5 * self.dof, 0.5 * self.chi2)) if self.dof > 0 else math.nan


def covariance_of(u_w: npt.ArrayLike, shifts: npt.ArrayLike) -> FloatArray:
    """Covariance (n, n) [W²] of observations with scatter ``u_w`` (n,) [W] and errors that all share, ``shifts``
    (causes, n) [W].

    ``V = diag(u²) + sum_c s_c s_cᵀ`` (1).
    """
    u, S = np.asarray(u_w, dtype=np.float64), np.asarray(shifts, dtype=np.float64)
    return np.asarray(np.diag(u**2) + S.reshape(-1, u.size).T @ S.reshape(-1, u.size))


def fit_bounded(
    design: npt.ArrayLike,
    y: npt.ArrayLike,
    covariance: npt.ArrayLike,
    is_bounded: npt.ArrayLike,
    *,
    prior_mean: npt.ArrayLike | None = None,
    prior_u: npt.ArrayLike | None = None,
    seed: int = 1,
    draws: int = DRAWS,
) -> BoundedFit:
    """Generalised least squares ``y = X b + e``, cov e = V, with ``b_i >= 0`` where ``is_bounded``.

    ``b* = argmin (y - X b)ᵀ V⁻¹ (y - X b) + sum ((b_i - m_i) / s_i)²`` (2); the law of b is the normal law of (2) cut
    off at the bounds. Where chi²/dof exceeds 1 the covariance is widened by it (Birge ratio): what the terms cannot
    say is then at least in the width.

    Args:
        design: X, shape (n, p).
        y: observations (n,), in any unit; a coefficient is in that unit over the one of its column.
        covariance: V, shape (n, n), in the unit of y squared, positive definite; see :func:`covariance_of`.
        is_bounded: (p,), True for a coefficient that cannot be negative.
        prior_mean, prior_u: m and s (p,); NaN in ``prior_u``: none but one so broad that it only keeps the fit finite.
        seed: of the draws: the same data give the same numbers.
        draws: how many; 0: only the optimum, and the law is that point alone.

    Raises:
        UsageError: shapes that do not fit, NaN, or V is not positive definite.

    >>> fit = fit_bounded([[1.0, 0.0], [1.0, 1.0], [1.0, 2.0]], [2.0, 3.0, 4.0], 1e-8 * np.eye(3), [True, True])
    >>> fit.best.round(6).tolist()
    [2.0, 1.0]
    """
    X, target, V = (np.asarray(v, dtype=np.float64) for v in (design, y, covariance))
    bounded = np.asarray(is_bounded, dtype=bool)
    n, p = _checked(X, target, V, bounded)
    try:
        L: FloatArray = np.asarray(np.linalg.cholesky(V), dtype=np.float64)
    except np.linalg.LinAlgError as error:
        raise UsageError(
            "the covariance of the observations is not positive definite", remedy="Give every point a scatter above 0."
        ) from error
    Xw, yw = np.linalg.solve(L, X), np.linalg.solve(L, target)
    reach = np.max(np.abs(X), axis=0)
    scale = 1.0 / np.where(reach > 0.0, reach, 1.0)
    broad = BROAD * float(np.max(np.abs(target))) or 1.0
    m = np.zeros(p) if prior_mean is None else np.asarray(prior_mean, dtype=np.float64)
    s = np.full(p, np.nan) if prior_u is None else np.asarray(prior_u, dtype=np.float64)
    m = np.where(np.isfinite(s), m, 0.0) / scale
    s = np.where(np.isfinite(s), s / scale, broad)
    A, b = np.vstack([Xw * scale, np.diag(1.0 / s)]), np.concatenate([yw, m / s])
    best = _optimum(A, b, bounded)
    at_bound = bounded & (best <= 1e-9 * max(float(np.max(np.abs(best))), 1e-300))
    residual_w = yw - (Xw * scale) @ best
    chi2, dof = float(residual_w @ residual_w), n - int(np.sum(~at_bound))
    inflated = max(1.0, chi2 / dof) if dof > 0 else 1.0
    # widen the data, not the prior: the prior knows nothing of the scatter
    A[:n] /= math.sqrt(inflated)
    b[:n] /= math.sqrt(inflated)
    law = _draw(A, b, bounded, best, seed, draws) if draws else best[None, :]
    return BoundedFit(
        best * scale,
        law * scale,
        at_bound,
        target - X @ (best * scale),
        chi2,
        dof,
        Xw.T @ Xw / inflated,
        inflated,
        _gain(A, ~at_bound, n, L) * scale[:, None] / math.sqrt(inflated),
    )


def _gain(A: FloatArray, free: BoolArray, n: int, L: FloatArray) -> FloatArray:
    """Derivative (p, n) of the scaled optimum by the observations."""
    gain = np.zeros((free.size, n))
    solved = np.linalg.lstsq(A[:, free], np.eye(A.shape[0])[:, :n], rcond=None)[0]
    gain[free] = np.linalg.solve(L.T, solved.T).T
    return gain


def _checked(X: FloatArray, y: FloatArray, V: FloatArray, bounded: BoolArray) -> tuple[int, int]:
    if X.ndim != 2 or y.shape != X.shape[:1] or V.shape != (y.size, y.size) or bounded.shape != X.shape[1:]:
        raise UsageError(
            "shapes do not fit together",
            got=f"design {X.shape}, y {y.shape}, covariance {V.shape}, bounds {bounded.shape}",
            expected="(n, p), (n,), (n, n), (p,)",
        )
    if not all(np.all(np.isfinite(v)) for v in (X, y, V)):
        raise UsageError("NaN or infinite observation", remedy="Leave out what was not measured.")
    return int(X.shape[0]), int(X.shape[1])


def _optimum(A: FloatArray, b: FloatArray, bounded: BoolArray) -> FloatArray:
    from scipy.optimize import lsq_linear

    free = np.linalg.lstsq(A, b, rcond=None)[0]
    if np.all(free[bounded] >= 0.0):
        return np.asarray(free)
    low = np.where(bounded, 0.0, -np.inf)
    found = lsq_linear(A, b, bounds=(low, np.full(low.size, np.inf)), method="bvls", tol=1e-12, max_iter=200)
    return np.where(bounded, np.maximum(found.x, 0.0), found.x)


def _draw(A: FloatArray, b: FloatArray, bounded: BoolArray, best: FloatArray, seed: int, draws: int) -> FloatArray:
    """Draws (m, p) of the normal law with precision AᵀA about its least-squares centre, cut off at zero."""
    r = np.linalg.qr(A, mode="r")
    centre = np.linalg.lstsq(A, b, rcond=None)[0]
    spread: FloatArray = np.asarray(np.linalg.inv(r), dtype=np.float64)  # theta = centre + spread z, z normal
    rng = np.random.default_rng(seed)
    u = np.sqrt(np.sum(spread**2, axis=1))
    if np.all(centre[bounded] > 6.0 * u[bounded]):
        return np.asarray(centre + rng.standard_normal((draws, best.size)) @ spread.T)
    F, g = spread[bounded], np.asarray(centre[bounded], dtype=np.float64)
    inside = np.where(bounded, np.maximum(best, 1e-2 * u), best)
    z = np.asarray(np.tile(r @ (inside - centre), (_CHAINS, 1)), dtype=np.float64)
    kept = []
    for turn in range(_BURN + -(-draws // _CHAINS)):
        z = _path(z, rng.standard_normal(z.shape), F, g)
        if turn >= _BURN:
            kept.append(z.copy())
    return np.asarray(centre + np.concatenate(kept)[:draws] @ spread.T)


def _path(z: FloatArray, velocity: FloatArray, F: FloatArray, g: FloatArray) -> FloatArray:
    """Positions (chains, p) after a quarter turn from ``z`` with ``velocity``, reflected where ``F z + g`` meets 0."""
    left = np.full(z.shape[0], 0.5 * math.pi)
    norm2 = np.sum(F * F, axis=1)
    last = np.full(z.shape[0], -1)
    for _ in range(_MOST_BOUNCES):
        moving = np.flatnonzero(left > 0.0)
        if moving.size == 0:
            break
        a, b = velocity[moving], z[moving]
        fa, fb = a @ F.T, b @ F.T
        amplitude = np.hypot(fa, fb)
        with np.errstate(divide="ignore", invalid="ignore"):
            # fa sin t + fb cos t = amplitude cos(t - phase): falling, it meets -g at phase + arccos(-g/amplitude)
            t = np.arctan2(fa, fb) + np.arccos(np.clip(-g / amplitude, -1.0, 1.0))
        t = np.where(amplitude > np.abs(g), np.mod(t, 2.0 * math.pi), np.inf)
        # in a corner the next wall may be passed already by a rounding: turn back there, not a full turn later
        t = np.where((fb + g <= _AT_WALL * (np.abs(g) + norm2**0.5)) & (fa < 0.0), 0.0, t)
        # the wall just left is met again a rounding later: not before the path has gone round
        rows = np.arange(moving.size)
        was = last[moving]
        again = was >= 0
        near = t[rows[again], was[again]]
        t[rows[again], was[again]] = np.where((near < 1e-9) & (fa[rows[again], was[again]] >= 0.0), np.inf, near)
        wall = np.argmin(t, axis=1)
        step = np.minimum(t[rows, wall], left[moving])
        sin, cos = np.sin(step)[:, None], np.cos(step)[:, None]
        z[moving] = a * sin + b * cos
        now = a * cos - b * sin
        hit = t[rows, wall] < left[moving]
        normal = F[wall]
        bounce = 2.0 * np.sum(normal * now, axis=1) / norm2[wall]
        velocity[moving] = np.where(hit[:, None], now - bounce[:, None] * normal, now)
        last[moving] = np.where(hit, wall, -1)
        left[moving] = np.where(hit, left[moving] - step, 0.0)
    return z
