"""A result over two axes as the screen shows it: layers to choose from, points on top, and what the cursor reads.

Nothing is worked out here: the cursor reads the nearest node, point or region as the analysis gave it, and says nothing
where the analysis says nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.model.results import Estimate, PowerBalance
from benchkit.model.results_maps import DutyResult, EfficiencyMap
from benchkit.report.model import DifferenceFigure, GridFigure, Number, number, plain
from benchkit.report.numbers import show
from benchkit.report.rows import is_known, point_name
from benchkit.report.sections_maps import efficiency_of

FloatArray = npt.NDArray[np.float64]
K95 = 1.959964
"""Half-width of a 95 % interval over u, many degrees of freedom (standard normal)."""
NEAR_SHARE = 0.02
"""A point is read where the cursor is nearer than this share of both axes."""
OUTSIDE = "nothing is said here: outside the measured points"


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """One quantity on the nodes: ``shown`` (n, m) is drawn; ``values`` and ``u`` are read. NaN: nothing is said."""

    name: str
    unit: str
    shown: FloatArray
    values: FloatArray
    u: FloatArray
    in_percent: bool = False
    is_uncertainty: bool = False

    @property
    def heading(self) -> str:
        """Name and unit of the scale."""
        return f"{self.name} / {self.unit}"


@dataclass(frozen=True, slots=True)
class Spot:
    """A point on top: where it is, what the cursor reads there; ``size`` from 0 to 1; excluded ones are open."""

    x: float
    y: float
    text: str
    size: float = 0.5
    is_refused: bool = False


@dataclass(frozen=True, slots=True)
class Region:
    """A rectangle with one value: a region of a difference map."""

    left: float
    right: float
    bottom: float
    top: float
    value: float
    text: str
    word: str
    is_shown: bool


@dataclass(frozen=True, slots=True, eq=False)
class Field:
    """Layers on nodes ``x`` (m,) and ``y`` (n,), or regions; the hull, and points on top."""

    title: str
    x_label: str
    y_label: str
    x: FloatArray
    y: FloatArray
    layers: tuple[Layer, ...]
    hull: tuple[tuple[float, float], ...] = ()
    points: tuple[Spot, ...] = ()
    duty: tuple[Spot, ...] = ()
    regions: tuple[Region, ...] = ()

    @property
    def reach(self) -> float:
        """Largest difference of the regions, either way, or half-width of its interval."""
        return max((abs(r.value) for r in self.regions if math.isfinite(r.value)), default=1.0) or 1.0


def read(field: Field, layer: int, x: float, y: float, *, points: bool = True, duty: bool = True) -> str:
    """What is under the cursor, in words: the nearest point on top, else the node or region."""
    spot = _nearest([*(field.points if points else ()), *(field.duty if duty else ())], field, x, y)
    if spot is not None:
        return spot.text
    for region in field.regions:
        if region.left <= x < region.right and region.bottom <= y < region.top:
            return region.text
    if not field.layers:
        return OUTSIDE
    if not (_inside(field.x, x) and _inside(field.y, y)):
        return OUTSIDE
    column, row = int(np.argmin(np.abs(field.x - x))), int(np.argmin(np.abs(field.y - y)))
    chosen = field.layers[layer]
    value = float(chosen.values[row, column])
    if not math.isfinite(value):
        return OUTSIDE
    unit = "1" if chosen.in_percent else chosen.unit
    found = show(Number(value, unit, float(chosen.u[row, column]), in_percent=chosen.in_percent))
    where = f"{field.x[column]:.4g} {_unit(field.x_label)}, {field.y[row]:.4g} {_unit(field.y_label)}"
    return f"{chosen.name if not chosen.is_uncertainty else chosen.name.partition(',')[0]} {found} at {where}"


def map_field(found: EfficiencyMap, balances: Sequence[PowerBalance], duties: Sequence[DutyResult]) -> Field:
    """An efficiency map: efficiency, loss, both uncertainties; measured points; the loads of a duty."""
    subject = found.subject.capitalize()
    efficiency, u_efficiency = np.array(found.efficiency), np.array(found.u_efficiency)
    loss, u_loss = np.array(found.loss_w), np.array(found.u_loss_w)
    if not u_loss.size:
        u_loss = np.full(loss.shape, np.nan)
    layers = (
        Layer(f"{subject} efficiency", "%", 100.0 * efficiency, efficiency, u_efficiency, in_percent=True),
        Layer(f"{subject} loss", "W", loss, loss, u_loss),
        Layer(
            f"{subject} efficiency, half-width of its 95 % interval", "%-points", 100.0 * K95 * u_efficiency,
            efficiency, u_efficiency, in_percent=True, is_uncertainty=True,
        ),
        Layer(
            f"{subject} loss, half-width of its 95 % interval", "W", K95 * u_loss, loss, u_loss, is_uncertainty=True
        ),
    )  # fmt: skip
    points = tuple(
        Spot(b.speed_rpm.value, b.torque_nm.value, _point_text(b, found.subject), is_refused=b.point.is_excluded)
        for b in balances
        if is_known(efficiency_of(b, found.subject))
    )
    loads = [load for duty in duties if duty.subject == found.subject for load in duty.points]
    most = max((load.time_s for load in loads), default=1.0) or 1.0
    duty = tuple(
        Spot(
            load.speed_rpm,
            load.torque_nm,
            f"duty: {load.time_s:g} s, "
            + ("refused: outside the measured points" if load.loss_w is None else f"loss {show(number(load.loss_w))}"),
            load.time_s / most,
            load.loss_w is None,
        )
        for load in loads
    )
    return Field(
        f"{subject} efficiency map",
        "Speed / rpm",
        "Torque / N·m",
        np.array(found.speed_rpm),
        np.array(found.torque_nm),
        layers,
        found.hull,
        points,
        duty,
    )


def grid_field(spec: GridFigure) -> Field:
    """Any grid of a report, such as a derating map, with its uncertainty as second layer."""
    values, u = np.array(spec.values.values, dtype=float), np.array(spec.values.u, dtype=float)
    name, unit = spec.values.name, spec.values.unit
    half = Layer(f"{name}, half-width of its 95 % interval", unit, K95 * u, values, u, is_uncertainty=True)
    return Field(
        spec.title,
        f"{spec.x.name} / {spec.x.unit}",
        f"{spec.y.name} / {spec.y.unit}",
        np.array(spec.x.values),
        np.array(spec.y.values),
        (Layer(name, unit, values, values, u), half),
    )


def difference_field(spec: DifferenceFigure) -> Field:
    """Where two sides differ, by region; hatched where it was not shown."""
    unit = spec.point_difference.unit
    regions = tuple(
        Region(
            cell.speed_low.value,
            cell.speed_high.value,
            cell.torque_low.value,
            cell.torque_high.value,
            cell.difference.value,
            f"{cell.label}: {show(cell.difference)}, {cell.word}",
            cell.word,
            cell.word in ("better", "worse"),
        )
        for cell in spec.regions
    )
    us = spec.point_difference.u or (math.nan,) * len(spec.point_difference.values)
    points = tuple(
        Spot(x, y, f"point {x:.0f} rpm, {y:.4g} N·m: {show(Number(value, unit, u))}")
        for x, y, value, u in zip(
            spec.point_speed.values, spec.point_torque.values, spec.point_difference.values, us, strict=True
        )
    )
    empty = np.empty(0)
    return Field(spec.title, "Speed / rpm", "Torque / N·m", empty, empty, (), points=points, regions=regions)


def levels_of(shown: FloatArray, wanted: int = 9) -> tuple[float, ...]:
    """Round steps for the lines of equal value; the low foot of a map is one colour."""
    finite = shown[np.isfinite(shown)]
    if not finite.size:
        return (0.0, 1.0)
    low, high = float(np.percentile(finite, 5)), float(finite.max())
    if high - low <= 1e-12 * max(abs(high), 1.0):
        return (low - 0.5, low + 0.5)
    step = (high - low) / wanted
    decade = 10.0 ** math.floor(math.log10(step))
    step = next(k * decade for k in (1.0, 2.0, 2.5, 5.0, 10.0) if k * decade >= step * (1.0 - 1e-9))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return tuple(k * step for k in range(first, last + 1))


def half_width_text(estimate: Estimate) -> str:
    """``93.2 ± 0.4 %`` of a ratio."""
    return str(show(number(estimate, in_percent=True)))


def _point_text(balance: PowerBalance, subject: str) -> str:
    speed, torque = balance.speed_rpm.value, balance.torque_nm.value
    loss = {
        "drive": balance.drive_loss_w,
        "inverter": balance.inverter_loss_w,
        "motor": balance.motor_loss_w,
    }[subject]
    text = (
        f"measured {point_name(balance.point)}: {half_width_text(efficiency_of(balance, subject))}, "
        f"loss {show(number(loss))} at {show(plain(speed, 'rpm', 4))}, {show(plain(torque, 'N·m', 4))}"
    )
    return f"{text}; excluded: {balance.point.excluded_reason}" if balance.point.is_excluded else text


def _nearest(spots: Sequence[Spot], field: Field, x: float, y: float) -> Spot | None:
    if not spots:
        return None
    xs, ys = extent(field)
    wide, high = (xs[1] - xs[0]) or 1.0, (ys[1] - ys[0]) or 1.0
    away = [max(abs(s.x - x) / wide, abs(s.y - y) / high) for s in spots]
    best = int(np.argmin(away))
    return spots[best] if away[best] <= NEAR_SHARE else None


def extent(field: Field) -> tuple[tuple[float, float], tuple[float, float]]:
    """Ends of both axes: nodes, regions and points."""
    spots = (*field.points, *field.duty)
    xs = [*field.x.tolist(), *(r.left for r in field.regions), *(r.right for r in field.regions), *(s.x for s in spots)]
    ys = [*field.y.tolist(), *(r.bottom for r in field.regions), *(r.top for r in field.regions), *(s.y for s in spots)]
    return (min(xs, default=0.0), max(xs, default=1.0)), (min(ys, default=0.0), max(ys, default=1.0))


def _inside(nodes: FloatArray, at: float) -> bool:
    half = 0.5 * float(np.max(np.diff(nodes))) if len(nodes) > 1 else 0.5
    return bool(nodes[0] - half <= at <= nodes[-1] + half)


def _unit(label: str) -> str:
    return label.rpartition(" / ")[2]


def contour_lines(field: Field, layer: int) -> list[tuple[float, list[FloatArray]]]:
    """Lines of equal value of a layer: level, and its lines (k, 2) of x and y."""
    import contourpy

    chosen = field.layers[layer]
    if min(chosen.shown.shape) < 2 or not np.isfinite(chosen.shown).any():
        return []
    lines = contourpy.contour_generator(field.x, field.y, np.ma.masked_invalid(chosen.shown))
    return [(level, lines.lines(level)) for level in levels_of(chosen.shown)]  # type: ignore[misc]


def label_places(field: Field, layer: int) -> dict[float, tuple[float, float]]:
    """Where the texts of lines stand: in the middle of the longest of a level; one that would lie on another is left
    out."""
    (left, right), (bottom, top) = extent(field)
    found: dict[float, tuple[float, float]] = {}
    for level, lines in contour_lines(field, layer):
        if not lines:
            continue
        line = max(lines, key=len)
        x, y = (float(part) for part in line[len(line) // 2])
        away = (max(abs(x - a) / (right - left) / 0.05, abs(y - b) / (top - bottom) / 0.07) for a, b in found.values())
        if all(distance > 1.0 for distance in away):
            found[level] = (x, y)
    return found
