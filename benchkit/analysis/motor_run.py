"""Motor constants from the operating points of a run: which points tell what, and the constants from them.

- **Idling** points carry at most :data:`IDLE_CURRENT` of the rated current. Their drag is ``P_ac/w - T``; with the
  gates off (:data:`NO_CURRENT`) just ``-T``: the load turns the shaft. Four speeds and more give the no-load
  separation.
- With the gates off the phase voltage is the back-EMF: flux and back-EMF constant.
- **Loaded** points within the speeds of the sweep give the torque constant (shaft torque plus drag over current) and a
  phase resistance from what the motor loses beside the drag. It holds the load-dependent iron and stray loss, too.
- A stretch without current and without torque at the flange, in which the speed falls, gives the inertia of what turns.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from benchkit.analysis.folding import Segment
from benchkit.analysis.motor_constants import (
    LEAST_SPAN_K,
    REFERENCE_C,
    FloatArray,
    WithTemperature,
    back_emf_constant,
    copper_resistance,
    flux_from_emf,
    torque_constant,
    with_gain,
)
from benchkit.analysis.no_load import RPM, NoLoad, coast_down, separate_no_load
from benchkit.analysis.uncertainty import propagate
from benchkit.errors import UsageError
from benchkit.model.results import Estimate, OperatingPoint
from benchkit.model.results_motor import Constant, DragPart, DragPoint, MotorConstants
from benchkit.model.stand import Role, Stand

IDLE_CURRENT = 0.05
"""Share of the rated current up to which a point idles (rule of this project)."""
NO_CURRENT = 0.005
"""... and up to which no current flows."""
SMALL_TORQUE = 0.02
"""Share of the rated torque that a free shaft end may show."""
LOADED = 0.1
"""Share of the rated torque from which a point is loaded."""
LEAST_RPM = 100.0
LEAST_SWEEP = 4
"""Points of a sweep: three terms and one to tell how well they fit."""
LEAST_FLUX = 0.02
"""The flux must have changed by so much before iron and friction are told apart by it."""
LEAST_SPLIT = 6
"""... and more points than this: five terms and one to tell how well they fit."""
LEAST_BLOCKS = 10
WORTH = 0.25
"""A resistance known worse than this share is left out."""
MAGNETS = Estimate(-1.1e-3, 3e-4, "1/K")
"""Flux of sintered NdFeB magnets with temperature, -0.08 to -0.12 %/K (common practice, no source); only used where the
magnets had about one temperature all the time."""

Ratio = Callable[[float | None], float]


def motor_of_run(
    stand: Stand, stream: str, channels: Sequence[str], points: Sequence[OperatingPoint], segments: Sequence[Segment]
) -> MotorConstants | None:
    """Everything that one stream says of the motor; None where it says nothing.

    Args:
        stand: whose roles and nameplate say which point is what.
        stream, channels: name and channels of the stream.
        points: operating points that count.
        segments: blocks of the stream, for the coast-down.
    """
    idle = [p for p in points if _is_idle(stand, p)]
    notes: list[str] = []
    constants: list[Constant] = []
    flux, alpha = _flux(stand, [p for p in idle if _is_dead(stand, p)], notes)
    constants += flux

    def ratio(temp_c: float | None) -> float:
        """Flux over that at 20 °C, where the run tells its fall with temperature."""
        return 1.0 if alpha is None or temp_c is None else 1.0 + alpha * (temp_c - REFERENCE_C)

    drag, drag_points = _drag(stand, idle, ratio, notes)
    loaded = [p for p in points if drag_points and _is_loaded(stand, p, drag_points)]
    if drag is not None:
        constants += _torque(stand, loaded, drag, ratio, notes)
        constants += _resistance(stand, loaded, drag, ratio, notes)
        constants += _inertia(stand, channels, segments, drag, drag_points, ratio, notes)
    if not constants and drag is None:
        return None
    parts = () if drag is None else tuple(
        DragPart(p.name, p.power, p.coefficient, p.is_identified) for p in drag.parts
    )  # fmt: skip
    return MotorConstants(stream, tuple(constants), parts, tuple(drag_points), tuple(notes))


# ------------------------------------------------------------------------------------------------ which points
def _mean(stand: Stand, point: OperatingPoint, role: Role) -> Estimate | None:
    found = point.means.get(stand.roles.get(role, ""))
    return found if found is not None and found.is_measured else None


def _is_idle(stand: Stand, point: OperatingPoint) -> bool:
    speed, current, torque = (_mean(stand, point, r) for r in (Role.SPEED, Role.PHASE_CURRENT, Role.TORQUE))
    if speed is None or current is None or torque is None:
        return False
    return speed.value > LEAST_RPM and abs(current.value) <= IDLE_CURRENT * stand.motor.rated_current_a


def _is_dead(stand: Stand, point: OperatingPoint) -> bool:
    current = _mean(stand, point, Role.PHASE_CURRENT)
    return current is not None and abs(current.value) <= NO_CURRENT * stand.motor.rated_current_a


def _is_loaded(stand: Stand, point: OperatingPoint, sweep: Sequence[DragPoint]) -> bool:
    speed, torque = (_mean(stand, point, r) for r in (Role.SPEED, Role.TORQUE))
    if speed is None or torque is None or abs(torque.value) < LOADED * stand.motor.rated_torque_nm:
        return False
    speeds = [p.speed_rpm.value for p in sweep]
    return 0.98 * min(speeds) <= speed.value <= 1.02 * max(speeds)


def _scatter(estimate: Estimate) -> float:
    """The part of u that differs from point to point; all of it where there is no budget."""
    if not estimate.budget:
        return estimate.u
    return math.sqrt(sum(line.u**2 for line in estimate.budget if line.name.endswith(" scatter")))


def _weights(u: Sequence[float]) -> list[float] | None:
    return list(u) if all(x > 0.0 for x in u) else None


def _gain(stand: Stand, *roles: Role) -> float:
    """Relative standard uncertainty of the gains of some channels together."""
    channels = [stand.channel_for(role) for role in roles]
    return math.hypot(*(c.calibration.accuracy.of_reading for c in channels if c is not None))


# ------------------------------------------------------------------------------------------------ drag
def _drag(
    stand: Stand, idle: Sequence[OperatingPoint], ratio: Ratio, notes: list[str]
) -> tuple[NoLoad | None, list[DragPoint]]:
    seen = [(p, *found) for p in idle if (found := _drag_of(stand, p)) is not None]
    if len(seen) < LEAST_SWEEP:
        if seen:
            notes.append(f"{len(seen)} idling point(s): the no-load losses take {LEAST_SWEEP} speeds and more.")
        return None, []
    speeds, drags = [n.value for _, n, _, _ in seen], [t.value for _, _, t, _ in seen]
    flux = [ratio(_magnet_c(stand, p)) for p, *_ in seen]
    is_split = float(np.ptp(flux)) >= LEAST_FLUX and len(seen) > LEAST_SPLIT
    try:
        u_drag = _weights([_scatter(t) for _, _, t, _ in seen])
        fit = separate_no_load(speeds, drags, u_drag, flux_ratio=flux if is_split else None)
    except UsageError as error:
        notes.append(f"No-load losses: {error}")
        return None, []
    fitted = [float(fit.torque_nm(n, f)) for n, f in zip(speeds, flux, strict=True)]
    u = [float(fit.u_torque_nm(n, f)) for n, f in zip(speeds, flux, strict=True)]
    points = [
        DragPoint(p, n, t, Estimate(y, s, "N·m"), is_driven)
        for (p, n, t, is_driven), y, s in zip(seen, fitted, u, strict=True)
    ]
    if any(not p.is_driven for p in points):
        notes.append("Idling by its own current: the copper loss of that current is counted as drag.")
    if is_split:
        notes.append(
            f"Iron and friction come apart by the flux, which went from {max(flux):.1%} to {min(flux):.1%} of that at "
            f"{REFERENCE_C:g} °C; coefficients of the iron are those at {REFERENCE_C:g} °C."
        )
    else:
        notes.append(
            "Speed alone does not tell hysteresis from dry friction, nor eddy currents from viscous friction: sweep "
            "again with warm magnets, gates off and the phase voltage measured."
        )
    return fit, points


def _drag_of(stand: Stand, point: OperatingPoint) -> tuple[Estimate, Estimate, bool] | None:
    speed, torque, power = (_mean(stand, point, r) for r in (Role.SPEED, Role.TORQUE, Role.AC_POWER))
    if speed is None or torque is None:
        return None
    names = ["speed", "torque", "AC power"]
    if _is_dead(stand, point):
        return speed, propagate(lambda t: -t, [torque], names=["torque"], unit="N·m"), True
    if power is None:
        return None
    drag = propagate(lambda n, t, p: p / (n * RPM) - t, [speed, torque, power], names=names, unit="N·m")
    return speed, drag, False


# ------------------------------------------------------------------------------------------------ constants
def _with_temperature(
    fit: Callable[[Estimate | None], WithTemperature], temps: Sequence[float], notes: list[str]
) -> tuple[WithTemperature, bool]:
    """The fit, and whether the fall with temperature comes from the run."""
    spans = float(np.ptp(np.asarray(temps))) >= LEAST_SPAN_K
    if not spans:
        text = (
            f"The magnets had about one temperature: brought to {REFERENCE_C:g} °C with {100 * MAGNETS.value:.2g} %/K "
            f"(u {100 * MAGNETS.u:.1g} %/K), usual for NdFeB."
        )
        notes += [text] if text not in notes else []
    return fit(None if spans else MAGNETS), spans


def _flux(stand: Stand, dead: Sequence[OperatingPoint], notes: list[str]) -> tuple[list[Constant], float | None]:
    """Constants of the flux, and its fall with temperature [1/K] where the run tells it."""
    roles = (Role.SPEED, Role.PHASE_VOLTAGE, Role.MAGNET_TEMP)
    rows = [row for p in dead if (row := _row(stand, p, roles)) is not None]
    if not rows:
        return [], None
    n, v, t = (np.array([row[k].value for row in rows]) for k in range(3))
    u = _weights([math.sqrt(2.0) * _scatter(row[1]) for row in rows])
    poles = stand.motor.pole_pairs
    found, from_run = _with_temperature(
        lambda per_k: flux_from_emf(n, math.sqrt(2.0) * v, t, poles, u, per_k=per_k), t.tolist(), notes
    )
    flux = with_gain(found.at_20, _gain(stand, Role.PHASE_VOLTAGE), "voltage gain")
    of_one = float(back_emf_constant(1.0, poles))
    emf = propagate(lambda psi: of_one * psi, [flux], names=["flux"], unit="V/rpm")
    how = f"{len(rows)} point(s) with the gates off: voltage over speed, fundamental"
    constants = [
        Constant("Flux linkage at 20 °C", flux, how),
        Constant("Back-EMF constant at 20 °C, peak line to line", emf, "from the flux: √3 p ψ 2π/60"),
    ]
    if from_run:
        constants.append(Constant("Flux with magnet temperature", found.per_k, f"the same points, {_span(t)}"))
    return constants, found.per_k.value if from_run else None


def _torque(
    stand: Stand, loaded: Sequence[OperatingPoint], drag: NoLoad, ratio: Ratio, notes: list[str]
) -> list[Constant]:
    role = Role.Q_CURRENT if Role.Q_CURRENT in stand.roles else Role.PHASE_CURRENT
    roles = (Role.SPEED, Role.TORQUE, role, Role.MAGNET_TEMP)
    rows = [row for p in loaded if (row := _row(stand, p, roles)) is not None and row[1].value > 0.0]
    if len(rows) < 2:
        return []
    n, torque, i, t = (np.array([row[k].value for row in rows]) for k in range(4))
    if role is Role.PHASE_CURRENT:
        i = math.sqrt(2.0) * i
        notes.append("Phase current taken as the torque-making one: true below base speed, where no field is weakened.")
    held = np.array([_held(drag, a, ratio(b)) for a, b in zip(n.tolist(), t.tolist(), strict=True)])
    air_gap = torque + held[:, 0]
    u = _weights(np.hypot([_scatter(row[1]) for row in rows], held[:, 1]).tolist())
    found, from_run = _with_temperature(lambda per_k: torque_constant(i, air_gap, t, u, per_k=per_k), t.tolist(), notes)
    k = with_gain(found.at_20, _gain(stand, Role.TORQUE, role), "gain of torque and current")
    how = f"{len(rows)} loaded point(s): shaft torque plus drag over peak current"
    constants = [Constant("Torque constant at 20 °C, per peak A", k, how)]
    if from_run:
        text = f"the same points, {_span(t)}"
        constants.append(Constant("Torque constant with magnet temperature", found.per_k, text))
    return constants


def _held(drag: NoLoad, speed_rpm: float, flux_ratio: float) -> tuple[float, float]:
    """Drag and its u [N·m] at one speed and flux."""
    return float(drag.torque_nm(speed_rpm, flux_ratio)), float(drag.u_torque_nm(speed_rpm, flux_ratio))


def _resistance(
    stand: Stand, loaded: Sequence[OperatingPoint], drag: NoLoad, ratio: Ratio, notes: list[str]
) -> list[Constant]:
    roles = (Role.SPEED, Role.TORQUE, Role.AC_POWER, Role.PHASE_CURRENT, Role.WINDING_TEMP)
    best: tuple[float, Constant] | None = None
    for point in loaded:
        row = _row(stand, point, roles)
        if row is None or row[3].value <= 0.0:
            continue
        held = Estimate(*_held(drag, row[0].value, ratio(_magnet_c(stand, point))), "N·m")
        found = propagate(_phase_ohm, [*row, held], names=[*(role.value for role in roles), "drag"], unit="Ω")
        share = abs(found.u / found.value) if found.value != 0.0 else math.inf
        if found.value > 0.0 and (best is None or share < best[0]):
            how = f"point {point.index + 1}: loss beside the drag over 3 I², with load-dependent iron and stray loss"
            best = (share, Constant("Phase resistance at 20 °C, from losses", found, how))
    if best is None:
        return []
    if best[0] > WORTH:
        notes.append(f"Phase resistance left out: no point tells it better than to {best[0]:.0%} (k = 1).")
        return []
    return [best[1]]


def _phase_ohm(n: float, torque: float, power: float, current: float, winding_c: float, drag: float) -> float:
    """Phase resistance [Ω] at 20 °C from the loss beside the drag: ``(P_ac - w (T + T_drag)) / (3 I²)`` (1)."""
    ohm = (power - n * RPM * (torque + drag)) / (3.0 * current**2)
    return ohm * float(copper_resistance(1.0, winding_c, REFERENCE_C))


def _magnet_c(stand: Stand, point: OperatingPoint) -> float | None:
    found = _mean(stand, point, Role.MAGNET_TEMP)
    return None if found is None else found.value


def _row(stand: Stand, point: OperatingPoint, roles: Sequence[Role]) -> list[Estimate] | None:
    found = [_mean(stand, point, role) for role in roles]
    known = [e for e in found if e is not None]
    return known if len(known) == len(roles) else None


def _span(temps: FloatArray) -> str:
    return f"magnets {temps.min():.0f} to {temps.max():.0f} °C"


# ------------------------------------------------------------------------------------------------ inertia
def _inertia(
    stand: Stand,
    channels: Sequence[str],
    segments: Sequence[Segment],
    drag: NoLoad,
    sweep: Sequence[DragPoint],
    ratio: Ratio,
    notes: list[str],
) -> list[Constant]:
    names = [stand.roles.get(role, "") for role in (Role.SPEED, Role.PHASE_CURRENT, Role.TORQUE)]
    if not set(names) <= set(channels):
        return []
    places = [channels.index(name) for name in names]
    speeds = [p.speed_rpm.value for p in sweep]
    magnets = stand.roles.get(Role.MAGNET_TEMP, "")
    longest: tuple[FloatArray, FloatArray] | None = None
    warm: float | None = None
    for segment in segments:
        for first, stop in _coasts(stand, segment, places, min(speeds), max(speeds)):
            if longest is None or stop - first > longest[0].size:
                longest = segment.times[first:stop], segment.means[first:stop, places[0]]
                if magnets in channels:
                    level = float(np.mean(segment.means[first:stop, channels.index(magnets)]))
                    warm = level if math.isfinite(level) else None
    if longest is None:
        return []
    try:
        found = coast_down(*longest, drag, flux_ratio=ratio(warm), u_drag_gain=_gain(stand, Role.TORQUE))
    except UsageError as error:
        notes.append(f"Coast-down: {error}")
        return []
    n = longest[1]
    how = (
        f"coast-down from {n[0]:.0f} to {n[-1]:.0f} rpm in {found.time_s:.1f} s against the drag of the motor; "
        f"{found.residual_rms_rpm:.2g} rpm RMS off"
    )
    return [Constant("Inertia of all that turned", found.inertia_kgm2, how)]


def _coasts(
    stand: Stand, segment: Segment, places: Sequence[int], low_rpm: float, high_rpm: float
) -> list[tuple[int, int]]:
    """Blocks (first, stop) without current and torque in which the speed falls, the first and the last left out."""
    n, i, torque = (segment.means[:, place] for place in places)
    with np.errstate(invalid="ignore"):
        free = np.abs(i) <= NO_CURRENT * stand.motor.rated_current_a
        free &= np.abs(torque) <= SMALL_TORQUE * stand.motor.rated_torque_nm
        free &= (n >= low_rpm) & (n <= high_rpm) & (np.diff(n, prepend=np.inf) < 0.0)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], free, [False]]).astype(np.int8)))
    runs = [(int(a) + 1, int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return [(a, b) for a, b in runs if b - a >= LEAST_BLOCKS and n[b - 1] < 0.9 * n[a]]
