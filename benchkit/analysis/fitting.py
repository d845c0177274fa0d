"""Least squares, linear and nonlinear, with the covariance of what was fitted.

Checked against the certified values of the NIST Statistical Reference Datasets: all 27 of nonlinear regression from
both starts, all 11 of linear regression, univariate and analysis of variance (tests/published/test_nist_strd_*.py).

Sources stand at each function.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]

REFINEMENTS = 3
"""Most steps of refinement of a linear fit: each takes off what the rounding of the one before left."""
POLISHING = 30
"""Most Gauss-Newton steps after the search; a fit with small residuals needs two."""


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A fit of p parameters to n observations.

    ``parameters`` (p,), ``covariance`` (p, p), ``residuals`` (n,) in the unit of the observations. ``residual_sd`` is
    the standard deviation of the weighted residuals: in the unit of the observations where no uncertainty was given,
    else a pure number whose square is chi² per degree of freedom. ``dof`` is n - p.
    """

    parameters: FloatArray
    covariance: FloatArray
    residuals: FloatArray
    residual_sd: float
    dof: int

    @property
    def u(self) -> FloatArray:
        """Standard uncertainties of the parameters (p,), each in the unit of its parameter."""
        return np.sqrt(np.diag(self.covariance))


def fit_linear(design: npt.ArrayLike, y: npt.ArrayLike, u: npt.ArrayLike | None = None) -> Fit:
    """Linear least squares ``y = X b`` by QR with columns scaled to length one, refined.

    Parameters and residuals are refined together by the augmented system ``r + X b = y``, ``Xᵀ r = 0``, with its left
    sides in the longest floating-point type of the machine: columns that nearly follow from each other (powers of x)
    keep their digits also where the residuals are large. Where that type is no longer than a double, they keep fewer.

    Without ``u`` the covariance is ``s² (XᵀX)⁻¹`` (1). With ``u`` rows are weighted by ``1/u²`` and the covariance is
    ``max(1, chi²/dof) (XᵀWX)⁻¹`` (2): never smaller than the stated uncertainties allow, larger where the
    scatter says so (Birge ratio).

    Args:
        design: X, shape (n, p), any unit.
        y: observations, shape (n,), any unit; parameters are in the unit of y over that of their column.
        u: standard uncertainties of the observations, shape (n,), positive; None: equal and unknown.

    Raises:
        UsageError: fewer observations than parameters, NaN, or columns that are not independent.

    Source: Å. Björck, "Iterative refinement of linear least squares solutions", BIT 7 (1967) 257 (from memory).

    >>> fit = fit_linear([[1, 0], [1, 1], [1, 2]], [1.0, 3.0, 5.0])
    >>> fit.parameters.round(12).tolist()
    [1.0, 2.0]
    """
    X = np.asarray(design, dtype=np.float64)
    target = np.asarray(y, dtype=np.float64)
    sigma = np.ones(target.shape) if u is None else np.asarray(u, dtype=np.float64)
    _check(X, target, sigma)
    weighted = X / sigma[:, None]
    length = np.linalg.norm(weighted, axis=0)
    length[length == 0.0] = 1.0
    q, r = np.linalg.qr(weighted / length)
    diagonal = np.abs(np.diag(r))
    if diagonal.min() < 1e-12:
        raise UsageError(
            "columns of the design are not independent",
            got=f"column {int(diagonal.argmin())} follows from those before it",
            remedy="Leave a term out, or measure where the terms differ.",
        )
    scaled, residuals = _refined(X, target, sigma, length, q, r)
    inverse = np.linalg.inv(r)
    covariance = (inverse @ inverse.T) / np.outer(length, length)
    return _finish(scaled / length, covariance, residuals, None if u is None else sigma)


def _refined(
    X: FloatArray, y: FloatArray, sigma: FloatArray, length: FloatArray, q: FloatArray, r: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Scaled parameters (p,) and residuals (n,) in the unit of y, from ``X / (sigma length) = q r``."""
    wide = np.longdouble
    weight = wide(1.0) / sigma.astype(wide)
    A = X.astype(wide) * weight[:, None] / length.astype(wide)
    aim = y.astype(wide) * weight
    scaled, rest = np.zeros(X.shape[1], dtype=wide), np.zeros(X.shape[0], dtype=wide)
    for _ in range(1 + REFINEMENTS):
        f = np.asarray(aim - rest - A @ scaled, dtype=np.float64)
        g = np.asarray(-(A.T @ rest), dtype=np.float64)
        along = np.linalg.solve(r.T, g)
        seen = q.T @ f
        step = np.linalg.solve(r, seen - along)
        scaled += step
        rest += f - q @ (seen - along)
        if float(np.linalg.norm(step)) <= 1e-15 * float(np.linalg.norm(np.asarray(scaled, dtype=np.float64))):
            break
    return np.asarray(scaled, dtype=np.float64), np.asarray(rest / weight, dtype=np.float64)


def fit_nonlinear(
    model: Callable[[FloatArray], FloatArray],
    start: Sequence[float],
    y: npt.ArrayLike,
    u: npt.ArrayLike | None = None,
) -> Fit:
    """Nonlinear least squares ``y = model(b)``, covariance as in :func:`fit_linear`.

    Levenberg-Marquardt and a trust region both start from ``start``; the lower sum of squares is taken. Parameters are
    scaled by the columns of the Jacobian, so that they may differ by many orders of magnitude. Searches stop when the
    sum of squares does; Gauss-Newton steps with a closer Jacobian then give the last digits, and the covariance is that
    of where they end.

    Args:
        model: takes parameters (p,), returns predictions (n,).
        start: first guess (p,); no zero unless the parameter is of the order of one.
        y: observations (n,), in the unit of the predictions.
        u: standard uncertainties (n,), or None.

    Raises:
        UsageError: no convergence, or parameters that the data do not determine.

    Source: J. J. Moré, "The Levenberg-Marquardt algorithm", Lecture Notes in Mathematics 630 (1978) 105, as carried by
    scipy (from memory).

    >>> t = np.linspace(0.0, 3.0, 31)
    >>> fit = fit_nonlinear(lambda b: b[0] * np.exp(-t / b[1]), [1.0, 1.0], 5.0 * np.exp(-t / 0.7))
    >>> fit.parameters.round(9).tolist()
    [5.0, 0.7]
    """
    from scipy.optimize import least_squares

    target = np.asarray(y, dtype=np.float64)
    sigma = np.ones(target.shape) if u is None else np.asarray(u, dtype=np.float64)
    guess = np.asarray(start, dtype=np.float64)
    _check(np.ones((target.size, guess.size)), target, sigma)

    def weighted_residual(b: FloatArray) -> FloatArray:
        return np.asarray((model(b) - target) / sigma, dtype=np.float64)

    def jacobian(b: FloatArray) -> FloatArray:
        return _jacobian(weighted_residual, b)

    best: tuple[float, FloatArray, FloatArray] | None = None
    for method in ("lm", "trf"):  # the first is quick, the second comes home from starts where the first runs away
        # a trial step may overflow: the search then turns back by itself
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            try:
                found = least_squares(
                    weighted_residual, guess, jac=jacobian, method=method, x_scale="jac",
                    xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=1000,
                )  # fmt: skip
                bare = _bare_covariance(jacobian(found.x)) if found.status > 0 else None
            except (ValueError, np.linalg.LinAlgError):  # a residual that is not a number
                continue
        if bare is not None and (best is None or found.cost < best[0]):
            best = float(found.cost), np.asarray(found.x, dtype=np.float64), bare
    if best is None:
        raise UsageError(
            "the fit found no end, or the data do not determine every parameter",
            remedy="Start nearer to the answer, or fit fewer parameters.",
        )
    cost, parameters, bare = best
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        parameters, bare = _polished(weighted_residual, parameters, bare, 2.0 * cost)
    return _finish(parameters, bare, target - model(parameters), None if u is None else sigma)


def _polished(
    residual: Callable[[FloatArray], FloatArray], b: FloatArray, bare: FloatArray, squares: float
) -> tuple[FloatArray, FloatArray]:
    """Gauss-Newton steps while they shrink and the sum of squares does not grow; parameters and bare covariance there.

    A step is measured in standard uncertainties: ``dᵀ JᵀJ d``. Where the model bends and the residuals are large the
    steps shrink by a constant factor each, else all at once.
    """
    last = np.inf
    for _ in range(POLISHING):
        J, r = _close_jacobian(residual, b), residual(b)
        here = _bare_covariance(J)
        if here is None:
            break
        bare = here
        length = np.linalg.norm(J, axis=0)
        step = -np.linalg.lstsq(J / length, r, rcond=None)[0] / length
        size = float(np.linalg.norm(J @ step))
        found = float(np.sum(residual(b + step) ** 2))
        if not size < 0.9 * last or not found <= squares * (1.0 + 1e-9):
            break
        b, last, squares = b + step, size, min(found, squares)
    return b, bare


def _bare_covariance(J: FloatArray) -> FloatArray | None:
    """(JᵀJ)⁻¹ by QR; None where the columns of J are not independent."""
    length = np.linalg.norm(J, axis=0)
    if not np.all(np.isfinite(J)) or bool(np.any(length == 0.0)):
        return None
    r = np.linalg.qr(J / length, mode="r")
    if np.abs(np.diag(r)).min() < 1e-12:
        return None
    inverse = np.linalg.inv(r)
    covariance: FloatArray = (inverse @ inverse.T) / np.outer(length, length)
    return covariance


def _check(X: FloatArray, y: FloatArray, sigma: FloatArray) -> None:
    if X.ndim != 2 or y.shape != (X.shape[0],) or sigma.shape != y.shape:
        raise UsageError(
            "shapes do not fit together",
            got=f"design {X.shape}, y {y.shape}, u {sigma.shape}",
            expected="(n, p), (n,), (n,)",
        )
    if X.shape[0] < X.shape[1]:
        raise UsageError("fewer observations than parameters", got=X.shape[0], expected=f"at least {X.shape[1]}")
    if not (np.all(np.isfinite(X)) and np.all(np.isfinite(y))):
        raise UsageError("NaN or infinite observation", remedy="Leave out what was not measured.")
    if not (np.all(np.isfinite(sigma)) and np.all(sigma > 0.0)):
        raise UsageError("an uncertainty that weights must be positive", got=float(np.min(sigma)))


def _finish(parameters: FloatArray, bare: FloatArray, residuals: FloatArray, sigma: FloatArray | None) -> Fit:
    """Scale the bare covariance; ``sigma`` None: no uncertainty was given, the scatter sets the scale."""
    dof = residuals.size - parameters.size
    weighted = residuals if sigma is None else residuals / sigma
    per_dof = float(np.sum(weighted**2)) / dof if dof > 0 else np.nan
    scale = per_dof if sigma is None else max(1.0, per_dof) if dof > 0 else 1.0
    return Fit(parameters, bare * scale, residuals, float(np.sqrt(per_dof)), dof)


def _jacobian(function: Callable[[FloatArray], FloatArray], b: FloatArray) -> FloatArray:
    """Derivatives (n, p) by central differences, with a step of a thousandth of each parameter."""
    columns = [_derivative(function, b, i, 1e-3 * (abs(float(b[i])) or 1.0)) for i in range(b.size)]
    return np.stack(columns, axis=1)


def _close_jacobian(function: Callable[[FloatArray], FloatArray], b: FloatArray) -> FloatArray:
    """Derivatives (n, p) as in :func:`_jacobian`, each with the step that suits it.

    From wide to narrow: truncation falls with the fourth power of the step, rounding grows with its inverse; the two
    estimates that agree best lie between (C. J. F. Ridders, Adv. Eng. Software 4 (1982) 75, from memory).
    """
    columns = []
    for i in range(b.size):
        best, smallest, last = np.full(function(b).shape, np.nan), np.inf, None
        for k in range(8):
            step = 1e-2 * 4.0**-k * (abs(float(b[i])) or 1.0)
            column = _derivative(function, b, i, step)
            if last is not None:
                apart = float(np.linalg.norm(column - last))
                if apart < smallest:
                    best, smallest = column, apart
            last = column
        columns.append(best)
    return np.stack(columns, axis=1)


def _derivative(function: Callable[[FloatArray], FloatArray], b: FloatArray, i: int, step: float) -> FloatArray:
    """Derivative (n,) by parameter ``i``, central differences of fourth order."""

    def at(shift: float) -> FloatArray:
        moved = b.copy()
        moved[i] += shift
        return function(moved)

    found: FloatArray = (8.0 * (at(step) - at(-step)) - (at(2 * step) - at(-2 * step))) / (12.0 * step)
    return found
