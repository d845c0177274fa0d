"""When a map that grows point by point is certain: one rule for whoever carries the points out and whoever asks later.

After each point the map is fitted anew. It is certain when all of this holds:

1. its uncertainty over the nodes is as small as wanted, twice in a row,
2. the last :data:`~benchkit.analysis.next_point.LAST_CHOSEN` points came out as the map before them expected
   (:func:`~benchkit.analysis.next_point.is_certain`), so there are so many after the first that only spread,
3. no place that was asked for lies outside what was measured.

What has been seen goes in, in the order in which it was taken; the last few points suffice for the verdict.

Source: rules of this project; the threshold of the second is that of ``MOST_SURPRISE``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from benchkit.analysis.efficiency_map import MapFit, fit_map
from benchkit.analysis.hull import is_inside
from benchkit.analysis.map_points import MapPoints
from benchkit.analysis.next_point import FIRST_POINTS, LAST_CHOSEN, Places, is_certain, map_uncertainty, surprise
from benchkit.errors import UsageError

LOOKED_AT = LAST_CHOSEN + 1
"""So many maps in a row, the newest last, give the same verdict as all of them."""
EDGE = 0.02
"""A place on the edge counts as measured although the means of a point scatter about its set-point: the hull is that
of the measured points, larger by this share."""


@dataclass(frozen=True, slots=True, eq=False)
class Watched:
    """The newest map; by point, the uncertainty after it [1] and how far it lay off what was expected of it [1]."""

    fit: MapFit
    history: tuple[float, ...]
    surprises: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether the map is certain, and what it hangs on."""

    is_certain: bool
    u: float
    """Root mean square of the standard uncertainty of the efficiency over the nodes [1], without calibration."""
    u_before: float
    """The same before the newest point; NaN where that was not looked at."""
    outside: int
    """Places that lie outside what was measured."""
    off_rms: float
    """Root mean square of how far the last points lay off what was expected, in standard uncertainties [1]; NaN while
    there are too few."""


def looked(before: Watched | None, subject: str, over: Places, now: MapPoints) -> Watched:
    """The map after one point more, the newest last in ``now``; None before the first look."""
    fit = fit_map(now, subject)
    u = map_uncertainty(fit, subject, over)
    if before is None:
        return Watched(fit, (u,), ())
    return Watched(fit, (*before.history, u), (*before.surprises, surprise(before.fit, subject, now)))


def replayed(subject: str, over: Places, growing: Iterable[MapPoints]) -> Watched:
    """The map after each of ``growing``, every one with a point more than the one before it.

    Raises:
        UsageError: there are none, or too few points for a map.
    """
    watched = None
    for now in growing:
        watched = looked(watched, subject, over, now)
    if watched is None:
        raise UsageError("there is no point yet", expected=f"{FIRST_POINTS} points that spread")
    return watched


def verdict(watched: Watched, wanted: float, asked: Places) -> Verdict:
    """Whether the map is as certain as ``wanted`` [1] where it was ``asked`` for."""
    last = watched.surprises[-LAST_CHOSEN:]
    outside = int(np.sum(~_is_reached(watched.fit, asked)))
    return Verdict(
        not outside and is_certain(watched.history, watched.surprises, wanted),
        watched.history[-1],
        watched.history[-2] if len(watched.history) > 1 else math.nan,
        outside,
        math.sqrt(sum(z * z for z in last) / LAST_CHOSEN) if len(last) == LAST_CHOSEN else math.nan,
    )


def _is_reached(fit: MapFit, asked: Places) -> np.ndarray:
    corners = np.asarray(fit.hull, dtype=np.float64)
    middle = corners[:-1].mean(axis=0)
    return is_inside(middle + (1.0 + EDGE) * (corners - middle), asked.speed_rpm, asked.torque_nm)
