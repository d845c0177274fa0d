"""The first-order lag, stepped exactly: every thermal network is a sum of these."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]

_EVEN = 1e-6
"""Steps count as equal where they differ by less than this share: one recursive filter then does the whole record."""
_MOST_DECAY = 60.0
"""Longest stretch, in time constants, that is summed at once: beyond it exp(t/tau) loses nothing but nears overflow."""


def lag(time_s: npt.ArrayLike, values: npt.ArrayLike, tau_s: float, *, start: float | None = None) -> FloatArray:
    """Output (n,) of ``tau dy/dt = u - y`` (1) for an input that runs straight between its samples.

    The step is exact, whatever its length: ``y' = phi y + (g - phi) u + (1 - g) u'`` (2), ``phi = exp(-dt/tau)``,
    ``g = (1 - phi) tau/dt``.

    Args:
        time_s: sample times (n,) [s], rising; need not be even.
        values: input u (n,).
        tau_s: time constant [s], positive.
        start: output at the first time; None: at rest with the first input.

    Source: Åström and Wittenmark, *Computer-Controlled Systems*, 3rd ed. 1997, ch. 2 (from memory); derived.

    >>> lag([0.0, 1.0, 2.0], [1.0, 1.0, 1.0], 1.0, start=0.0).round(4).tolist()
    [0.0, 0.6321, 0.8647]
    """
    t, u = np.asarray(time_s, dtype=np.float64), np.asarray(values, dtype=np.float64)
    check_times(t)
    if not tau_s > 0.0:
        raise UsageError("a time constant must be positive", got=tau_s)
    y = np.empty(u.shape)
    if u.size == 0:
        return y
    y[0] = u[0] if start is None else start
    dt = np.diff(t)
    if dt.size == 0:
        return y
    x = dt / tau_s
    phi = np.exp(-x)
    rest = -np.expm1(-x)
    # (1 - phi)/x by its series where it would lose digits
    g = np.where(x > 1e-5, rest / np.where(x > 1e-5, x, 1.0), 1.0 - x / 2.0 + x * x / 6.0)
    pushed = (g - phi) * u[:-1] + (1.0 - g) * u[1:]
    if float(np.ptp(dt)) <= _EVEN * float(dt[0]):
        from scipy.signal import lfilter

        step = float(phi[0])
        y[1:], _ = lfilter([1.0], [1.0, -step], pushed, zi=[step * y[0]])
        return y
    _scan(y, x, pushed)
    return y


def _scan(y: FloatArray, x: FloatArray, pushed: FloatArray) -> None:
    """``y[k+1] = exp(-x[k]) y[k] + pushed[k]`` in place, in stretches of a few dozen time constants."""
    decay = np.concatenate([[0.0], np.cumsum(x)])
    k, last = 0, x.size
    while k < last:
        stop = max(int(np.searchsorted(decay, decay[k] + _MOST_DECAY, side="right")) - 1, k + 1)
        grown = decay[k + 1 : stop + 1] - decay[k]
        if stop == k + 1:  # a step longer than the stretch: nothing of before is left
            y[k + 1] = np.exp(-grown[0]) * y[k] + pushed[k]
        else:
            y[k + 1 : stop + 1] = np.exp(-grown) * (y[k] + np.cumsum(pushed[k:stop] * np.exp(grown)))
        k = stop


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
    """``exp(-(t - t_0)/tau)`` (n,): what is left of a start away from rest."""
    return np.asarray(np.exp(-(time_s - time_s[0]) / tau_s))
