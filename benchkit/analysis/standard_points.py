"""Losses at any load from a few standard operating points, as type tests of motors and drives state them.

Seven points of a converter-fed motor (IEC 60034-2-3) determine the seven coefficients of

    ``P_loss(n, T) = c1 + c2 n + c3 n² + c4 n T² + c5 n² T² + c6 T + c7 T²`` (1)

with n and T in shares of rated speed and rated torque. Eight points (IEC 61800-9-2) determine them by least squares.

Source: points and equation are **from memory** of IEC 60034-2-3:2020 and of IEC 61800-9-2:2017: the texts of the
standards were not at hand. Their public summaries say this much: losses at any load within the base speed range follow
from measured losses at seven standardised loads (IEC 60034-2-3:2020), and the interpolation of motor losses is an annex
of IEC 61800-9-2, with an updated method in the edition of 2023. Neither summary prints the equation.

That seven points determine (1) follows here: the points at n = 0.25, 0.5, 0.9 with full torque and those with part
torque are independent columns (tests/analysis/test_standard_points.py checks the rank).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.fitting import fit_linear
from benchkit.analysis.hull import convex_hull, is_inside
from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]

MOTOR_POINTS = ((0.9, 1.0), (0.5, 1.0), (0.25, 1.0), (0.9, 0.5), (0.5, 0.5), (0.5, 0.25), (0.25, 0.25))
"""Speed and torque of the seven points of a motor, in shares of rated (IEC 60034-2-3, from memory)."""
DRIVE_POINTS = ((0.0, 0.25), (0.0, 0.5), (0.0, 1.0), (0.5, 0.25), (0.5, 0.5), (0.5, 1.0), (1.0, 0.5), (1.0, 1.0))
"""Speed and torque of the eight points of a power drive system (IEC 61800-9-2, from memory)."""


@dataclass(frozen=True, slots=True, eq=False)
class StandardLosses:
    """Coefficients (7,) of (1) [W], their covariance (7, 7), and the polygon of the points they come from."""

    coefficients: FloatArray
    covariance: FloatArray
    hull: FloatArray


def standard_design(speed: npt.ArrayLike, torque: npt.ArrayLike) -> FloatArray:
    """Terms of (1) [1], shape (…, 7); speed and torque in shares of rated [1]. Torque counts by its size."""
    n, T = np.broadcast_arrays(np.asarray(speed, dtype=np.float64), np.abs(np.asarray(torque, dtype=np.float64)))
    return np.stack([np.ones(n.shape), n, n**2, n * T**2, n**2 * T**2, T, T**2], axis=-1)


def standard_losses(
    speed: npt.ArrayLike, torque: npt.ArrayLike, loss_w: npt.ArrayLike, u_w: npt.ArrayLike
) -> StandardLosses:
    """Coefficients of (1) from losses at standard points.

    Args:
        speed, torque: shares of rated, shape (n,), n of 7 or more.
        loss_w: loss at each point [W], shape (n,).
        u_w: its standard uncertainty [W], shape (n,), positive. The covariance is never smaller than it implies.

    Raises:
        UsageError: fewer than seven points, or points that do not determine the coefficients.
    """
    X = standard_design(speed, torque)
    if X.ndim != 2 or X.shape[0] < 7:
        raise UsageError("the losses need seven standard points or more", got=X.shape[0], expected="7 or 8")
    fit = fit_linear(X, loss_w, u_w)
    return StandardLosses(fit.parameters, fit.covariance, convex_hull(speed, torque))


def standard_loss_at(
    losses: StandardLosses, speed: npt.ArrayLike, torque: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Loss [W] and its standard uncertainty [W] at shares of rated speed and torque; NaN outside the points.

    The uncertainty is that of the points; that (1) may not be the shape of this machine's loss is not in it.
    """
    X = standard_design(speed, torque)
    inside = is_inside(losses.hull, speed, torque)
    u = np.sqrt(np.einsum("...i,ij,...j->...", X, losses.covariance, X))
    return np.where(inside, X @ losses.coefficients, np.nan), np.where(inside, u, np.nan)
