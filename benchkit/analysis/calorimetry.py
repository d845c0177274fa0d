"""The loss measured twice: as electrical power that did not arrive at the shaft, and as heat that left.

Electrical: ``P_1 = U I - 2 pi n/60 T`` (1), a small difference of large powers. Calorimetric:
``P_2 = rho c q (t_out - t_in) + sum_b G_b (t_b - t_air) + sum_b C_b dt_b/dt`` (2): coolant, heat to the air, storage
while the parts warm. (2) knows nothing of torque and power gains, (1) nothing of flow and coolant. Their errors are
mostly common to all points of a run, so the run is balanced as a whole by generalised least squares,

``y = (P_1, P_2)``, ``A = (I, I)ᵀ``, ``V = diag(u²) + sum_c s_c s_cᵀ``, ``P = (Aᵀ V⁻¹ A)⁻¹ Aᵀ V⁻¹ y`` (3),

and the two contradict each other where ``chi² = dᵀ V_d⁻¹ d`` (4), ``d = P_1 - P_2``, is too large for so many points.
This is the balancing of redundant measurements of acceptance tests (VDI 2048; from memory).

The two coolant sensors: what they have in common drops out of the difference, what they were found to differ by does
not. With ``u_rise`` of the profile the error splits into a common part c and a difference d, ``u(d) = u_rise``,
``u(c)² = (u_in² + u_out²)/2 - u_rise²/4`` (5); without it both err on their own.

Source: (1) and (2) balance of energy, textbook; (3) and (4) generalised least squares, textbook, put to use as in VDI
2048 (from memory); (5) derived here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.coolant import U_PROPERTIES
from benchkit.analysis.heat_balance import drive_loss_w, heat_to_coolant_w
from benchkit.analysis.uncertainty import scatter_only, type_a
from benchkit.errors import UsageError
from benchkit.model.results import Contribution, Estimate, Finding, OperatingPoint, Settled
from benchkit.model.results_heat import Calorimetry, HeatLoss
from benchkit.model.stand import MOST_GLYCOL, Coolant, Role, Stand
from benchkit.model.stream import StreamRows

FloatArray = npt.NDArray[np.float64]
Vectors = Mapping[str, FloatArray]

CONTRADICT = 0.05
"""Below this p-value the two ways contradict each other."""
_ROLES = (
    Role.DC_VOLTAGE, Role.DC_CURRENT, Role.SPEED, Role.TORQUE,
    Role.COOLANT_FLOW, Role.COOLANT_INLET_TEMP, Role.COOLANT_OUTLET_TEMP,
)  # fmt: skip
_POWERS = (Role.DC_VOLTAGE, Role.DC_CURRENT, Role.SPEED, Role.TORQUE)
_ELECTRICAL = frozenset(_POWERS)
LEAST_SPEED = 0.01
"""Points slower than this share of the motor's top speed are standstill."""
MOST_STORED = 0.5
"""Points that store more than this share of their loss are left out (rule of this project)."""
_SENSORS = frozenset({Role.COOLANT_INLET_TEMP, Role.COOLANT_OUTLET_TEMP})
_END_ROWS = 20_000
"""Rows at either end of a point that its drift is taken from, at most."""


@dataclass(frozen=True, slots=True, eq=False)
class Balanced:
    """Two measurements of the same n quantities, balanced: values (n,), covariance (n, n), the weights of all 2 n
    measurements in each (n, 2 n), and the test of their agreement."""

    values: FloatArray
    covariance: FloatArray
    weights: FloatArray
    chi2: float
    dof: int
    p_value: float
    z: FloatArray


def balance(first: npt.ArrayLike, second: npt.ArrayLike, covariance: npt.ArrayLike) -> Balanced:
    """Combine two ways of measuring n quantities by (3) and test them by (4).

    Args:
        first, second: what the two ways gave, (n,) each, in one unit (here [W]).
        covariance: of both together, (2 n, 2 n), in that unit squared, first way first; correlations wherever they are.

    Raises:
        UsageError: shapes differ, or the covariance is not positive definite.

    >>> both = balance([100.0], [104.0], [[4.0, 0.0], [0.0, 12.0]])
    >>> both.values.round(3).tolist(), both.covariance.round(3).tolist(), round(both.chi2, 3)
    ([101.0], [[3.0]], 1.0)
    """
    from scipy.special import gammaincc

    a, b, V = (np.asarray(v, dtype=np.float64) for v in (first, second, covariance))
    n = a.size
    if a.shape != (n,) or b.shape != (n,) or V.shape != (2 * n, 2 * n):
        raise UsageError(
            "shapes do not fit together", got=f"{a.shape}, {b.shape}, {V.shape}", expected="n, n, 2 n x 2 n"
        )
    try:
        L = np.linalg.cholesky(V)
    except np.linalg.LinAlgError as error:
        raise UsageError("the covariance of the two ways is not positive definite") from error
    A = np.linalg.solve(L, np.vstack([np.eye(n), np.eye(n)]))
    normal = A.T @ A
    weights = np.linalg.solve(normal, np.linalg.solve(L.T, A).T)
    d = a - b
    V_d = V[:n, :n] + V[n:, n:] - V[:n, n:] - V[n:, :n]
    chi2 = float(d @ np.linalg.solve(V_d, d))
    return Balanced(
        weights @ np.concatenate([a, b]),
        np.linalg.inv(normal),
        weights,
        chi2,
        n,
        float(gammaincc(0.5 * n, 0.5 * chi2)),
        d / np.sqrt(np.diag(V_d)),
    )


def rise_parts(u_inlet_k: float, u_outlet_k: float, u_rise_k: float | None) -> tuple[float, float]:
    """Standard uncertainties [K] of what two sensors have in common and of what they differ by, equation (5).

    Raises:
        UsageError: a difference known worse than two independent sensors allow by their common part.

    >>> [round(u, 4) for u in rise_parts(0.1, 0.1, 0.03)]
    [0.0989, 0.03]
    """
    if u_rise_k is None:
        return 0.5 * math.hypot(u_inlet_k, u_outlet_k), math.hypot(u_inlet_k, u_outlet_k)
    common = 0.5 * (u_inlet_k**2 + u_outlet_k**2) - 0.25 * u_rise_k**2
    if common < 0.0:
        raise UsageError(
            "the difference of the coolant sensors is less well known than either of them",
            where="coolant.u_rise",
            got=f"{u_rise_k:g} K",
            expected=f"at most {math.sqrt(2.0 * (u_inlet_k**2 + u_outlet_k**2)):.3g} K",
        )
    return math.sqrt(common), u_rise_k


# ---------------------------------------------------------------------------------------------- a whole run
def calorimetry(
    stand: Stand, stream: StreamRows, points: Sequence[OperatingPoint]
) -> tuple[tuple[Calorimetry, ...], tuple[Finding, ...]]:
    """Both losses of all points of one stream, combined; nothing where the stand does not say or measure it all.

    Needs ``[coolant]`` with ``[[coolant.bodies]]``: without the heat to the air the heat in the coolant is not the
    loss. A point at standstill does not count, one that stores more than :data:`MOST_STORED` of its loss neither; one
    that is labelled as thermally not steady counts only where the bodies store heat as stated.
    """
    coolant = stand.coolant
    if (
        coolant is None
        or not coolant.bodies
        or any(stand.channel_for(role) is None for role in (*_ROLES, Role.AIR_TEMP))
    ):
        return (), ()
    stores = any(body.heat_j_per_k > 0.0 for body in coolant.bodies)
    rows = []
    for point in points:
        settled = point.thermal is not None and point.thermal.state is Settled.STEADY
        row = _row(stand, stream, point, coolant)
        if row is not None and (stores or settled) and _is_balanced(stand, coolant, row):
            rows.append((point, row))
    if not rows:
        return (), ()
    found = heat_losses(stand, coolant, rows)
    if found.p_value >= CONTRADICT:
        return (found,), ()
    return (found,), (Finding("caution", "two_losses_contradict", found.verdict, numbers={"p": found.p_value}),)


Row = dict[str, Estimate]
"""What one point takes, by role or ``"<channel> temp"``, ``"<channel> drift"``."""


def _row(stand: Stand, stream: StreamRows, point: OperatingPoint, coolant: Coolant) -> Row | None:
    found: Row = {}
    for role in (*_ROLES, Role.AIR_TEMP):
        found[role.value] = point.means.get(stand.roles[role], Estimate(math.nan, math.nan, ""))
    for body in coolant.bodies:
        found[f"{body.channel} temp"] = point.means.get(body.channel, Estimate(math.nan, math.nan, ""))
        found[f"{body.channel} drift"] = drift(stream, point, body.channel)
    return found if all(e.is_measured and math.isfinite(e.u) for e in found.values()) else None


def _is_balanced(stand: Stand, coolant: Coolant, row: Row) -> bool:
    """False at standstill, and where so much heat is stored that the parts cannot be taken as of one temperature."""
    stored = sum(body.heat_j_per_k * row[f"{body.channel} drift"].value for body in coolant.bodies)
    x = {role: row[role.value].value for role in _ELECTRICAL}
    loss = float(drive_loss_w(*(x[role] for role in _POWERS)))
    return abs(x[Role.SPEED]) >= LEAST_SPEED * stand.motor.max_speed_rpm and abs(stored) <= MOST_STORED * abs(loss)


def drift(stream: StreamRows, point: OperatingPoint, channel: str) -> Estimate:
    """How fast a channel moves over a point [unit/s]: mean of its last third less that of its first, over their
    distance in time. Memory of the readings is counted."""
    if channel not in stream.channels or point.row_stop - point.row_start < 9:
        return Estimate(math.nan, math.nan, "K/s")
    third = min((point.row_stop - point.row_start) // 3, _END_ROWS)
    ends = [stream.rows(point.row_start, point.row_start + third), stream.rows(point.row_stop - third, point.row_stop)]
    (a, u_a, _), (b, u_b, _) = (type_a(part.column(channel)) for part in ends)
    apart = float(ends[1].time_s.mean() - ends[0].time_s.mean())
    return Estimate((b - a) / apart, math.hypot(u_a, u_b) / apart, "K/s")


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """Vectors over the points: powers [W], and what scatter (own) and common causes do to them."""

    values: Vectors
    scatter: Mapping[str, Vectors]
    """By input, what its scatter does to each power: independent from point to point."""
    common: Mapping[str, Vectors]


NAMES = ("dc", "electrical", "coolant", "air", "stored")


def heat_losses(stand: Stand, coolant: Coolant, rows: Sequence[tuple[OperatingPoint, Row]]) -> Calorimetry:
    """Both losses of points, combined by (3). ``rows`` hold for each point what :func:`calorimetry` takes of it."""
    parts = _parts(stand, coolant, [row for _, row in rows])
    n = len(rows)
    calorimetric = {k: v["coolant"] + v["air"] + v["stored"] for k, v in {"": parts.values, **parts.common}.items()}
    S = np.array([np.concatenate([moved["electrical"], calorimetric[cause]]) for cause, moved in parts.common.items()])
    own = np.zeros(2 * n)
    for moved in parts.scatter.values():
        own += np.concatenate([moved["electrical"], moved["coolant"] + moved["air"] + moved["stored"]]) ** 2
    own = np.maximum(own, (1e-6 * float(np.max(np.abs(parts.values["dc"])))) ** 2)
    both = balance(parts.values["electrical"], calorimetric[""], np.diag(own) + S.T @ S)
    widened = math.sqrt(max(1.0, both.chi2 / both.dof)) if both.p_value < CONTRADICT else 1.0
    causes = list(parts.common)
    moved_by = {cause: both.weights @ S[i] for i, cause in enumerate(causes)}
    scatter = np.sqrt(both.weights**2 @ own)
    losses = []
    for i, (point, _) in enumerate(rows):
        single = {name: _sum(parts, (name,), i) for name in NAMES}
        electrical, second = single["electrical"], _sum(parts, ("coolant", "air", "stored"), i)
        lines = {"scatter": scatter[i], **{cause: abs(float(moved_by[cause][i])) for cause in causes}}
        combined = _made(both.values[i], {k: widened * float(v) for k, v in lines.items()}, "W")
        p = float(parts.values["dc"][i])
        dc, by_first = ({c: float(parts.common[c][name][i]) for c in causes} for name in ("dc", "electrical"))
        by_second, by_both = ({c: float(v[c][i]) for c in causes} for v in (calorimetric, moved_by))
        losses.append(
            HeatLoss(
                point,
                electrical,
                single["coolant"],
                single["stored"],
                single["air"],
                _sum(parts, ("electrical", "coolant", "stored"), i, signs=(1.0, -1.0, -1.0)),
                second,
                combined,
                float(both.weights[i, n + i]),
                float(both.z[i]),
                _efficiency(p, electrical.value, by_first, dc, math.sqrt(own[i])),
                _efficiency(p, second.value, by_second, dc, math.sqrt(own[n + i])),
                _efficiency(p, combined.value, by_both, dc, float(scatter[i]), widened),
            )
        )
    return Calorimetry(tuple(losses), both.chi2, both.dof, both.p_value, widened, _verdict(losses, both))


def _sum(parts: _Parts, names: Sequence[str], i: int, signs: Sequence[float] | None = None) -> Estimate:
    factors = dict(zip(names, signs or (1.0,) * len(names), strict=True))

    def total(v: Vectors) -> float:
        return sum(factor * float(v[name][i]) for name, factor in factors.items())

    lines = {cause: abs(total(moved)) for cause, moved in parts.common.items()}
    lines["scatter"] = math.sqrt(sum(total(moved) ** 2 for moved in parts.scatter.values()))
    return _made(total(parts.values), lines, "W")


def _made(value: float, lines: Mapping[str, float], unit: str) -> Estimate:
    budget = tuple(sorted((Contribution(n, u) for n, u in lines.items() if u > 0.0), key=lambda line: -line.u))
    return Estimate(float(value), math.sqrt(sum(line.u**2 for line in budget)), unit, budget=budget)


def _efficiency(
    p: float, loss: float, by: Mapping[str, float], dc: Mapping[str, float], own: float, widened: float = 1.0
) -> Estimate:
    """``1 - P_V/P_dc`` while motoring, ``P_dc/(P_dc - P_V)`` (both negative powers) while generating; NaN between."""
    shaft = p - loss
    if p > 0.0 and shaft > 0.0:
        eta, by_p, by_loss = shaft / p, loss / p**2, -1.0 / p
    elif p < 0.0 and shaft < 0.0:
        eta, by_p, by_loss = p / shaft, -loss / shaft**2, p / shaft**2
    else:
        return Estimate(math.nan, math.nan, "1")
    lines = {cause: widened * abs(by_p * dc[cause] + by_loss * by[cause]) for cause in by}
    lines["scatter"] = widened * abs(by_loss) * own
    return _made(eta, lines, "1")


def _verdict(losses: Sequence[HeatLoss], both: Balanced) -> str:
    mean = float(np.mean([loss.electrical_w.value - loss.calorimetric_w.value for loss in losses]))
    worst = max(losses, key=lambda loss: abs(loss.z))
    count = f"{len(losses)} point{'s' if len(losses) != 1 else ''}"
    if both.p_value >= CONTRADICT:
        return (
            f"Electrical and calorimetric loss agree over {count}: {mean:+.1f} W apart on average, at most "
            f"{abs(worst.z):.1f} standard uncertainties (P{worst.point.index + 1}); p = {both.p_value:.2g}."
        )
    return (
        f"Electrical and calorimetric loss contradict each other over {count}: {mean:+.1f} W apart on average, "
        f"{abs(worst.z):.1f} standard uncertainties at P{worst.point.index + 1}; p = {both.p_value:.2g}. One of them "
        "errs by more than it states: look at the torque zero, the mixture of the coolant, air in the loop, the flow "
        "meter, and at whether the points had settled. The combined losses are given with a wider uncertainty."
    )


# ------------------------------------------------------------------------------------------------- inputs
def _powers(coolant: Coolant, x: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
    """The powers of (1) and (2) [W] (n,) by :data:`NAMES`."""
    dc = x[Role.DC_VOLTAGE] * x[Role.DC_CURRENT]
    cooling = (Role.COOLANT_FLOW, Role.COOLANT_INLET_TEMP, Role.COOLANT_OUTLET_TEMP, "glycol", "coolant properties")
    heat = heat_to_coolant_w(*(x[name] for name in cooling))
    air, stored = np.zeros_like(dc), np.zeros_like(dc)
    for body in coolant.bodies:
        air = air + x[f"{body.channel} to air"] * (x[f"{body.channel} temp"] - x[Role.AIR_TEMP])
        stored = stored + x[f"{body.channel} heat"] * x[f"{body.channel} drift"]
    electrical = drive_loss_w(*(x[role] for role in _POWERS))
    return {"dc": dc, "electrical": electrical, "coolant": heat, "air": air, "stored": stored}


def _parts(stand: Stand, coolant: Coolant, rows: Sequence[Row]) -> _Parts:
    n = len(rows)
    x = {name: np.array([row[name].value for row in rows]) for name in rows[0]}
    x |= {"glycol": np.full(n, coolant.glycol), "coolant properties": np.ones(n)}
    for body in coolant.bodies:
        x |= {
            f"{body.channel} to air": np.full(n, body.air_w_per_k),
            f"{body.channel} heat": np.full(n, body.heat_j_per_k),
        }
    base = _powers(coolant, x)

    def moved(shift: Vectors) -> dict[str, FloatArray]:
        """Central difference for one standard uncertainty; a mixture moves no farther than its table reaches."""
        ends = []
        for sign in (1.0, -1.0):
            at = {k: v + sign * shift[k] if k in shift else v for k, v in x.items()}
            at["glycol"] = np.clip(at["glycol"], 0.0, MOST_GLYCOL)
            ends.append((_powers(coolant, at), at["glycol"]))
        (up, x_up), (down, x_down) = ends
        cut = 2.0 * shift["glycol"] / np.maximum(x_up - x_down, 1e-12) if "glycol" in shift else 1.0
        return {name: 0.5 * cut * (up[name] - down[name]) for name in NAMES}

    scatter, common = {}, {}
    for name in rows[0]:
        channel = _channel(stand, name)
        alone = [scatter_only(row[name], channel).u if channel else row[name].u for row in rows]
        scatter[name] = moved({name: np.nan_to_num(np.array(alone), nan=0.0)})
    for name, shift in _common_shifts(stand, coolant, x).items():
        common[name] = moved(shift)
    return _Parts(base, scatter, {name: m for name, m in common.items() if any(np.any(v) for v in m.values())})


def _channel(stand: Stand, name: str) -> str:
    """Channel behind an input; empty for a drift, whose uncertainty is all its own."""
    if name in {role.value for role in Role}:
        return stand.roles[Role(name)]
    return name.removesuffix(" temp") if name.endswith(" temp") else ""


def _common_shifts(stand: Stand, coolant: Coolant, x: Mapping[str, FloatArray]) -> dict[str, dict[str, FloatArray]]:
    """By cause the shift of the inputs for one standard uncertainty; one channel used twice moves as one."""
    n = x["glycol"].size
    inputs: dict[str, list[str]] = {}
    for name in x:
        channel = _channel(stand, name)
        if channel and name not in {role.value for role in _SENSORS}:
            inputs.setdefault(channel, []).append(name)
    found: dict[str, dict[str, FloatArray]] = {}
    for channel, names in inputs.items():
        accuracy = stand.channels[channel].calibration.accuracy
        found[f"{channel} gain"] = {name: accuracy.of_reading * x[name] for name in names}
        found[f"{channel} zero"] = {name: np.full(n, accuracy.constant) for name in names}
    u_in, u_out = (
        np.mean(
            [stand.channels[stand.roles[role]].calibration.accuracy.standard_uncertainty(float(t)) for t in x[role]]
        )
        for role in (Role.COOLANT_INLET_TEMP, Role.COOLANT_OUTLET_TEMP)
    )
    both, apart = rise_parts(float(u_in), float(u_out), coolant.u_rise_k)
    inlet, outlet = Role.COOLANT_INLET_TEMP.value, Role.COOLANT_OUTLET_TEMP.value
    found["coolant sensors in common"] = {inlet: np.full(n, both), outlet: np.full(n, both)}
    found["coolant sensors apart"] = {inlet: np.full(n, -0.5 * apart), outlet: np.full(n, 0.5 * apart)}
    found["glycol"] = {"glycol": np.full(n, coolant.u_glycol)}
    found["coolant properties"] = {"coolant properties": np.full(n, U_PROPERTIES)}
    for body in coolant.bodies:
        found[f"{body.channel} to air"] = {f"{body.channel} to air": np.full(n, body.u_air_w_per_k)}
        found[f"{body.channel} heat"] = {f"{body.channel} heat": np.full(n, body.u_heat_j_per_k)}
    return found
