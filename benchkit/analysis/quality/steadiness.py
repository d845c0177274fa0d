"""Checks of what a point must hold still for: temperatures, hall air, flow through the propeller, the rig itself."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np

from benchkit.analysis.air import moist_air_density
from benchkit.analysis.quality.look import STANDS_STILL_RPM, FloatArray, Look, point_words, runs, trend
from benchkit.analysis.quality.spectrum import folded
from benchkit.model.results import Finding, OperatingPoint
from benchkit.model.stand import Role

DRIFT_K = 5.0
"""5 K are 2 % of the copper resistance (0.39 %/K), the least that shows in a loss known to a few percent."""
MIXED_K = 12.0
"""The same set-point at windings so far apart has copper losses 5 % apart: not one state."""
RECIRCULATION = 0.02
"""Fall of thrust at one speed within a point; an undisturbed one keeps it within its noise."""
WIND = 0.01
"""Scatter of one-second means of T/n²: a still hall gives 0.2 to 0.4 % on the example stand."""
DENSITY = 0.01
"""Change of the air density within a run: as much in CT, CP and power."""
RESONANCE = 0.03
"""Amplitude of a line at a multiple of the speed, as a share of the mean, from which the rig rings."""
CROSSTALK = 0.05
"""Thrust per torque, as a share of full scale per full scale, from which the cell hears the torque (common practice: a
flexure keeps it under 1 to 2 %)."""
_SECONDS = 8


def thermal_drift(look: Look) -> list[Finding]:
    """Points in which the winding is still on its way."""
    findings = []
    name = look.name(Role.WINDING_TEMP)
    for point in look.points:
        speed = look.mean(point, Role.SPEED)
        if speed is not None and abs(speed.value) < STANDS_STILL_RPM:
            continue  # cooling down at rest
        drift = look.facts(point).winding_drift_k
        if abs(drift) > DRIFT_K:
            text = f"{point_words(point)}: the winding moves by {drift:+.1f} K: efficiency of no one temperature."
            findings.append(Finding("caution", "not_steady", text, name, *_rows(point), {"drift_k": drift}))
    return findings


def mixed_states(look: Look) -> list[Finding]:
    """One set-point taken twice with the winding at different temperatures."""
    bands = look.stand.steadiness
    name = look.name(Role.WINDING_TEMP)
    for a, b in combinations(look.points, 2):
        apart = [
            _apart(look, a, b, Role.SPEED) <= bands.speed_band_rpm,
            _apart(look, a, b, Role.TORQUE) <= 2.0 * bands.torque_band_nm,
        ]
        winding = _apart(look, a, b, Role.WINDING_TEMP)
        if all(apart) and winding > MIXED_K:
            text = f"Points {a.index + 1} and {b.index + 1} are one set-point with the winding {winding:.1f} K apart."
            return [
                Finding("caution", "mixed_thermal_states", text, name, a.row_start, b.row_stop, {"apart_k": winding})
            ]
    return []


def recirculation(look: Look) -> list[Finding]:
    """Thrust that falls while the speed is held: the jet has come round. The torque falls, too, so that this may be no
    operating point at all: stretches of one speed are looked at."""
    for first, stop in _held_speed(look):
        per_n2 = _per_n2(look, slice(first, stop))
        if per_n2.size < _SECONDS:
            continue
        slope = trend(np.arange(per_n2.size, dtype=np.float64), per_n2)
        level = float(np.mean(per_n2))
        u = _about_a_bend(per_n2) * math.sqrt(12.0 / per_n2.size)  # of the fall over the whole stretch
        fall = -slope * (per_n2.size - 1) / level
        # one-second means remember a little: twice two standard uncertainties
        if fall > RECIRCULATION and fall > 4.0 * u / level:
            rows = int(look.second_edges[first]), int(look.second_edges[stop])
            start_s = look.time_of(rows[0])
            text = f"From {start_s:.1f} s on thrust over speed squared falls by {fall:.1%} while the speed is held."
            return [Finding("caution", "recirculation", text, look.name(Role.THRUST), *rows, {"fall": fall})]
    return []


def wind(look: Look) -> list[Finding]:
    """Thrust that wanders at one speed from second to second."""
    worst: Finding | None = None
    most = WIND
    for point in look.points:
        per_n2 = _thrust_per_n2(look, point)
        if per_n2.size < _SECONDS:
            continue
        scatter = _about_a_bend(per_n2) / float(np.mean(per_n2))
        noise = _noise_share(look, point)
        scatter = math.sqrt(max(0.0, scatter**2 - noise**2))
        if scatter > most:
            most = scatter
            text = f"{point_words(point)}: one-second means of thrust over speed squared scatter by {scatter:.1%}."
            name = look.name(Role.THRUST)
            worst = Finding("caution", "wind", text, name, *_rows(point), {"scatter": scatter})
    return [] if worst is None else [worst]


def density(look: Look) -> list[Finding]:
    """Air density that changes within the run by more than hall air does, from minute to minute."""
    t, p, h = (look.seconds_of(r) for r in (Role.AIR_TEMP, Role.AIR_PRESSURE, Role.AIR_HUMIDITY))
    good = ~(np.isnan(t) | np.isnan(p) | np.isnan(h))
    if np.count_nonzero(good) < 2 * _SECONDS:
        return []
    rho = moist_air_density(t[good], p[good], np.clip(h[good], 0.0, 1.0))
    rho = rho[~np.isnan(rho)]
    if rho.size < 2 * _SECONDS:
        return []
    pieces = np.array([np.median(part) for part in np.array_split(rho, max(2, rho.size // _SECONDS))])
    change = float(np.ptp(pieces) / np.median(pieces))
    if change <= DENSITY:
        return []
    text = f"The air density changes by {change:.1%} within the run ({pieces.min():.4f} … {pieces.max():.4f} kg/m³)."
    return [
        Finding("caution", "density_changed", text, look.name(Role.AIR_TEMP), 0, len(look.stream), {"change": change})
    ]


def resonance(look: Look) -> list[Finding]:
    """A line at a multiple of the speed in thrust or torque, large against the mean."""
    found: dict[str, tuple[float, Finding]] = {}
    rate = 1.0 / look.interval_s
    blades = look.stand.propeller.blades if look.stand.propeller is not None else 1
    for point in look.points:
        speed = look.mean(point, Role.SPEED)
        for role in (Role.THRUST, Role.TORQUE):
            mean = look.mean(point, role) if look.has(role) else None
            if speed is None or mean is None:
                continue
            line = look.facts(point).lines.get(role)
            scale = max(abs(mean.value), 0.05 * look.channel(role).high)
            if line is None or line.amplitude < RESONANCE * scale:
                continue
            turns = abs(speed.value) / 60.0
            multiple = next(
                (
                    k
                    for k in dict.fromkeys((1, 2, blades, 2 * blades))
                    if abs(line.frequency_hz - folded(k * turns, rate)) <= 2.0 * line.width_hz + 0.02 * k
                ),
                0,
            )
            words = f"{multiple} times the speed" if multiple else "a frequency of the rig itself"
            share = line.amplitude / scale
            name = look.name(role)
            text = f"{point_words(point)}: {name} rings by {share:.1%} at {line.frequency_hz:.3g} Hz, {words}."
            finding = Finding(
                "caution",
                "rig_resonance",
                text,
                name,
                *_rows(point),
                {"frequency_hz": line.frequency_hz, "share": share},
            )
            if share > found.get(name, (0.0, finding))[0]:
                found[name] = (share, finding)
    return [finding for _, finding in found.values()]


def crosstalk(look: Look) -> list[Finding]:
    """Thrust that goes with torque where the speed does not: the cell hears the torque."""
    pairs = [(look.mean(p, Role.SPEED), look.mean(p, Role.TORQUE), look.mean(p, Role.THRUST)) for p in look.points]
    known = [(n.value, q.value, f.value, f.u) for n, q, f in pairs if n is not None and q is not None and f is not None]
    full = look.channel(Role.TORQUE).high, look.channel(Role.THRUST).high
    slopes, weights = [], []
    for a, b in combinations(known, 2):
        if abs(a[0] - b[0]) <= look.stand.steadiness.speed_band_rpm and abs(a[1] - b[1]) > 0.1 * full[0]:
            slopes.append((b[2] - a[2]) / (b[1] - a[1]) * full[0] / full[1])
            weights.append(math.hypot(a[3], b[3]) / abs(b[1] - a[1]) * full[0] / full[1])
    if not slopes:
        return []
    slope, u = float(np.median(slopes)), float(np.median(weights))
    if abs(slope) <= max(CROSSTALK, 3.0 * u):
        return []
    per = slope * full[1] / full[0]
    text = f"At one speed the thrust moves by {per:+.3g} N for 1 N·m of torque ({slope:+.1%} of full scale)."
    return [Finding("caution", "crosstalk", text, look.name(Role.THRUST), 0, len(look.stream), {"n_per_nm": per})]


def untied_points(look: Look) -> str:
    """Why cross-talk cannot be told; empty where two points have one speed and different torques."""
    torque = 0.1 * look.channel(Role.TORQUE).high
    for a, b in combinations(look.points, 2):
        is_one_speed = _apart(look, a, b, Role.SPEED) <= look.stand.steadiness.speed_band_rpm
        if is_one_speed and _apart(look, a, b, Role.TORQUE) > torque:
            return ""
    return "needs two points of one speed and different torques"


# ------------------------------------------------------------------------------------------------ small parts
def _rows(point: OperatingPoint) -> tuple[int, int]:
    return point.row_start, point.row_stop


def _apart(look: Look, a: OperatingPoint, b: OperatingPoint, role: Role) -> float:
    """Distance of two points in one role; NaN compares as neither near nor far."""
    x, y = look.mean(a, role), look.mean(b, role)
    return math.nan if x is None or y is None else abs(x.value - y.value)


def _held_speed(look: Look) -> list[tuple[int, int]]:
    """Pieces (first, stop) over which the speed moves by less than 0.3 % from second to second, two seconds settled."""
    n = look.seconds_of(Role.SPEED)
    with np.errstate(divide="ignore", invalid="ignore"):
        still = np.abs(np.diff(n)) < 0.003 * np.abs(n[1:])
    still &= np.abs(n[1:]) > STANDS_STILL_RPM
    return [(a + 3, b) for a, b in runs(still) if b - a > _SECONDS + 3]


def _thrust_per_n2(look: Look, point: OperatingPoint) -> FloatArray:
    """One-second means of thrust over speed squared within a point."""
    first = int(np.searchsorted(look.second_edges, point.row_start))
    last = int(np.searchsorted(look.second_edges, point.row_stop, side="right")) - 1
    return _per_n2(look, slice(first, max(first, last)))


def _per_n2(look: Look, pieces: slice) -> FloatArray:
    """Thrust over speed squared; empty where there is no thrust to speak of."""
    thrust = look.seconds_of(Role.THRUST)[pieces]
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = thrust / look.seconds_of(Role.SPEED)[pieces] ** 2
    good = np.isfinite(ratio)
    if not good.any() or float(np.mean(thrust[good])) < 0.05 * look.channel(Role.THRUST).high:
        return np.empty(0)
    return np.asarray(ratio[good])


def _about_a_bend(values: FloatArray) -> float:
    """Standard deviation about the parabola through the values: what is neither level nor slow change."""
    along = np.linspace(-1.0, 1.0, values.size)
    rest = values - np.polynomial.polynomial.polyval(along, np.polynomial.polynomial.polyfit(along, values, 2))
    return float(np.sqrt(np.sum(rest**2) / (values.size - 3)))


def _noise_share(look: Look, point: OperatingPoint) -> float:
    """What white noise of the cell makes of a one-second mean, relative to the thrust."""
    single, mean = look.facts(point).thrust_noise_n, look.mean(point, Role.THRUST)
    if math.isnan(single) or mean is None:
        return 0.0
    return single * math.sqrt(look.interval_s) / mean.value
