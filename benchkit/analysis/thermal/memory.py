"""What the residuals of a fit remember: their autocovariance by an autoregression."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from benchkit.analysis.uncertainty import autocovariance

FloatArray = npt.NDArray[np.float64]

MOST_LAGS = 30
"""Longest autoregression that is tried."""


@dataclass(frozen=True, slots=True, eq=False)
class Memory:
    """Autocovariance ``gamma`` (size,) of one record of residuals; ``time`` in readings per independent reading.

    ``phi`` (order,) [1] are the coefficients of the autoregression, ``fresh`` the variance of what is new in each
    reading.
    """

    size: int
    gamma: FloatArray
    time: float
    phi: FloatArray = field(default_factory=lambda: np.empty(0))
    fresh: float = 0.0

    def whiten(self, columns: FloatArray) -> FloatArray:
        """Columns (size, p) whose noise has this memory, to columns [1] whose noise has none and variance one.

        ``(e_k - sum_m phi_m e_(k-m))/sqrt(fresh)``; the first rows, which have nothing before them, by the Cholesky
        factor of their own covariance. The variance must not be zero.

        Source: as :func:`memory_of`.
        """
        from scipy.linalg import cholesky, solve_triangular, toeplitz

        p = self.phi.size
        if p == 0:
            return np.asarray(columns / math.sqrt(self.gamma[0]))
        out = columns.copy()
        for m in range(1, p + 1):
            out[p:] -= self.phi[m - 1] * columns[p - m : -m]
        out[p:] /= math.sqrt(self.fresh)
        out[:p] = solve_triangular(cholesky(toeplitz(self.gamma[:p]), lower=True), columns[:p], lower=True)
        return out

    def apply(self, columns: FloatArray) -> FloatArray:
        """``Γ J`` for columns (size, p): the Toeplitz matrix of ``gamma``, by FFT; unit of gamma times that of J.

        Source: a Toeplitz matrix as a part of a circulant one, textbook.
        """
        from scipy import fft

        n = self.size
        length = fft.next_fast_len(2 * n, real=True)
        kernel = np.zeros(length)
        kernel[:n] = self.gamma
        kernel[length - n + 1 :] = self.gamma[:0:-1]
        spectrum = fft.rfft(kernel).real
        product: FloatArray = fft.irfft(fft.rfft(columns, n=length, axis=0) * spectrum[:, None], n=length, axis=0)[:n]
        return product


def memory_of(residuals: npt.ArrayLike) -> Memory:
    """Autocovariance of residuals (n,) without NaN, as an autoregression has it whose order Akaike's criterion picks.

    ``e_k = sum_m phi_m e_(k-m) + noise`` (1), phi by the recursion of Levinson and Durbin from the first
    :data:`MOST_LAGS` coefficients; gamma follows from (1) for all lags. ``time = sigma²/((1 - sum phi)² gamma_0)``
    (2), at least 1: negative memory is given no credit. gamma is in the unit of the residuals squared, time [1].

    Source: Brockwell and Davis, *Time Series: Theory and Methods*, 2nd ed. 1991, ch. 5 and 8 (from memory).
    """
    from scipy.linalg.blas import dtbsv

    e = np.asarray(residuals, dtype=np.float64)
    n = e.size
    rough = autocovariance(e[:, None])[:, 0]
    most = min(MOST_LAGS, max(n // 10, 1))
    if n < 3 or not rough[0] > 0.0:
        gamma = np.zeros(n)
        gamma[:1] = rough[:1]
        return Memory(n, gamma, 1.0)
    best = (0.0, np.empty(0), float(rough[0]))
    phi, sigma2 = np.empty(0), float(rough[0])
    for m in range(1, most + 1):
        k = (rough[m] - float(phi @ rough[m - 1 : 0 : -1])) / sigma2 if m > 1 else rough[1] / sigma2
        phi = np.concatenate([phi - k * phi[::-1], [k]])
        sigma2 *= 1.0 - float(k) ** 2
        if not sigma2 > 0.0:
            break
        gain = n * np.log(sigma2 / rough[0]) + 2.0 * m
        if gain < best[0]:
            best = (gain, phi, sigma2)
    _, phi, sigma2 = best
    if phi.size == 0:
        gamma = np.zeros(n)
        gamma[0] = rough[0]
        return Memory(n, gamma, 1.0)
    # beyond the lags that were fitted, gamma follows the recursion: a triangular system with as many bands
    p = phi.size
    bands = np.zeros((p + 1, n), order="F")
    bands[0] = 1.0
    for m in range(1, p + 1):
        bands[m, p - m : n - m] = -phi[m - 1]
    gamma = np.zeros(n)
    gamma[:p] = rough[:p]
    gamma = np.asarray(dtbsv(p, bands, gamma, lower=1, diag=1))
    time = sigma2 / ((1.0 - float(phi.sum())) ** 2 * float(rough[0]))
    return Memory(n, gamma, float(min(max(time, 1.0), max(n / 2.0, 1.0))), phi, sigma2)
