"""A metric over many revisions: individuals chart and moving range, with control limits.

``centre ± 3 MR / d2`` (1) for the values, ``(1 + 3 d3/d2) MR`` (2) for the moving range, MR the mean of the ranges of
neighbours, d2 = 2/√π and d3 = √(2 - 4/π) those of two normal values. (1) is the usual centre ± 2.66 MR, (2) the usual
3.267 MR.

Source: D. C. Montgomery, *Introduction to Statistical Quality Control*, section 6.4; ISO 7870-2 (both from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]

D2 = 2.0 / math.sqrt(math.pi)
D3 = math.sqrt(2.0 - 4.0 / math.pi)
RUN_OF = 8
"""So many values in a row on one side of the centre are a shift (rule of eight; common practice)."""
LEAST = 3
FIRM = 10
"""Below so many values the limits are rough; the report says so."""


@dataclass(frozen=True, slots=True, eq=False)
class ControlChart:
    """Values (n,) in order with centre and limits, moving ranges (n - 1,) with theirs, and what stands out.

    ``outside`` are indices of values beyond the limits, ``jumps`` of values whose range to the one before is beyond
    its limit, ``shifts`` of the last value of each run of eight on one side.
    """

    values: FloatArray
    centre: float
    low: float
    high: float
    ranges: FloatArray
    range_mean: float
    range_high: float
    base: int
    """So many values made the limits."""
    outside: tuple[int, ...]
    jumps: tuple[int, ...]
    shifts: tuple[int, ...]

    @property
    def is_firm(self) -> bool:
        """Enough values for limits that can be trusted."""
        return self.base >= FIRM


def control_chart(values: npt.ArrayLike, base: int | None = None) -> ControlChart:
    """Individuals chart of values in the order taken.

    Args:
        values: shape (n,), finite, n of 3 or more, in any unit; centre and limits are in the same.
        base: so many values from the first make the limits; None: all of them.

    Raises:
        UsageError: too few values, one that is not finite, or a base that is too short.

    >>> chart = control_chart([10.0, 12.0, 11.0, 13.0])
    >>> round(chart.centre, 2), round(chart.range_mean, 3), round(chart.high, 2)
    (11.5, 1.667, 15.93)
    """
    x = np.asarray(values, dtype=np.float64)
    count = x.size if base is None else base
    if x.ndim != 1 or x.size < LEAST or not np.all(np.isfinite(x)) or not LEAST <= count <= x.size:
        raise UsageError(
            "a control chart needs three values or more, all of them numbers", got=f"{x.size} values, base {count}"
        )
    ranges = np.abs(np.diff(x))
    centre, spread = float(x[:count].mean()), float(ranges[: count - 1].mean())
    reach = 3.0 * spread / D2
    low, high, range_high = centre - reach, centre + reach, (1.0 + 3.0 * D3 / D2) * spread
    return ControlChart(
        x, centre, low, high, ranges, spread, range_high, count,
        tuple(np.flatnonzero((x < low) | (x > high)).tolist()),
        tuple((np.flatnonzero(ranges > range_high) + 1).tolist()),
        _runs(np.sign(x - centre).tolist()),
    )  # fmt: skip


def _runs(signs: Sequence[float]) -> tuple[int, ...]:
    found, length, last = [], 0, 0.0
    for k, sign in enumerate(signs):
        length = length + 1 if sign == last and sign != 0.0 else 1
        last = sign
        if length == RUN_OF:
            found.append(k)
    return tuple(found)
