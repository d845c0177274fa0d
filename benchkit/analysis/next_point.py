"""Where to measure next, so that an efficiency map gets certain with the least time on the bench.

The uncertainty of a map that more points can lower is that of scatter and lack of fit; calibration stays, however many
points there are. What a further point would do to it is known before it is taken: a Gaussian process says by how much
the variance falls everywhere, whatever the reading (:func:`benchkit.analysis.surface.variance_taken`). The next point
is the one that takes most variance of the *efficiency* off the map a minute of bench time. A kelvin of heating counts
as the minutes that it takes to get rid of it.

Source: sequential design by expected variance (D. A. Cohn, Neural Networks 9 (1996) 1071, doi
10.1016/0893-6080(95)00137-9, from memory); the price of a kelvin in minutes is a rule of this project.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchkit.analysis import surface as smooth
from benchkit.analysis.efficiency_map import MapFit, PartFit, places_of
from benchkit.analysis.losses import design_at
from benchkit.analysis.map_points import MapPoints, losses_of
from benchkit.errors import UsageError
from benchkit.model.stand import Role

FloatArray = npt.NDArray[np.float64]

FIRST_POINTS = 9
"""Points that spread over the envelope before a fit chooses."""
LAST_CHOSEN = 6
"""So many points must have come out as expected before a map is called certain."""
MOST_SURPRISE = 2.099
"""chi²(0.95, 6) / 6, NIST/SEMATECH e-Handbook of Statistical Methods, table 1.3.6.7.4: 12.592."""
MINUTES_PER_KELVIN = 0.05
"""Price of a kelvin where no thermal model of the drive is at hand."""


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Speeds [rpm] and torques [N·m], both (m,): the nodes of a map, or set-points that may be asked for."""

    speed_rpm: FloatArray
    torque_nm: FloatArray

    def __len__(self) -> int:
        return int(self.speed_rpm.size)


@dataclass(frozen=True, slots=True)
class NextPoint:
    """The set-point that is worth most now, and what is expected of it.

    ``u_now`` and ``u_then`` are root mean squares of the standard uncertainty of the efficiency [1] over the map,
    without calibration. ``minutes`` and ``heating_k`` [K] are what the point costs.
    """

    index: int
    speed_rpm: float
    torque_nm: float
    u_now: float
    u_then: float
    minutes: float
    heating_k: float


def first_points(candidates: Places, count: int = FIRST_POINTS) -> list[int]:
    """Numbers of ``count`` candidates that spread over all of them: each the farthest from those before it.

    They begin with the slowest and lightest. Distances are in spans of speed and of torque.

    >>> first_points(Places(np.array([0.0, 1.0, 2.0, 3.0, 4.0]), np.zeros(5)), 3)
    [0, 4, 2]
    """
    if not len(candidates):
        raise UsageError("there is no set-point to choose from", remedy="Widen the envelope of the map.")
    at = _scaled(candidates, candidates)
    chosen = [int(np.argmin(at.sum(axis=1)))]
    while len(chosen) < min(count, len(candidates)):
        nearest = np.min(np.linalg.norm(at[:, None, :] - at[None, chosen, :], axis=2), axis=1)
        chosen.append(int(np.argmax(nearest)))
    return chosen


def map_uncertainty(fit: MapFit, subject: str, over: Places) -> float:
    """Root mean square over the nodes of the standard uncertainty of the efficiency [1], without calibration.

    Nodes outside the hull of what was measured count with the uncertainty of the extrapolation.
    """
    part = _part(fit, subject)
    found = smooth.predict(part.surface, *_axes(part, over))
    slope = _slope(fit, subject, over, found.mean)
    return math.sqrt(float(np.mean(slope**2 * found.variance)))


def next_point(
    fit: MapFit,
    subject: str,
    over: Places,
    candidates: Places,
    minutes: npt.ArrayLike,
    heating_k: npt.ArrayLike,
    minutes_per_kelvin: float = MINUTES_PER_KELVIN,
) -> NextPoint:
    """The candidate that lowers the variance of the map over the nodes ``over`` most a minute.

    ``worth = (variance taken off the efficiency) / (minutes + heating * minutes_per_kelvin)`` (1).

    Args:
        fit: the map of what has been measured so far.
        subject: "drive", "motor" or "inverter".
        over, candidates: nodes of the map, and set-points inside all limits (k,).
        minutes: bench time [min] of each candidate (k,), positive: the way there, settling, dwell, rest before it.
        heating_k: by how much the hottest part is warmer after it than now [K] (k,); cooling counts nothing.
        minutes_per_kelvin: minutes [min/K] of rest that a kelvin costs.

    Raises:
        UsageError: no candidates, a time that is not positive, or a subject that the fit does not have.
    """
    if not len(candidates):
        raise UsageError("there is no set-point to choose from", remedy="Widen the envelope of the map.")
    time, heat = np.asarray(minutes, dtype=np.float64), np.asarray(heating_k, dtype=np.float64)
    if not bool(np.all(time > 0.0)):
        raise UsageError("a point takes time", where="minutes", got=float(np.min(time)), expected="more than 0 min")
    part = _part(fit, subject)
    nodes, asked = _axes(part, over), _axes(part, candidates)
    found = smooth.predict(part.surface, *nodes)
    weight = _slope(fit, subject, over, found.mean) ** 2 / len(over)
    taken = smooth.variance_taken(part.surface, nodes, asked, _expected_u(fit, part, candidates), weight)
    best = int(np.argmax(taken / (time + np.maximum(heat, 0.0) * minutes_per_kelvin)))
    now = float(weight @ found.variance)
    return NextPoint(
        best,
        float(candidates.speed_rpm[best]),
        float(candidates.torque_nm[best]),
        math.sqrt(now),
        math.sqrt(max(0.0, now - float(taken[best]))),
        float(time[best]),
        float(heat[best]),
    )


def next_points(
    fit: MapFit,
    subject: str,
    over: Places,
    candidates: Places,
    minutes: Callable[[int | None], npt.ArrayLike],
    heating_k: npt.ArrayLike,
    count: int,
    minutes_per_kelvin: float = MINUTES_PER_KELVIN,
) -> tuple[NextPoint, ...]:
    """A block of points that are worth most together, in an order that goes from each to the nearest in time.

    Each is chosen by (1) as if those before it had been taken: what they will read does not matter for the variance.
    ``minutes(k)`` is the bench time [min] of every candidate from candidate k (None: from where the stand is now); a
    candidate of the block costs what it does from the nearest of those that are in it.
    """
    chosen: list[NextPoint] = []
    nearest = np.asarray(minutes(None), dtype=np.float64)
    known = fit
    for _ in range(count):
        chosen.append(next_point(known, subject, over, candidates, nearest, heating_k, minutes_per_kelvin))
        nearest = np.minimum(nearest, np.asarray(minutes(chosen[-1].index), dtype=np.float64))
        known = _with_one_more(known, subject, candidates, chosen[-1].index)
    way = short_way(list(dict.fromkeys(point.index for point in chosen)), minutes)
    return tuple(sorted(chosen, key=lambda point: way.index(point.index)))  # a place asked for twice is held on


def short_way(indices: Sequence[int], minutes: Callable[[int | None], npt.ArrayLike]) -> list[int]:
    """Candidates in an order that goes from each to the nearest in time; ``minutes`` as in :func:`next_points`.

    >>> short_way([0, 3, 1], lambda k: np.abs(np.arange(4.0) - (0.0 if k is None else k)))
    [0, 1, 3]
    """
    order: list[int] = []
    left = list(indices)
    while left:
        away = np.asarray(minutes(order[-1] if order else None), dtype=np.float64)
        order.append(left.pop(int(np.argmin(away[left]))))
    return order


def _with_one_more(fit: MapFit, subject: str, candidates: Places, k: int) -> MapFit:
    """The fit as if candidate ``k`` had been taken and had read what is expected of it."""
    part = _part(fit, subject)
    at = Places(candidates.speed_rpm[k : k + 1], candidates.torque_nm[k : k + 1])
    X, P = _axes(part, at)
    old = part.surface
    more = smooth.Surface(
        np.vstack([old.design, X]),
        np.vstack([old.places, P]),
        np.append(old.y, smooth.predict(old, X, P).mean),
        np.append(old.u, _expected_u(fit, part, at)),
        old.members,
    )
    return replace(fit, parts={**fit.parts, subject: replace(part, surface=more)})


def surprise(before: MapFit, subject: str, now: MapPoints) -> float:
    """How far the newest point lies from what was expected of it, in standard uncertainties [1], either sign.

    ``before`` is the map without it, ``now`` the points with it, the newest last.
    """
    part = _part(before, subject)
    at = Places(now.means[Role.SPEED][-1:], now.means[Role.TORQUE][-1:])
    found = smooth.predict(part.surface, *_axes(part, at))
    reading, u = losses_of(now.means)[subject][-1], now.u_loss_w[subject][-1]
    return float((reading - found.mean[0]) / math.hypot(math.sqrt(float(found.variance[0])), float(u)))


def is_certain(history: Sequence[float], surprises: Sequence[float], wanted: float) -> bool:
    """True when the map is as certain as wanted, and is to be believed.

    ``history`` holds :func:`map_uncertainty` [1] and ``surprises`` :func:`surprise` [1] after each point that a fit has
    chosen, the newest last. The uncertainty must be reached twice in a row, and the last :data:`LAST_CHOSEN` points
    must have come out as expected: a mean square above :data:`MOST_SURPRISE` has a chance of 5 % where the map is
    right, and says that the loss has a shape that the map does not know yet.

    >>> is_certain([0.004] * 5 + [0.0019, 0.0018], [0.5, -1.0, 0.2, 1.1, -0.3, 0.4, 0.9], 0.002)
    True
    >>> is_certain([0.004] * 5 + [0.0019, 0.0018], [0.5, -1.0, 0.2, 1.1, -0.3, 0.4, 6.0], 0.002)
    False
    """
    if len(history) < LAST_CHOSEN or len(surprises) < LAST_CHOSEN:
        return False
    mean_square = sum(z * z for z in surprises[-LAST_CHOSEN:]) / LAST_CHOSEN
    return max(history[-2:]) <= wanted and mean_square <= MOST_SURPRISE


def _part(fit: MapFit, subject: str) -> PartFit:
    if subject not in fit.parts:
        raise UsageError(f"{subject!r} was not fitted", expected=", ".join(fit.parts))
    return fit.parts[subject]


def _axes(part: PartFit, at: Places) -> tuple[FloatArray, FloatArray]:
    return design_at(part.fit.model, at.speed_rpm, at.torque_nm), places_of(at.speed_rpm, at.torque_nm, part.span)


def _slope(fit: MapFit, subject: str, at: Places, loss_w: FloatArray) -> FloatArray:
    """Change of the efficiency for a watt of loss [1/W] (m,): ``P / (P + L)²``, and ``1 / |P|`` while generating."""
    power = 2.0 * math.pi / 60.0 * at.speed_rpm * at.torque_nm
    for name, behind in fit.parts.items():
        if name != subject:
            power = power + smooth.mean_at(behind.nominal, *_axes(behind, at))
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.where(power < 0.0, -1.0 / power, power / (power + loss_w) ** 2)
    return np.asarray(np.where(np.isfinite(slope), slope, 0.0))


def _expected_u(fit: MapFit, part: PartFit, at: Places) -> FloatArray:
    """Scatter [W] that a point would have (k,): its logarithm as a plane over speed and torque, by least squares."""
    n, T, u = fit.points.means[Role.SPEED], fit.points.means[Role.TORQUE], part.fit.weights_u_w
    here = Places(n, T)
    plane = np.linalg.lstsq(_with_one(_scaled(here, here)), np.log(u), rcond=None)[0]
    return np.asarray(np.exp(np.clip(_with_one(_scaled(at, here)) @ plane, np.log(u.min()), np.log(u.max()))))


def _scaled(at: Places, by: Places) -> FloatArray:
    """Places in spans of ``by``, from its slowest and lightest (m, 2)."""
    columns = [(at.speed_rpm, by.speed_rpm), (at.torque_nm, by.torque_nm)]
    return np.stack([(x - y.min()) / (float(np.ptp(y)) or 1.0) for x, y in columns], axis=1)


def _with_one(columns: FloatArray) -> FloatArray:
    return np.column_stack([np.ones(columns.shape[0]), columns])
