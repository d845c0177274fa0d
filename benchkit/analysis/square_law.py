"""Force or torque of a fixed propeller against n²: the line, its confidence band, and whether a line is enough.

Constant coefficients mean ``T = k n²``. Where the points leave that line by more than they scatter, the coefficients
change with speed (Reynolds and Mach number, blades that bend), the zero is off, or something is wrong.

Source: constant coefficients (definition); confidence band of a least-squares line, NIST/SEMATECH e-Handbook of
Statistical Methods, 4.5.2 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.fitting import Fit, fit_linear
from benchkit.analysis.uncertainty import coverage_factor
from benchkit.errors import UsageError
from benchkit.model.results import Estimate

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FitTest:
    """Test of a model: ``statistic`` is F (with replicates) or chi² over its degrees of freedom; ``p`` its tail."""

    kind: str
    """"F" with replicates, "chi2" without."""
    statistic: float
    dof: tuple[int, int]
    """Of lack of fit and of pure error (0 for chi²)."""
    p: float

    def is_significant(self, alpha: float = 0.05) -> bool:
        """True where the model does not explain the points."""
        return self.p < alpha


@dataclass(frozen=True, slots=True, eq=False)
class SquareLawFit:
    """``y = k n² (+ offset)``, n in 1/s. ``slope`` is k in [unit of y · s²]."""

    fit: Fit
    slope: Estimate
    offset: Estimate | None

    def at(self, speed_rpm: npt.ArrayLike) -> FloatArray:
        """Fitted values at speeds [rpm]."""
        return np.asarray(_design(speed_rpm, self.offset is not None) @ self.fit.parameters)

    def band(self, speed_rpm: npt.ArrayLike, probability: float = 0.95) -> FloatArray:
        """Half-width of the confidence band of the line at speeds [rpm]: ``t sqrt(x' C x)`` (2)."""
        x = _design(speed_rpm, self.offset is not None)
        variance = np.einsum("...i,ij,...j->...", x, self.fit.covariance, x)
        return np.asarray(coverage_factor(float(self.fit.dof), probability) * np.sqrt(variance))


def fit_square_law(
    speed_rpm: npt.ArrayLike,
    values: npt.ArrayLike,
    u: npt.ArrayLike | None = None,
    *,
    unit: str,
    with_offset: bool = False,
) -> SquareLawFit:
    """Least squares ``y = k n²`` (1), through zero unless ``with_offset``; n = speed/60 in 1/s.

    Args:
        speed_rpm: speeds [rpm], shape (n,).
        values: thrust [N] or torque [N·m], shape (n,).
        u: standard uncertainties of the values that differ from point to point (scatter), shape (n,), or None.
        unit: of the values.
        with_offset: a constant is fitted, too: the zero of the cell.

    Raises:
        UsageError: too few points, or points at one speed only for a line with offset.

    >>> found = fit_square_law([600.0, 1200.0, 1800.0], [10.0, 40.0, 90.0], unit="N")
    >>> round(found.slope.value, 9), found.at(2400.0).round(6).tolist()
    (0.1, 160.0)
    """
    fit = fit_linear(_design(np.asarray(speed_rpm, dtype=np.float64), with_offset), values, u)
    estimates = [
        Estimate(float(b), float(s), f"{unit}·s²" if k == 0 else unit, float(fit.dof))
        for k, (b, s) in enumerate(zip(fit.parameters, fit.u, strict=True))
    ]
    return SquareLawFit(fit, estimates[0], estimates[1] if with_offset else None)


def _design(speed_rpm: npt.ArrayLike, with_offset: bool) -> FloatArray:
    n = np.asarray(speed_rpm, dtype=np.float64) / 60.0
    return np.stack([n**2, np.ones_like(n)], axis=-1) if with_offset else (n**2)[..., None]


def fit_test(
    values: npt.ArrayLike,
    fitted: npt.ArrayLike,
    parameters: int,
    *,
    groups: Sequence[Hashable] | None = None,
    u: npt.ArrayLike | None = None,
) -> FitTest:
    """Does the model explain the points? F test against the scatter of replicates, else chi² against stated ``u``.

    With replicates (``groups`` with more than one point): ``F = [SS_lof/(m - p)] / [SS_pe/(N - m)]`` (3), SS_pe the
    sum of squares about the means of the m groups, SS_lof what is left of the residuals. Without: ``chi² = sum
    (residual/u)²`` (4) with N - p degrees of freedom, given as chi² per degree of freedom.

    Args:
        values: N points, in any unit; ``fitted`` and ``u`` in the same.
        fitted: what the model says there; equal within a group, or nearly.
        parameters: p, number of fitted parameters.
        groups: label of the set point of each value; None: no replicates.
        u: standard uncertainties (N,), needed without replicates.

    Raises:
        UsageError: neither replicates nor uncertainties, or no degree of freedom left.

    Source: NIST/SEMATECH e-Handbook, 4.4.4.6.
    """
    from scipy.special import chdtrc, fdtrc

    y, model = np.asarray(values, dtype=np.float64), np.asarray(fitted, dtype=np.float64)
    residual = y - model
    labels = list(groups) if groups is not None else list(range(y.size))
    names = {name: k for k, name in enumerate(dict.fromkeys(labels))}
    index = np.array([names[name] for name in labels])
    count = np.bincount(index)
    m = count.size
    if m < y.size:
        means = np.bincount(index, residual) / count  # of residuals: set points are not met exactly
        pure = float(np.sum((residual - means[index]) ** 2))
        lof = float(np.sum(count * means**2))
        dof = (m - parameters, y.size - m)
        if dof[0] < 1:
            raise _none_left(m, parameters)
        f = (lof / dof[0]) / (pure / dof[1]) if pure > 0.0 else math.inf
        return FitTest("F", f, dof, float(fdtrc(dof[0], dof[1], f)))
    if u is None:
        raise UsageError(
            "lack of fit cannot be judged",
            got="no replicates and no uncertainties",
            remedy="Repeat set points, or give the standard uncertainties of the points.",
        )
    left = y.size - parameters
    if left < 1:
        raise _none_left(y.size, parameters)
    chi2 = float(np.sum((residual / np.asarray(u, dtype=np.float64)) ** 2))
    return FitTest("chi2", chi2 / left, (left, 0), float(chdtrc(left, chi2)))


def _none_left(points: int, parameters: int) -> UsageError:
    return UsageError(
        "no degree of freedom is left for lack of fit", got=f"{points} set points, {parameters} parameters"
    )
