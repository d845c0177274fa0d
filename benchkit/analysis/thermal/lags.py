"""The first-order lag, stepped exactly: every thermal network is a sum of these.

Source: sampled systems, textbook, named at :func:`lag`; the rest derived.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]


def lag(time_s: npt.ArrayLike, values: npt.ArrayLike, tau_s: float, *, start: float | None = None) -> FloatArray:
    """Output (n,) of ``tau dy/dt = u - y`` (1) for an input that runs straight between its samples.

    The step is exact, whatever its length: ``y' = phi y + (g - phi) u + (1 - g) u'`` (2), ``phi = exp(-dt/tau)``,
    ``g = (1 - phi) tau/dt``.

    Args:
        time_s: sample times (n,) [s], rising; need not be even.
        values: input u (n,), in any unit; the output is in the same.
        tau_s: time constant [s], positive.
        start: output at the first time, same unit; None: at rest with the first input.

    Source: Åström and Wittenmark, *Computer-Controlled Systems*, 3rd ed. 1997, ch. 2 (from memory); derived.

    >>> lag([0.0, 1.0, 2.0], [1.0, 1.0, 1.0], 1.0, start=0.0).round(4).tolist()
    [0.0, 0.6321, 0.8647]
    """
    t = np.asarray(time_s, dtype=np.float64)
    check_times(t)
    if not tau_s > 0.0:
        raise UsageError("a time constant must be positive", got=tau_s)
    return Steps(np.diff(t), tau_s).lag(np.asarray(values, dtype=np.float64), start)


class Steps:
    """The steps of one time constant over one record, made once for every input that runs through it.

    Equation (2) of :func:`lag` is a triangular system with one band beside its diagonal; BLAS walks through it.
    """

    def __init__(self, dt_s: FloatArray, tau_s: float) -> None:
        x = dt_s / tau_s
        phi = np.exp(-x)
        # (1 - phi)/x by its series where it would lose digits
        small = x < 1e-5
        g = np.where(small, 1.0 - x / 2.0, -np.expm1(-x) / np.where(small, 1.0, x))
        self._before, self._after = g - phi, 1.0 - g
        self._bands = np.ones((2, dt_s.size + 1), order="F")
        self._bands[1, :-1] = -phi

    def lag(self, values: FloatArray, start: float | None = None) -> FloatArray:
        """As :func:`lag`, for ``values`` (n,), in their unit."""
        from scipy.linalg.blas import dtbsv

        y = np.empty(values.size)
        y[:1] = values[:1] if start is None else start
        y[1:] = self._before * values[:-1] + self._after * values[1:]
        return np.asarray(dtbsv(1, self._bands, y, lower=1, diag=1, overwrite_x=1)) if y.size else y

    def decays(self) -> FloatArray:
        """``exp(-(t - t_0)/tau)`` (n,) [1]."""
        from scipy.linalg.blas import dtbsv

        y = np.zeros(self._bands.shape[1])
        y[0] = 1.0
        return np.asarray(dtbsv(1, self._bands, y, lower=1, diag=1, overwrite_x=1))


def check_times(t: FloatArray) -> None:
    """Times must be finite and rising.

    Raises:
        UsageError: they are not.
    """
    if t.ndim != 1 or not np.all(np.isfinite(t)) or (t.size > 1 and float(np.min(np.diff(t))) <= 0.0):
        raise UsageError(
            "sample times must be finite and rising", remedy="Split the record where its clock went back or stopped."
        )


def decays(time_s: FloatArray, tau_s: float) -> FloatArray:
    """``exp(-(t - t_0)/tau)`` (n,) [1]: what is left of a start away from rest; t and tau [s]."""
    return np.asarray(np.exp(-(time_s - time_s[0]) / tau_s))
