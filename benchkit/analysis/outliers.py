"""Outlier tests for repeated readings that are normal but for a few: one suspect (Grubbs), several (generalized ESD).

A test names a suspect; it removes nothing. A point leaves a result only with a reason and a name.

Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1 and 1.3.5.17.3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Suspect:
    """One suspect: its index, its distance from the mean in standard deviations, and the critical distance."""

    index: int
    statistic: float
    critical: float

    @property
    def is_outlier(self) -> bool:
        """True where the distance is beyond the critical one."""
        return self.statistic > self.critical


def grubbs(values: npt.ArrayLike, alpha: float = 0.05, *, two_sided: bool = True) -> Suspect:
    """The value farthest from the mean, and whether it is too far (Grubbs' test).

    ``G = max |y_i - ȳ| / s`` (1), critical ``(n-1)/sqrt(n) sqrt(t²/(n - 2 + t²))`` (2), t the upper alpha/(2n) point of
    Student's distribution with n - 2 degrees of freedom (alpha/n one-sided, for the greatest value).

    Args:
        values: readings, shape (n,), in any unit, n at least 3, no NaN.
        alpha: probability of a false alarm [1].
        two_sided: False: only the greatest value is suspected.

    Source: F. E. Grubbs, Technometrics 11 (1969) 1, doi 10.1080/00401706.1969.10490657.

    >>> found = grubbs([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57], two_sided=False)
    >>> found.index, round(found.statistic, 4), round(found.critical, 3)
    (7, 2.4688, 2.032)
    """
    y = _checked(values, 3)
    n = y.size
    s = float(y.std(ddof=1))
    distance = np.abs(y - y.mean()) if two_sided else y - y.mean()
    index = int(np.argmax(distance))
    return Suspect(
        index, float(distance[index]) / s if s > 0.0 else 0.0, _critical(n, alpha / (2 * n if two_sided else n))
    )


def generalized_esd(values: npt.ArrayLike, most: int, alpha: float = 0.05) -> tuple[Suspect, ...]:
    """Suspects one after the other, up to ``most``; the first k are outliers, k the last that passes its test.

    After each step the farthest value is taken out and the test repeated, so that two outliers do not hide each
    other. ``lambda_i`` is (2) for the values that are left, with alpha/(2 (n - i + 1)).

    Args:
        values: readings in any unit, shape (n,), no NaN; the critical values are good for n of
            15 or more (very good from 25).
        most: upper bound for the number of outliers.
        alpha: probability of a false alarm.

    Returns:
        ``most`` suspects in their order; take :func:`outliers_of` for the verdict.

    Source: B. Rosner, Technometrics 25 (1983) 165, doi 10.1080/00401706.1983.10487848.
    """
    y = _checked(values, most + 3)
    left = np.arange(y.size)
    suspects = []
    for _ in range(most):
        rest = y[left]
        s = float(rest.std(ddof=1))
        distance = np.abs(rest - rest.mean())
        at = int(np.argmax(distance))
        statistic = float(distance[at]) / s if s > 0.0 else 0.0
        suspects.append(Suspect(int(left[at]), statistic, _critical(left.size, alpha / (2 * left.size))))
        left = np.delete(left, at)
    return tuple(suspects)


def outliers_of(suspects: tuple[Suspect, ...]) -> tuple[int, ...]:
    """Indices of the outliers: all up to the last suspect whose distance is beyond its critical one."""
    last = max((k for k, suspect in enumerate(suspects) if suspect.is_outlier), default=-1)
    return tuple(suspect.index for suspect in suspects[: last + 1])


def _critical(n: int, tail: float) -> float:
    from scipy.special import stdtrit

    t = float(stdtrit(n - 2, 1.0 - tail))
    return (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))


def _checked(values: npt.ArrayLike, least: int) -> FloatArray:
    y = np.asarray(values, dtype=np.float64)
    if y.ndim != 1 or y.size < least or not np.all(np.isfinite(y)):
        raise UsageError(
            "an outlier test needs enough readings, all of them measured",
            got=f"{y.size} readings, {int(np.count_nonzero(~np.isfinite(y)))} of them not measured",
            expected=f"{least} or more",
        )
    return y
