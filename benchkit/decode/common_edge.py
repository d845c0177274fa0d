"""The offset of two time bases, measured on an edge that both sources have seen: a lamp, a trigger, a step of load."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchkit.errors import UsageError
from benchkit.model.samples import FloatArray


@dataclass(frozen=True, slots=True)
class EdgeOffset:
    """``offset_s`` is the time of an edge in the second source minus that in the first; ``u_s`` its standard
    uncertainty from the sample intervals and, with several edges, not below what their scatter says."""

    offset_s: float
    u_s: float
    edges: int


def offset_between(time_a: FloatArray, a: FloatArray, time_b: FloatArray, b: FloatArray) -> EdgeOffset:
    """Offset of the times of ``b`` against those of ``a``, from the rising edges through the middle of each signal.

    Times (n,) in s, rising; values (n,) in any unit, NaN left out. An edge lies anywhere between two samples: a
    rectangular distribution, half width half the interval, u = interval / sqrt(12) (JCGM 100:2008, 4.3.7).

    Raises:
        UsageError: no edge, or not the same number of edges in both.
    """
    edges_a, u_a = rising_edges(time_a, a)
    edges_b, u_b = rising_edges(time_b, b)
    count = edges_a.shape[0]
    if count == 0 or count != edges_b.shape[0]:
        raise UsageError(
            "the two signals have no common edges",
            got=f"{count} and {edges_b.shape[0]} rising edges",
            expected="the same number in both, at least one",
            remedy="Choose a stretch of time with the edge, and only it.",
        )
    differences = edges_b - edges_a
    u = math.sqrt(float(np.mean(u_a**2 + u_b**2)) / count)
    if count > 1:
        u = max(u, float(np.std(differences, ddof=1)) / math.sqrt(count))
    return EdgeOffset(float(np.mean(differences)), u, count)


def rising_edges(time_s: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Middle of the sample interval in which each rising edge lies (m,) [s], and its standard uncertainty (m,) [s]."""
    known = np.isfinite(values)
    time_s, values = time_s[known], values[known]
    if values.shape[0] < 2:
        return np.empty(0), np.empty(0)
    low, high = float(np.min(values)), float(np.max(values))
    is_high = values > low + 0.5 * (high - low)
    at = np.flatnonzero(~is_high[:-1] & is_high[1:])
    return 0.5 * (time_s[at] + time_s[at + 1]), (time_s[at + 1] - time_s[at]) / math.sqrt(12.0)
