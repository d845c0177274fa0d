"""The area of speed and torque that was measured: nothing is said outside.

Source: C. B. Barber, D. P. Dobkin, H. Huhdanpaa, "The Quickhull algorithm for convex hulls", ACM Trans. Math. Softw. 22
(1996) 469, doi 10.1145/235815.235821, as carried by scipy.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


def convex_hull(speed_rpm: npt.ArrayLike, torque_nm: npt.ArrayLike) -> FloatArray:
    """Closed polygon (corners + 1, 2) [rpm, N·m] round the points, on axes scaled by their span, counter-clockwise.

    Raises:
        UsageError: all points lie on one line (within 1 % of the span).

    >>> convex_hull([0, 1000, 1000, 0, 500], [0, 0, 10, 10, 5]).shape
    (5, 2)
    """
    from scipy.spatial import ConvexHull, QhullError

    xy = np.stack([np.asarray(speed_rpm, dtype=np.float64), np.asarray(torque_nm, dtype=np.float64)], axis=1)
    span = np.ptp(xy, axis=0)
    flat = UsageError(
        "the operating points lie on one line: they span no area of speed and torque",
        remedy="Measure at several torques for each speed.",
    )
    if xy.shape[0] < 3 or bool(np.any(span <= 0.0)):
        raise flat
    try:
        hull = ConvexHull((xy - xy.min(axis=0)) / span)
    except QhullError as error:
        raise flat from error
    if hull.volume < 0.01:
        raise flat
    return np.asarray(xy[np.append(hull.vertices, hull.vertices[0])])


def is_inside(hull: npt.ArrayLike, speed_rpm: npt.ArrayLike, torque_nm: npt.ArrayLike) -> BoolArray:
    """True for points inside or on a closed counter-clockwise convex polygon; shape of the points.

    Speed [rpm] and torque [N·m], or any two quantities in the units of the polygon.
    """
    corners = np.asarray(hull, dtype=np.float64)
    span = np.ptp(corners, axis=0)
    corners = corners / span
    x, y = np.asarray(speed_rpm) / span[0], np.asarray(torque_nm) / span[1]
    inside = np.ones(np.broadcast_shapes(x.shape, y.shape), dtype=np.bool_)
    for (x0, y0), (x1, y1) in pairwise(corners):
        inside &= (x1 - x0) * (y - y0) - (y1 - y0) * (x - x0) >= -1e-9
    return inside
