"""Checks by what is measured twice: units mixed up, signs, swapped channels, calibrations wrong or applied twice.

The shaft power is known from torque and speed and, less some loss, from the electrical side; the thrust from the torque
of the propeller; the speed from the electrical frequency. Where such a pair disagrees by more than any machine can, the
factor is looked up in the list of usual mistakes and named.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from benchkit.analysis.quality.look import Look, middle
from benchkit.model.calibration import GainOffset
from benchkit.model.results import Finding, PowerBalance
from benchkit.model.stand import Channel, Role

EFFICIENCY = (0.78, 1.01)
"""What a permanent-magnet drive has from a twelfth of its current and a quarter of its speed on (common practice, no
source). Below, the check says caution, not error: a bad drive is possible."""
INVERTER = (0.85, 1.01)
FIGURE_OF_MERIT = (0.30, 0.95)
"""Of propellers at rest: measured ones lie between 0.4 and 0.75 (UIUC propeller data site)."""
CLEARLY = 50.0
"""So many standard deviations of its mean a thrust must show before its size is judged."""
SPEED_AGREES = 5e-3
"""Speed against electrical frequency of a synchronous machine; both are known to 0.01 % and better."""
PRESSURE_PA = (50_000.0, 110_000.0)
AIR_C = (-40.0, 60.0)

TORQUE: Mapping[str, float] = {
    "lbf·ft taken for N·m": 1.3558,
    "N·m taken for lbf·ft": 0.7376,
    "kgf·m taken for N·m": 9.80665,
    "N·m taken for kgf·m": 1.0 / 9.80665,
    "kW per rpm (9.55) without its thousand": 9.549,
    "divided by 9.55": 1.0 / 9.549,
    "lbf·in taken for N·m": 0.112985,
    "N·m taken for lbf·in": 8.8507,
    "mN·m taken for N·m": 1e-3,
    "N·m taken for mN·m": 1e3,
}
"""What the shown value must be multiplied with to be right."""
FORCE: Mapping[str, float] = {
    "lbf taken for N": 4.44822,
    "N taken for lbf": 1.0 / 4.44822,
    "kgf taken for N": 9.80665,
    "N taken for kgf": 1.0 / 9.80665,
    "kN taken for N": 1e3,
    "N taken for kN": 1e-3,
    "gf taken for N": 9.80665e-3,
}
POWER: Mapping[str, float] = {
    "kW taken for W": 1e3,
    "W taken for kW": 1e-3,
    "one phase taken for three": 3.0,
    "three phases counted three times": 1.0 / 3.0,
    "hp taken for W": 745.7,
    "√3 left out": math.sqrt(3.0),
    "3/2 of peak dq quantities left out": 1.5,
    "√3 twice": 1.0 / math.sqrt(3.0),
}
CURRENT: Mapping[str, float] = {"mA taken for A": 1e-3, "kA taken for A": 1e3}
SPEED: Mapping[str, float] = {
    "rev/s taken for rpm": 60.0,
    "rad/s taken for rpm": 9.5493,
    "rpm taken for rad/s": 0.104720,
    "rpm taken for rev/s": 1.0 / 60.0,
    "2π too many": 1.0 / (2.0 * math.pi),
    "2π too few": 2.0 * math.pi,
}
PRESSURE: Mapping[str, float] = {
    "hPa taken for Pa": 100.0,
    "kPa taken for Pa": 1e3,
    "psi taken for Pa": 6894.76,
    "kPa psi (6.895) left out": 6.89476,
    "mmHg taken for Pa": 133.322,
    "inHg taken for Pa": 3386.39,
    "bar taken for Pa": 1e5,
    "Pa taken for hPa": 0.01,
}


def factors(look: Look) -> list[Finding]:
    """Torque, thrust, AC power, DC voltage and current by a factor off, with the name of the factor."""
    if _swapped_torque(look):
        return []  # said by swapped()
    loaded = [b for b in look.balances if _is_loaded(look, b)]
    findings: list[Finding] = []
    findings += _inverter(look, loaded)
    findings += _shaft(look, loaded, bool(findings))
    findings += _thrust(look, bool(findings))
    return findings


def speed_ratio(look: Look) -> list[Finding]:
    """Speed against electrical frequency over pole pairs: unit, pulses per revolution, or pole pairs."""
    n, f = look.seconds_of(Role.SPEED), look.seconds_of(Role.ELECTRICAL_FREQUENCY)
    electrical = 60.0 * f / look.stand.motor.pole_pairs
    turning = (f > 0.05 * np.nanmax(f)) & (f > 5.0) if np.any(~np.isnan(f)) else np.zeros(f.size, dtype=bool)
    turning &= ~np.isnan(n)
    if np.count_nonzero(turning) < 5:
        return []
    ratio = float(np.median(electrical[turning] / np.where(n[turning] == 0.0, np.nan, n[turning])))
    if math.isnan(ratio) or abs(abs(ratio) - 1.0) <= SPEED_AGREES:
        return []
    numbers = {"factor": ratio}
    where = (0, len(look.stream))
    name = look.name(Role.SPEED)
    words = _named(abs(ratio), SPEED, 0.01)
    if words:
        text = f"The electrical frequency says {ratio:.4g} times the shown speed: {' or '.join(words)}."
        return [Finding("error", "unit_factor", text, name, *where, numbers)]
    text = (
        f"The electrical frequency over {look.stand.motor.pole_pairs} pole pairs says {ratio:.4g} times the shown "
        "speed: pulses per revolution, or the number of pole pairs, is wrong."
    )
    return [Finding("error", "pulses_per_revolution", text, name, *where, numbers)]


def air_units(look: Look) -> list[Finding]:
    """Air pressure and temperature that no hall has."""
    findings = []
    if look.has(Role.AIR_PRESSURE):
        level = middle(look.seconds_of(Role.AIR_PRESSURE))
        if level > 0.0 and not PRESSURE_PA[0] <= level <= PRESSURE_PA[1]:
            fits = [n for n, f in PRESSURE.items() if PRESSURE_PA[0] <= level * f <= PRESSURE_PA[1]]
            text = f"Air pressure {level:.4g} Pa: {_or_unknown(fits)}."
            findings.append(_of(look, Role.AIR_PRESSURE, "unit_factor" if fits else "calibration_wrong", text))
    if look.has(Role.AIR_TEMP):
        level = middle(look.seconds_of(Role.AIR_TEMP))
        if not math.isnan(level) and not AIR_C[0] <= level <= AIR_C[1]:
            ways = (("K taken for °C (273.15)", level - 273.15), ("°F taken for °C (1.8)", (level - 32.0) / 1.8))
            fits = [name for name, way in ways if -10.0 <= way <= 45.0]
            text = f"Air temperature {level:.4g} °C: {_or_unknown(fits)}."
            findings.append(_of(look, Role.AIR_TEMP, "unit_factor" if fits else "calibration_wrong", text))
    return findings


def signs(look: Look) -> list[Finding]:
    """Powers that do not agree about their direction, and thrust against the turning."""
    against: dict[Role, int] = {}
    seen = 0
    for b in look.balances:
        powers = {Role.DC_CURRENT: b.dc_power_w, Role.AC_POWER: b.ac_power_w, Role.TORQUE: b.shaft_power_w}
        clear = {r: p.value for r, p in powers.items() if p.is_measured and abs(p.value) > 4.0 * p.u}
        largest = max((abs(v) for v in clear.values()), default=0.0)
        clear = {r: v for r, v in clear.items() if abs(v) > 0.2 * largest}
        if len(clear) < 2 or largest < 100.0:
            continue
        seen += 1
        positive = sum(v > 0.0 for v in clear.values())
        if positive in {0, len(clear)}:
            continue
        few = positive < len(clear) - positive
        for role, v in clear.items():
            if (v > 0.0) == few or 2 * positive == len(clear):
                against[role] = against.get(role, 0) + 1
    for b in look.balances:
        thrust = look.mean(b.point, Role.THRUST) if look.stand.propeller is not None and look.has(Role.THRUST) else None
        if thrust is not None and b.shaft_power_w.value > 0.0 and b.speed_rpm.value > 0.0:
            against_it = thrust.value < -max(4.0 * thrust.u, 0.05 * look.channel(Role.THRUST).high)
            against[Role.THRUST] = against.get(Role.THRUST, 0) + int(against_it)
    against = {role: count for role, count in against.items() if count}
    if not against:
        return []
    most = max(against.values())
    findings = []
    for role, count in against.items():
        if count == most or role is Role.THRUST:
            text = f"{look.name(role)} points the other way than the rest at {count} of {max(seen, count)} points."
            findings.append(_of(look, role, "sign_convention", text))
    return findings


def swapped(look: Look) -> list[Finding]:
    """Coolant in and out, DC voltage and current, torque and thrust in each other's place."""
    findings = []
    if look.has(Role.COOLANT_INLET_TEMP) and look.has(Role.COOLANT_OUTLET_TEMP):
        findings += _swapped_coolant(look)
    if look.rest and look.has(Role.DC_VOLTAGE) and look.has(Role.DC_CURRENT):
        still = look.at_rest(look.rest[0])
        u, i = (middle(still.column(look.name(r))) for r in (Role.DC_VOLTAGE, Role.DC_CURRENT))
        if abs(i) > 20.0 and abs(u) < 0.2 * abs(i):
            text = f"At rest the DC current shows {i:.4g} and the DC voltage {u:.3g}: in each other's place."
            findings.append(_of(look, Role.DC_VOLTAGE, "swapped_channels", text))
    findings += _swapped_torque(look)
    return findings


# ------------------------------------------------------------------------------------------------ parts
def _is_loaded(look: Look, balance: PowerBalance) -> bool:
    """Judged by current and speed, which do not hang on what is judged."""
    current = look.mean(balance.point, Role.PHASE_CURRENT)
    speed = look.mean(balance.point, Role.ELECTRICAL_FREQUENCY)
    rated = look.stand.motor
    turns = balance.speed_rpm.value if speed is None else 60.0 * speed.value / rated.pole_pairs
    if current is None or not turns > 0.25 * rated.max_speed_rpm:
        return False
    return 0.08 * rated.rated_current_a < abs(current.value) < 0.95 * rated.rated_current_a


def _median(values: Sequence[float]) -> float:
    good = [v for v in values if not math.isnan(v)]
    return float(np.median(good)) if good else math.nan


def _ratio(a: float, b: float) -> float:
    return a / b if b != 0.0 else math.nan


def _inverter(look: Look, loaded: Sequence[PowerBalance]) -> list[Finding]:
    """AC over DC power; which side is wrong the shaft power says."""
    eta = _median([_ratio(abs(b.ac_power_w.value), abs(b.dc_power_w.value)) for b in loaded])
    if math.isnan(eta) or INVERTER[0] <= eta <= INVERTER[1]:
        return []
    motor = _median([_ratio(abs(b.shaft_power_w.value), abs(b.ac_power_w.value)) for b in loaded])
    drive = _median([_ratio(abs(b.shaft_power_w.value), abs(b.dc_power_w.value)) for b in loaded])
    if _fits(drive, EFFICIENCY):
        return [_judge(look, Role.AC_POWER, POWER, [(eta, INVERTER, 1.0)])]
    if _fits(motor, EFFICIENCY):
        current = look.seconds_of(Role.DC_CURRENT)
        role = (
            Role.DC_CURRENT if np.nanmax(np.abs(current)) < 5.0 or np.nanmax(np.abs(current)) > 1e4 else Role.DC_VOLTAGE
        )
        return [_judge(look, role, {**CURRENT, "mV or kV": 1e3}, [(eta, INVERTER, -1.0)])]
    return []


def _shaft(look: Look, loaded: Sequence[PowerBalance], is_electrical: bool) -> list[Finding]:
    if is_electrical:
        return []
    eta = _median(
        [
            _ratio(abs(b.shaft_power_w.value), abs((b.ac_power_w if b.ac_power_w.is_measured else b.dc_power_w).value))
            for b in loaded
        ]
    )
    if math.isnan(eta) or _fits(eta, EFFICIENCY):
        return []
    if look.has(Role.ELECTRICAL_FREQUENCY) and speed_ratio(look):
        return []  # the speed is wrong, and said to be
    return [_judge(look, Role.TORQUE, TORQUE, [(eta, EFFICIENCY, 1.0)])]


def _thrust(look: Look, is_other: bool) -> list[Finding]:
    """Figure of merit, goes with T^1.5 over Q; a wrong torque is found on the electrical side first."""
    zero = 0.0
    if look.rest and look.has(Role.THRUST):
        zero = middle(look.at_rest(look.rest[-1]).column(look.name(Role.THRUST)))
    merit = _median([_merit(look, b, zero) for b in look.balances])
    if is_other or math.isnan(merit) or _fits(merit, FIGURE_OF_MERIT):
        return []
    return [_judge(look, Role.THRUST, FORCE, [(merit, FIGURE_OF_MERIT, 1.5)])]


def _merit(look: Look, balance: PowerBalance, zero: float) -> float:
    """Figure of merit ``T^1.5 / (sqrt(2 rho A) P)`` of what the cell shows above its zero, at 1.2 kg/m³ (a factor does
    not hang on the density); NaN where it shows nothing, as on a load machine, or where little power flows."""
    propeller, thrust = look.stand.propeller, look.mean(balance.point, Role.THRUST)
    if propeller is None or thrust is None or not look.has(Role.THRUST):
        return math.nan
    rated = look.stand.motor.rated_torque_nm * look.stand.motor.max_speed_rpm * 2.0 * math.pi / 60.0
    if not balance.shaft_power_w.value > 0.02 * rated:
        return math.nan
    shown = abs(thrust.value - zero)
    if shown < CLEARLY * look.facts(balance.point).thrust_spread_n / math.sqrt(10.0):
        return math.nan
    area = 0.25 * math.pi * propeller.diameter_m**2
    return float(shown**1.5 / (math.sqrt(2.0 * 1.2 * area) * balance.shaft_power_w.value))


def _judge(
    look: Look, role: Role, table: Mapping[str, float], relations: Sequence[tuple[float, tuple[float, float], float]]
) -> Finding:
    """Name the factors that bring all relations (value, bounds, exponent) into their bounds."""
    channel = look.channel(role)
    fits = {
        name: factor
        for name, factor in table.items()
        if all(_fits(value * factor**power, bounds) for value, bounds, power in relations)
    }
    value, bounds, power = relations[0]
    numbers = {"ratio": value, "factor": next(iter(fits.values()), math.nan)}
    shown = f"{_RATIO_WORDS[role]} {value:.3g}, plausible is {bounds[0]:g} … {bounds[1]:g}"
    if fits:
        named = " or ".join(f"{factor:.4g} ({name})" for name, factor in fits.items())
        text = f"{shown}: {channel.name} is right if multiplied by {named}."
        return _of(look, role, "unit_factor", text, numbers)
    for words, gain in (("applied twice", _gain(channel)), ("not applied", _inverse(_gain(channel)))):
        if gain != 1.0 and _fits(value * gain**-power, bounds):
            text = f"{shown}: the calibration of {channel.name} ({_gain(channel):g}) is {words}."
            return _of(look, role, "calibration_twice", text, numbers | {"factor": 1.0 / gain})
    text = f"{shown}: no usual factor explains it; is the calibration of {channel.name} that of its sensor?"
    return _of(look, role, "calibration_wrong", text, numbers)


_RATIO_WORDS: Mapping[Role, str] = {
    Role.AC_POWER: "AC over DC power is",
    Role.DC_CURRENT: "AC over DC power is",
    Role.DC_VOLTAGE: "AC over DC power is",
    Role.TORQUE: "Shaft over electrical power is",
    Role.THRUST: "Figure of merit is",
}


def _gain(channel: Channel) -> float:
    curve = channel.calibration.curve
    return curve.gain if isinstance(curve, GainOffset) else 1.0


def _inverse(gain: float) -> float:
    return 1.0 / gain if gain != 0.0 else 1.0


def _fits(value: float, bounds: tuple[float, float]) -> bool:
    return bounds[0] <= value <= bounds[1]


def _named(factor: float, table: Mapping[str, float], within: float) -> list[str]:
    return [name for name, known in table.items() if abs(math.log(factor / known)) < within]


def _or_unknown(fits: Sequence[str]) -> str:
    return " or ".join(fits) if fits else "no usual unit explains it"


def _of(look: Look, role: Role, code: str, text: str, numbers: Mapping[str, float] | None = None) -> Finding:
    severity = "caution" if code == "calibration_wrong" else "error"
    return Finding(severity, code, text, look.name(role), 0, len(look.stream), dict(numbers or {}))


def _swapped_coolant(look: Look) -> list[Finding]:
    inlet, outlet = look.channel(Role.COOLANT_INLET_TEMP), look.channel(Role.COOLANT_OUTLET_TEMP)
    covered = 3.0 * math.hypot(inlet.calibration.accuracy.constant, outlet.calibration.accuracy.constant)
    for b in look.balances:
        a, z = look.mean(b.point, Role.COOLANT_INLET_TEMP), look.mean(b.point, Role.COOLANT_OUTLET_TEMP)
        if a is None or z is None or not abs(b.dc_power_w.value) > 1000.0:
            continue
        if a.value - z.value > covered:
            text = f"The coolant leaves {a.value - z.value:.2f} K colder than it enters while the drive heats it."
            rows = (b.point.row_start, b.point.row_stop)
            return [Finding("error", "swapped_channels", text, inlet.name, *rows)]
    return []


def _swapped_torque(look: Look) -> list[Finding]:
    if not look.thrust or not look.has(Role.THRUST):
        return []
    merit = _median([t.figure_of_merit.value for t in look.thrust])
    exchanged, eta = [], []
    for b in look.balances:
        thrust = look.mean(b.point, Role.THRUST)
        electrical = b.ac_power_w if b.ac_power_w.is_measured else b.dc_power_w
        if thrust is None or not electrical.is_measured or not abs(b.torque_nm.value) > 0.0 or not _is_loaded(look, b):
            continue
        eta.append(_ratio(b.shaft_power_w.value, electrical.value))
        exchanged.append(eta[-1] * thrust.value / b.torque_nm.value)
    now, then = _median(eta), _median(exchanged)
    if math.isnan(then) or _fits(now, EFFICIENCY) or not _fits(then, EFFICIENCY):
        return []
    text = f"Shaft over electrical power is {now:.3g}, with torque and thrust exchanged {then:.3g} (merit {merit:.3g})."
    return [_of(look, Role.TORQUE, "swapped_channels", text)]
