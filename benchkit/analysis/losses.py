"""Loss over speed and torque: a few physical terms, fitted to the measured operating points.

Terms are products of powers of the scaled speed n and torque T. What stands behind them (common practice, no single
source): ``1`` standby and auxiliary loss; ``n`` bearing friction and hysteresis; ``n^2`` eddy currents and windage;
``|T|`` conduction of the semiconductors' threshold voltage; ``T^2`` resistance of winding and semiconductors;
``n*|T|``, ``n*T^2``, ``n^2*T^2`` switching, load-dependent iron loss, skin effect and field weakening.

``T`` and ``n*T`` change sign with the flow of power: the current carries friction and iron drag beside the shaft torque
while motoring, and less than the shaft torque while generating. They are offered where both were measured.

Terms of a condition, such as ``T^2*winding_temp``, take out that a point was not run at the temperature or voltage
that is usual for its load: resistance rises with temperature, switching loss with voltage.

Source of the terms: common practice, as above; of their choice: cross-validation, at :func:`fit_losses`.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from benchkit.analysis.fitting import fit_linear
from benchkit.errors import UsageError, did_you_mean
from benchkit.model.results_maps import LossModel

FloatArray = npt.NDArray[np.float64]
Conditions = Mapping[str, FloatArray]

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
"""Terms that do not know the direction of power: exponents of scaled |n| and |T|."""
SIGNED: Mapping[str, tuple[int, int]] = {"T": (0, 1), "n*T": (1, 1)}
"""Terms with the sign of the power: exponents of scaled |n| and |T|."""
CONDITION_TERMS: Mapping[str, tuple[str, str]] = {
    "T^2*winding_temp": ("T^2", "winding_temp"),
    "n^2*magnet_temp": ("n^2", "magnet_temp"),
    "T^2*junction_temp": ("T^2", "junction_temp"),
    "|T|*dc_voltage": ("|T|", "dc_voltage"),
}
"""Terms of a condition: the term that it changes, and the condition."""
TERMS = (*POWERS, *SIGNED, *CONDITION_TERMS)

SPARE_POINTS = 3
"""Distinct points that a fit must have beyond its terms."""
BOTH_WAYS = 3
"""Points of either direction of power that it takes to offer the signed terms."""
_SAME_POINT = 0.01
"""Points nearer than this share of the span in speed and in torque count as one."""


@dataclass(frozen=True, slots=True, eq=False)
class LossFit:
    """A fitted loss model and the numbers that a refit needs to answer the same question."""

    model: LossModel
    weights_u_w: FloatArray
    """Standard uncertainties that weighted the fit (n,) [W]."""
    u_is_known: bool = True
    """False where no point had a scatter: the weights are then equal and their size says nothing."""
    conditions: Conditions = field(default_factory=dict)


def design(model_terms: Sequence[str], n: npt.ArrayLike, T: npt.ArrayLike, conditions: Conditions = {}) -> FloatArray:  # noqa: B006  never written to
    """Design matrix (points, terms) [1] of scaled speed and torque [1]; raises UsageError for an unknown term.

    ``conditions`` holds by name how far each point is from usual; a condition that is not given is as usual (0).
    """
    speed, torque = np.broadcast_arrays(np.asarray(n, dtype=np.float64), np.asarray(T, dtype=np.float64))
    a, b, sign = np.abs(speed), np.abs(torque), np.sign(speed * torque)
    columns = []
    for term in model_terms:
        off: FloatArray | float = 1.0
        name = term
        if term in CONDITION_TERMS:
            name, condition = CONDITION_TERMS[term]
            off = conditions.get(condition, 0.0 * a)
        if name in SIGNED:
            i, j = SIGNED[name]
            columns.append(sign * a**i * b**j)
            continue
        if name not in POWERS:
            raise UsageError(
                f"{term!r} is not a loss term", expected=", ".join(TERMS), remedy=did_you_mean(term, TERMS)
            )
        i, j = POWERS[name]
        columns.append(a**i * b**j * off)
    return np.stack(columns, axis=-1)


def cells(speed_rpm: npt.ArrayLike, torque_nm: npt.ArrayLike) -> npt.NDArray[np.intp]:
    """Number of the set-point of each point (n,): equal numbers differ by less than 1 % of the span in both axes,
    speed [rpm] and torque [N·m].

    >>> cells([1000, 1000.1, 2000], [10, 10.001, 10]).tolist()
    [0, 0, 1]
    """
    n, T = np.asarray(speed_rpm, dtype=np.float64), np.asarray(torque_nm, dtype=np.float64)
    if n.size == 0:
        return np.empty(0, dtype=np.intp)
    rounded = []
    for x in (n, T):
        span = max(float(np.ptp(x)), 0.1 * float(np.max(np.abs(x)))) or 1.0
        rounded.append(np.round((x - x.min()) / (_SAME_POINT * span)))
    return np.asarray(np.unique(np.stack(rounded, axis=1), axis=0, return_inverse=True)[1].ravel(), dtype=np.intp)


def distinct_points(speed_rpm: npt.ArrayLike, torque_nm: npt.ArrayLike) -> int:
    """Number of points that differ by more than 1 % of the span (or 0.1 % of the largest) in speed [rpm] or torque
    [N·m].

    >>> distinct_points([1000, 1000.1, 2000], [10, 10.001, 10])
    2
    """
    return int(np.unique(cells(speed_rpm, torque_nm)).size)


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
    conditions: Conditions | None = None,
) -> LossFit:
    """Weighted least squares of the loss over speed and torque.

    ``P_loss(n, T) = sum_i b_i term_i(n / n_scale, T / T_scale)`` (1).

    Without ``terms`` they are chosen by cross-validation: every set of known terms with the constant in it predicts
    each set-point from a fit to all the others, and the set with the least mean square of these errors is taken,
    ``CV = 1/N sum (e_i / (1 - h_ii) / u_i)²`` (2) with residual e and leverage h; points of one set-point are left out
    together. The signed terms are tried where power flowed both ways, the terms of each condition one by one after the
    rest. Points are weighted by ``1/u²``; a u below a tenth of the median is raised to that, so that no lucky point
    rules the fit. The covariance is scaled by max(1, chi²/dof). It does not hold what is common to all points
    (calibration), nor a shape that the terms do not have: :mod:`benchkit.analysis.efficiency_map` adds both.

    Args:
        speed_rpm, torque_nm, loss_w: points, shape (n,).
        u_loss_w: standard uncertainty of the loss from scatter alone [W], shape (n,).
        terms: names from :data:`TERMS`; None: chosen as above.
        conditions: by name (``winding_temp`` …) how far each point is from what is usual there, shape (n,).

    Raises:
        UsageError: fewer distinct points than terms + 3, terms that the points cannot tell apart, or (without
            ``terms``) points on one curve.

    Source of (2): D. M. Allen, Technometrics 16 (1974) 125, doi 10.1080/00401706.1974.10489157.
    """
    n, T, loss, u = (np.asarray(v, dtype=np.float64) for v in (speed_rpm, torque_nm, loss_w, u_loss_w))
    off = dict(conditions or {})
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
    weights, u_is_known = _weights(u)
    groups = cells(n, T)
    y = loss / weights
    chosen = _choose(scaled_n, scaled_t, y, weights, groups, off, room) if terms is None else tuple(terms)
    X = design(chosen, scaled_n, scaled_t, off)
    fit = fit_linear(X, loss, weights)
    left_out = left_out_errors(X[None] / weights[None, :, None], y, groups)[0] * weights
    model = LossModel(
        terms=chosen,
        coefficients=tuple(float(b) for b in fit.parameters),
        covariance=tuple(tuple(float(c) for c in row) for row in fit.covariance),
        speed_scale_rpm=speed_scale,
        torque_scale_nm=torque_scale,
        residual_rms_w=float(np.sqrt(np.mean(fit.residuals**2))),
        dof=fit.dof,
        chi2_per_dof=fit.residual_sd**2,
        cross_validated_rms_w=float(np.sqrt(np.mean(left_out**2))),
    )
    return LossFit(model, weights, u_is_known, {name: off[name] for name in off})


def _weights(u: FloatArray) -> tuple[FloatArray, bool]:
    known = u[np.isfinite(u) & (u > 0.0)]
    if known.size == 0:
        return np.ones(u.shape), False
    floor = 0.1 * float(np.median(known))
    return np.where(np.isfinite(u), np.maximum(u, floor), float(np.median(known))), True


# ------------------------------------------------------------------------------------------ cross-validation
def left_out_errors(X: FloatArray, y: FloatArray, groups: npt.NDArray[np.intp]) -> FloatArray:
    """Errors at points left out of the fit, for a stack of designs (sets, n, k): shape (sets, n), in the unit of y.

    ``e_g = (I - H_gg)⁻¹ (y_g - X_g b)`` (3) for the points g of one group left out together, H the hat matrix:
    exact, without a refit. Infinite where a design has dependent columns, or loses one with the group.
    """
    length = np.linalg.norm(X, axis=1, keepdims=True)
    q, r = np.linalg.qr(X / np.where(length > 0.0, length, 1.0))
    sound = np.min(np.abs(np.diagonal(r, axis1=1, axis2=2)), axis=1) > 1e-7
    errors = y[None, :] - np.einsum("snk,sk->sn", q, np.einsum("snk,n->sk", q, y))
    free = 1.0 - np.sum(q * q, axis=2)
    for group in np.flatnonzero(np.bincount(groups) > 1):
        rows = np.flatnonzero(groups == group)
        part = q[:, rows, :]
        rest = np.eye(rows.size) - part @ part.transpose(0, 2, 1)
        sound &= np.linalg.det(rest) > 1e-9
        rest[~sound] = np.eye(rows.size)
        errors[:, rows] = np.linalg.solve(rest, errors[:, rows, None])[..., 0]
        free[:, rows] = 1.0
    sound &= np.min(free, axis=1) > 1e-9
    errors /= np.where(free > 1e-9, free, 1.0)
    errors[~sound] = np.inf
    return np.asarray(errors)


def _choose(
    n: FloatArray,
    T: FloatArray,
    y: FloatArray,
    weights: FloatArray,
    groups: npt.NDArray[np.intp],
    conditions: Conditions,
    room: int,
) -> tuple[str, ...]:
    """Terms with the least cross-validated error; ``y`` is weighted."""
    both = min(int(np.sum(n * T > 0.0)), int(np.sum(n * T < 0.0))) >= BOTH_WAYS
    optional = [name for name in POWERS if name != "1"] + (list(SIGNED) if both else [])
    full = design(("1", *optional), n, T) / weights[:, None]
    # below this the data are exact and the errors are rounding: fewer terms win
    tiny = (1e-9 * float(np.linalg.norm(y))) ** 2 / y.size + np.finfo(np.float64).tiny
    best: tuple[str, ...] = ("1",)
    best_score = np.inf
    for count in range(1, min(room - 1, len(optional)) + 1):
        sets = np.array(list(itertools.combinations(range(1, len(optional) + 1), count)))
        picked = np.concatenate([np.zeros((len(sets), 1), dtype=sets.dtype), sets], axis=1)
        scores = np.mean(left_out_errors(full[:, picked].transpose(1, 0, 2), y, groups) ** 2, axis=1)
        scores = np.maximum(scores, tiny)
        first = int(np.argmin(scores))
        if scores[first] < best_score * (1.0 - 1e-9):
            best, best_score = ("1", *(optional[i - 1] for i in sets[first])), float(scores[first])
    if np.isinf(best_score):
        raise UsageError(
            "the operating points do not tell the loss terms apart",
            remedy="Vary speed and torque independently of each other.",
        )
    for term, (_, condition) in CONDITION_TERMS.items():
        if condition in conditions and len(best) < room:
            X = design((*best, term), n, T, conditions) / weights[:, None]
            score = float(np.mean(left_out_errors(X[None], y, groups) ** 2))
            if max(score, tiny) < best_score * (1.0 - 1e-9):
                best, best_score = (*best, term), score
    return best


# ------------------------------------------------------------------------------------------------ evaluation
def loss_at(model: LossModel, speed_rpm: npt.ArrayLike, torque_nm: npt.ArrayLike) -> FloatArray:
    """Loss [W] of the model (1), conditions as usual; broadcasts. It does not know where the model was measured: see
    the hull of a map."""
    return np.asarray(design_at(model, speed_rpm, torque_nm) @ np.asarray(model.coefficients))


def u_loss_at(model: LossModel, speed_rpm: npt.ArrayLike, torque_nm: npt.ArrayLike) -> FloatArray:
    """Standard uncertainty [W] of :func:`loss_at` from the covariance of the fit; broadcasts."""
    X = design_at(model, speed_rpm, torque_nm)
    return np.asarray(np.sqrt(np.einsum("...i,ij,...j->...", X, np.asarray(model.covariance), X)))


def design_at(
    model: LossModel,
    speed_rpm: npt.ArrayLike,
    torque_nm: npt.ArrayLike,
    conditions: Conditions = {},  # noqa: B006  never written to
) -> FloatArray:
    """Rows of the design of ``model`` (…, terms) [1] at speeds [rpm] and torques [N·m]; broadcasts."""
    n = np.asarray(speed_rpm, dtype=np.float64) / model.speed_scale_rpm
    T = np.asarray(torque_nm, dtype=np.float64) / model.torque_scale_nm
    return design(model.terms, n, T, conditions)
