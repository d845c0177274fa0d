"""Loss of a heated part by current, speed and its own temperature.

Source: growth of resistance with temperature, constant of copper after IEEE 112 (from memory); losses with n and n²,
textbook of electrical machines.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]

ALPHA_COPPER_20 = 1.0 / 254.5
"""Temperature coefficient of copper at 20 °C [1/K]: 1/(234.5 + 20), from the constant of IEEE 112."""


@dataclass(frozen=True, slots=True, eq=False)
class LossLaw:
    """``P(I, n, T) = k I² (1 + alpha (T - 20 °C)) + b n + c n²`` (1).

    ``square_w_a2`` k [W/A²] at 20 °C, ``per_rpm_w`` b, ``per_rpm2_w`` c, alpha [1/K]; ``covariance`` (3, 3) is that of
    k, b, c. ``current_max_a`` and ``speed_max_rpm`` end what was tested (NaN: not known).
    """

    square_w_a2: float
    per_rpm_w: float
    per_rpm2_w: float
    alpha_per_k: float
    covariance: FloatArray
    current_max_a: float = math.nan
    speed_max_rpm: float = math.nan

    def constant_w(self, speed_rpm: float) -> float:
        """Part that does not go with the current [W]."""
        return self.per_rpm_w * speed_rpm + self.per_rpm2_w * speed_rpm**2

    def loss_w(self, current_a: float, speed_rpm: float, temp_c: float) -> float:
        """Loss [W] (1)."""
        grown = 1.0 + self.alpha_per_k * (temp_c - 20.0)
        return self.square_w_a2 * current_a**2 * grown + self.constant_w(speed_rpm)


def fit_loss_law(
    current_a: npt.ArrayLike,
    speed_rpm: npt.ArrayLike,
    temp_c: npt.ArrayLike,
    loss_w: npt.ArrayLike,
    *,
    u_loss_w: npt.ArrayLike | None = None,
    alpha_per_k: float = ALPHA_COPPER_20,
) -> LossLaw:
    """Law (1) through losses [W] at points (n,): currents [A], speeds [rpm], temperatures [°C], ``alpha_per_k`` [1/K].

    Terms that the speeds do not tell apart are left out, the square first.

    No coefficient may be negative: a term whose best coefficient is negative is left out, too.

    Raises:
        UsageError: fewer than three points, or currents of one size only and no speed term to tell from them.
    """
    from benchkit.analysis.fitting import Fit, fit_linear

    current, speed, temp, loss = (np.asarray(x, dtype=np.float64) for x in (current_a, speed_rpm, temp_c, loss_w))
    u = None if u_loss_w is None else np.asarray(u_loss_w, dtype=np.float64)
    good = np.isfinite(current) & np.isfinite(speed) & np.isfinite(temp) & np.isfinite(loss)
    if np.count_nonzero(good) < 3:
        raise UsageError("too few points for a loss law", got=int(np.count_nonzero(good)), expected="at least 3")
    current, speed, temp, loss = current[good], speed[good], temp[good], loss[good]
    columns = np.stack([current**2 * (1.0 + alpha_per_k * (temp - 20.0)), speed, speed**2], axis=1)
    many_speeds = float(np.ptp(speed)) > 0.05 * float(np.max(np.abs(speed)) or 1.0)
    one_current = float(np.ptp(current**2)) <= 0.05 * float(np.max(current**2))
    for terms in ((0, 1, 2), (0, 1), (0,)):
        if (2 in terms and not many_speeds) or (len(terms) > 1 and one_current) or good.sum() < len(terms) + 1:
            continue
        try:
            fit: Fit = fit_linear(columns[:, terms], loss, None if u is None else u[good])
        except UsageError:
            continue
        if np.all(fit.parameters > 0.0):
            coefficients, covariance = np.zeros(3), np.zeros((3, 3))
            coefficients[list(terms)] = fit.parameters
            covariance[np.ix_(terms, terms)] = fit.covariance
            k, b, c = coefficients.tolist()
            return LossLaw(k, b, c, alpha_per_k, covariance, float(current.max()), float(np.abs(speed).max()))
    raise UsageError(
        "the losses do not rise with the current", remedy="Check signs and the wiring of the power meters."
    )
