"""Loss over speed and torque: a few physical terms, fitted to the measured operating points.

Terms are products of powers of the scaled speed n and torque T. What stands behind them (common practice, no single
source): ``1`` standby and auxiliary loss; ``n`` bearing friction and hysteresis; ``n^2`` eddy currents and windage;
``|T|`` conduction of the semiconductors' threshold voltage; ``T^2`` resistance of winding and semiconductors;
``n*|T|``, ``n*T^2``, ``n^2*T^2`` switching, load-dependent iron loss, skin effect and field weakening.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.fitting import fit_linear
from benchkit.errors import UsageError, did_you_mean
from benchkit.model.results import LossModel

FloatArray = npt.NDArray[np.float64]

POWERS: Mapping[str, tuple[int, int]] = {
    "1": (0, 0),
    "n": (1, 0),
    "n^2": (2, 0),
    "|T|": (0, 1),
    "T^2": (0, 2),
    "n*|T|": (1, 1),
    "n*T^2": (1, 2),
    "n^2*|T|": (2, 1),
    "n^2*T^2": (2, 2),
}
"""Known terms: exponents of scaled |n| and |T|."""

SPARE_POINTS = 3
"""Distinct points that a fit must have beyond its terms."""
_SAME_POINT = 0.01
"""Points nearer than this share of the span in speed and in torque count as one."""


@dataclass(frozen=True, slots=True, eq=False)
class LossFit:
    """A fitted loss model and the numbers that a refit needs to answer the same question."""

    model: LossModel
    weights_u_w: FloatArray
    """Standard uncertainties that weighted the fit (n,) [W]."""


def design(model_terms: Sequence[str], n: npt.ArrayLike, T: npt.ArrayLike) -> FloatArray:
    """Design matrix (points, terms) of scaled speed and torque; raises UsageError for an unknown term."""
    a, b = np.abs(np.asarray(n, dtype=np.float64)), np.abs(np.asarray(T, dtype=np.float64))
    columns = []
    for term in model_terms:
        if term not in POWERS:
            raise UsageError(
                f"{term!r} is not a loss term", expected=", ".join(POWERS), remedy=did_you_mean(term, POWERS)
            )
        i, j = POWERS[term]
        columns.append(a**i * b**j)
    return np.stack(columns, axis=-1)


def distinct_points(speed_rpm: npt.ArrayLike, torque_nm: npt.ArrayLike) -> int:
    """Number of points that differ by more than 1 % of the span (or 0.1 % of the largest) in speed or torque.

    >>> distinct_points([1000, 1000.1, 2000], [10, 10.001, 10])
    2
    """
    n, T = np.asarray(speed_rpm, dtype=np.float64), np.asarray(torque_nm, dtype=np.float64)
    if n.size == 0:
        return 0
    cells = []
    for x in (n, T):
        span = max(float(np.ptp(x)), 0.1 * float(np.max(np.abs(x)))) or 1.0
        cells.append(np.round((x - x.min()) / (_SAME_POINT * span)))
    return int(np.unique(np.stack(cells, axis=1), axis=0).shape[0])


def on_one_curve(speed: npt.ArrayLike, torque: npt.ArrayLike) -> bool:
    """True where one of the two is a parabola of the other to within 5 % of its spread: a line, or a propeller.

    >>> n = np.linspace(1000.0, 3000.0, 9)
    >>> on_one_curve(n, 1e-5 * n**2), on_one_curve(np.repeat(n, 2), np.tile([10.0, 50.0], 9))
    (True, False)
    """
    for x, y in ((speed, torque), (torque, speed)):
        a, b = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
        if np.ptp(a) == 0.0 or np.ptp(b) == 0.0:
            return True
        X = np.stack([np.ones(a.size), a / np.max(np.abs(a)), (a / np.max(np.abs(a))) ** 2], axis=1)
        rest = b - X @ np.linalg.lstsq(X, b, rcond=None)[0]
        if float(np.std(rest)) < 0.05 * float(np.std(b)):
            return True
    return False


def fit_losses(
    speed_rpm: npt.ArrayLike,
    torque_nm: npt.ArrayLike,
    loss_w: npt.ArrayLike,
    u_loss_w: npt.ArrayLike,
    terms: Sequence[str] | None = None,
) -> LossFit:
    """Weighted least squares of the loss over speed and torque.

    ``P_loss(n, T) = sum_i b_i term_i(n / n_scale, T / T_scale)`` (1).

    Without ``terms`` every set of known terms with the constant in it is tried, and the one with the lowest corrected
    information criterion ``AICc = N ln(chi²/N) + 2 k + 2 k (k + 1) / (N - k - 1)`` (2) is taken, k the number of terms
    and one for the scatter. Points are weighted by ``1/u²``; a u below a tenth of the median is raised to that, so
    that no lucky point rules the fit. The covariance is scaled by max(1, chi²/dof): where the terms do not describe
    the loss to within its scatter, the uncertainty grows. It does not hold what is common to all points (calibration);
    :mod:`benchkit.analysis.efficiency_map` adds that.

    Args:
        speed_rpm, torque_nm, loss_w: points, shape (n,).
        u_loss_w: standard uncertainty of the loss from scatter alone [W], shape (n,).
        terms: names from :data:`POWERS`; None: chosen as above.

    Raises:
        UsageError: fewer distinct points than terms + 3, terms that the points cannot tell apart, or (without
            ``terms``) points on one curve.

    Source of (2): C. M. Hurvich and C.-L. Tsai, Biometrika 76 (1989) 297, doi 10.1093/biomet/76.2.297.
    """
    n, T, loss, u = (np.asarray(v, dtype=np.float64) for v in (speed_rpm, torque_nm, loss_w, u_loss_w))
    room = distinct_points(n, T) - SPARE_POINTS
    fewest = 3 if terms is None else len(terms)
    if room < fewest:
        raise UsageError(
            "too few distinct operating points for a loss model",
            got=room + SPARE_POINTS,
            expected=f"at least {fewest + SPARE_POINTS}",
            remedy="Measure more set-points of speed and torque.",
        )
    speed_scale, torque_scale = float(np.max(np.abs(n))) or 1.0, float(np.max(np.abs(T))) or 1.0
    scaled_n, scaled_t = n / speed_scale, T / torque_scale
    if terms is None and on_one_curve(scaled_n, scaled_t):
        raise UsageError(
            "the operating points lie on one curve of speed and torque, as those of a propeller do: "
            "the loss beside that curve was not measured",
            remedy="Measure at several torques for each speed.",
        )
    weights = _weights(u)
    chosen = tuple(terms) if terms is not None else _select(scaled_n, scaled_t, loss / weights, weights, room)
    fit = fit_linear(design(chosen, scaled_n, scaled_t), loss, weights)
    model = LossModel(
        terms=chosen,
        coefficients=tuple(float(b) for b in fit.parameters),
        covariance=tuple(tuple(float(c) for c in row) for row in fit.covariance),
        speed_scale_rpm=speed_scale,
        torque_scale_nm=torque_scale,
        residual_rms_w=float(np.sqrt(np.mean(fit.residuals**2))),
        dof=fit.dof,
        chi2_per_dof=fit.residual_sd**2,
    )
    return LossFit(model, weights)


def _weights(u: FloatArray) -> FloatArray:
    known = u[np.isfinite(u) & (u > 0.0)]
    if known.size == 0:
        return np.ones(u.shape)
    floor = 0.1 * float(np.median(known))
    return np.where(np.isfinite(u), np.maximum(u, floor), float(np.median(known)))


def _select(n: FloatArray, T: FloatArray, y: FloatArray, weights: FloatArray, room: int) -> tuple[str, ...]:
    """Terms with the lowest AICc; ``y`` and the design are weighted."""
    optional = [name for name in POWERS if name != "1"]
    full = design(("1", *optional), n, T) / weights[:, None]
    length = np.linalg.norm(full, axis=0)
    full = full / np.where(length > 0.0, length, 1.0)
    N = y.size
    # below this the data are exact and the scatter is rounding: do not let its logarithm choose
    tiny = (1e-9 * float(np.linalg.norm(y))) ** 2 + np.finfo(np.float64).tiny
    best: tuple[int, ...] = (0,)
    best_score = math.inf
    for count in range(2, min(room, N - 3, len(optional)) + 1):
        for extra in itertools.combinations(range(1, len(optional) + 1), count - 1):
            columns = (0, *extra)
            solution, _, rank, _ = np.linalg.lstsq(full[:, columns], y, rcond=1e-7)
            if rank < count:
                continue
            chi2 = max(float(np.sum((y - full[:, columns] @ solution) ** 2)), tiny)
            k = count + 1
            score = N * math.log(chi2 / N) + 2 * k + 2 * k * (k + 1) / (N - k - 1)
            if score < best_score - 1e-9:
                best, best_score = columns, score
    if math.isinf(best_score):
        raise UsageError(
            "the operating points do not tell the loss terms apart",
            remedy="Vary speed and torque independently of each other.",
        )
    names = ("1", *optional)
    return tuple(names[i] for i in best)


def loss_at(model: LossModel, speed_rpm: npt.ArrayLike, torque_nm: npt.ArrayLike) -> FloatArray:
    """Loss [W] of the model (1); broadcasts. It does not know where the model was measured: see the hull of a map."""
    n, T = np.broadcast_arrays(
        np.asarray(speed_rpm, dtype=np.float64) / model.speed_scale_rpm,
        np.asarray(torque_nm, dtype=np.float64) / model.torque_scale_nm,
    )
    return np.asarray(design(model.terms, n, T) @ np.asarray(model.coefficients))


def u_loss_at(model: LossModel, speed_rpm: npt.ArrayLike, torque_nm: npt.ArrayLike) -> FloatArray:
    """Standard uncertainty [W] of :func:`loss_at` from the covariance of the fit; broadcasts."""
    n, T = np.broadcast_arrays(
        np.asarray(speed_rpm, dtype=np.float64) / model.speed_scale_rpm,
        np.asarray(torque_nm, dtype=np.float64) / model.torque_scale_nm,
    )
    X = design(model.terms, n, T)
    return np.asarray(np.sqrt(np.einsum("...i,ij,...j->...", X, np.asarray(model.covariance), X)))
