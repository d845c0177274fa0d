"""Faults that show in results: units and channels, steadiness, physics, calibration, firmware."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta

import numpy as np

from benchkit.model.calibration import GainOffset
from benchkit.model.events import Event, EventKind
from benchkit.model.stand import Role
from tests.quality.runs import BenchRun
from tests.quality.tools import Rng, holds_of, scaled, with_column

# ------------------------------------------------------------------------------------------------ units and channels
FACTORS: tuple[tuple[Role, float, float, str], ...] = (
    (Role.TORQUE, 1.3558, 0.0, "0.7376"),
    (Role.TORQUE, 0.7376, 0.0, "1.356"),
    (Role.TORQUE, 9.80665, 0.0, "kgf"),
    (Role.TORQUE, 1 / 9.80665, 0.0, "9.807"),
    (Role.TORQUE, 9.549, 0.0, "9.55"),
    (Role.TORQUE, 1000.0, 0.0, "0.001"),
    (Role.TORQUE, 8.8507, 0.0, "lbf·in"),
    (Role.AC_POWER, 1e-3, 0.0, "1000"),
    (Role.AC_POWER, 1 / 3.0, 0.0, "one phase"),
    (Role.DC_CURRENT, 1e-3, 0.0, "1000"),
    (Role.SPEED, 1 / 60.0, 0.0, "rev/s"),
    (Role.SPEED, 0.104720, 0.0, "rad/s"),
    (Role.SPEED, 9.5493, 0.0, "rpm taken for rad/s"),
    (Role.SPEED, 2 * math.pi, 0.0, "2π"),
    (Role.THRUST, 1 / 4.44822, 0.0, "4.448"),
    (Role.THRUST, 4.44822, 0.0, "0.2248"),
    (Role.THRUST, 1 / 9.80665, 0.0, "9.807"),
    (Role.THRUST, 1e-3, 0.0, "1000"),
    (Role.AIR_PRESSURE, 0.01, 0.0, "hPa taken for Pa"),
    (Role.AIR_PRESSURE, 1 / 6894.76, 0.0, "psi"),
    (Role.AIR_TEMP, 1.0, 273.15, "273.15"),
    (Role.AIR_TEMP, 1.8, 32.0, "1.8"),
)
"""Role, what the shown value was multiplied with and what was added, and a text that names the way back."""
TOLD: dict[int, str] = {}


def unit_factor(run: BenchRun, rng: Rng) -> BenchRun:
    role, factor, offset, words = FACTORS[int(rng.integers(len(FACTORS)))]
    made = scaled(run, role, factor, offset)
    TOLD.clear()
    TOLD[id(made)] = words
    return made


def sign_convention(run: BenchRun, rng: Rng) -> BenchRun:
    return scaled(run, [Role.TORQUE, Role.DC_CURRENT, Role.AC_POWER, Role.THRUST][int(rng.integers(4))], -1.0)


def swapped_channels(run: BenchRun, rng: Rng) -> BenchRun:
    pairs = [
        ("coolant_inlet_temp", "coolant_outlet_temp"),
        ("dc_voltage", "dc_current"),
        ("shaft_torque", "thrust"),
    ]
    a, b = (run.stream.channels.index(name) for name in pairs[int(rng.integers(3))])
    values = run.stream.values.copy()
    values[:, [a, b]] = values[:, [b, a]]
    return run.with_values(values)


# ------------------------------------------------------------------------------------------------ steadiness
def not_steady(run: BenchRun, rng: Rng) -> BenchRun:
    """The winding moves by 8 to 20 K in a hold."""
    move = float(rng.uniform(8.0, 20.0))
    a, b = holds_of(run)[0]
    t0, t1 = run.stream.time_s[[a, b - 1]]
    return with_column(run, "winding_temp", lambda t, x: x + move * np.clip((t - t0) / (t1 - t0), 0.0, 1.0))


def mixed_states(run: BenchRun, rng: Rng) -> BenchRun:
    """The same set-point twice, the second 15 to 40 K warmer."""
    warmer = float(rng.uniform(15.0, 40.0))
    start = holds_of(run)[0][1]
    return with_column(run, "winding_temp", lambda t, x: x + warmer * (np.arange(t.size) >= start + 50))


def acceleration(run: BenchRun, rng: Rng) -> BenchRun:
    """Speed creeps by 7 to 9 rpm in a hold of half a minute: within the band of one point."""
    rate = float(rng.uniform(7.0, 9.0)) / 30.0
    a, b = holds_of(run)[0]
    t0, t1 = run.stream.time_s[[a, b - 1]]
    return with_column(run, "shaft_speed", lambda t, x: x + rate * np.where((t >= t0) & (t <= t1), t - t0, 0.0))


def recirculation(run: BenchRun, rng: Rng) -> BenchRun:
    """Thrust falls by 6 to 12 %, torque by a third of that, with a time constant of 15 to 40 s, from each hold on."""
    share, tau = float(rng.uniform(0.06, 0.12)), float(rng.uniform(15.0, 40.0))
    values = run.stream.values.copy()
    for a, b in holds_of(run):
        since = run.stream.time_s[a:b] - run.stream.time_s[a]
        values[a:b, run.column(Role.THRUST)] *= 1.0 - share * (1.0 - np.exp(-since / tau))
        values[a:b, run.column(Role.TORQUE)] *= 1.0 - share / 3.0 * (1.0 - np.exp(-since / tau))
    return run.with_values(values)


def wind(run: BenchRun, rng: Rng) -> BenchRun:
    """Gusts of 2 to 5 % of the thrust (standard deviation) that last 2 to 4 s."""
    from scipy.signal import lfilter

    size, tau = float(rng.uniform(0.02, 0.05)), float(rng.uniform(2.0, 4.0))
    interval = float(run.stream.time_s[1] - run.stream.time_s[0])
    keep = math.exp(-interval / tau)
    gust = lfilter([size * math.sqrt(1.0 - keep**2)], [1.0, -keep], rng.standard_normal(len(run.stream)))
    return with_column(run, "thrust", lambda t, x: x * (1.0 + gust))


def density(run: BenchRun, rng: Rng) -> BenchRun:
    """The air probe warms by 5 to 12 K in the jet or the sun."""
    rise = float(rng.uniform(5.0, 12.0))
    moment = float(rng.uniform(0.2, 0.6)) * float(run.stream.time_s[-1])
    return with_column(run, "air_temp", lambda t, x: x + rise * (1.0 - np.exp(-np.maximum(0.0, t - moment) / 10.0)))


def resonance(run: BenchRun, rng: Rng) -> BenchRun:
    """Thrust or torque rings by 5 to 20 % at once or twice the speed."""
    name = str(rng.choice(["thrust", "shaft_torque"]))
    share, multiple = float(rng.uniform(0.05, 0.2)), int(rng.integers(1, 3))
    n = run.stream.column("shaft_speed")
    values = run.stream.column(name).copy()
    for a, b in holds_of(run):
        f = multiple * float(n[a:b].mean()) / 60.0
        values[a:b] *= 1.0 + share * np.sin(2.0 * np.pi * f * run.stream.time_s[a:b])
    return with_column(run, name, lambda t, x: values)


def crosstalk(run: BenchRun, rng: Rng) -> BenchRun:
    """The cell shows 8 to 20 % of full scale for full torque."""
    share = float(rng.uniform(0.08, 0.2)) * float(rng.choice([-1, 1]))
    torque = run.stream.column("shaft_torque")
    return with_column(run, "thrust", lambda t, x: x + share * torque / 250.0 * 1500.0)


# ------------------------------------------------------------------------------------------------ physics, calibration
def negative_loss(run: BenchRun, rng: Rng) -> BenchRun:
    """Torque or AC power 12 to 25 % high: a wrong lever, a wrong shunt."""
    share = 1.0 + float(rng.uniform(0.12, 0.25))
    return scaled(run, [Role.TORQUE, Role.AC_POWER][int(rng.integers(2))], share)


def calibration_wrong(run: BenchRun, rng: Rng) -> BenchRun:
    """The flange has the calibration of another: half, a fifth, two or five times."""
    return scaled(run, Role.TORQUE, float(rng.choice([0.2, 0.5, 2.0, 5.0])))


def calibration_twice(run: BenchRun, rng: Rng) -> BenchRun:
    """Amplifier and profile both scale, or neither does."""
    role = Role.TORQUE if rng.integers(2) else Role.THRUST
    curve = run.stand.channel_for(role).calibration.curve  # type: ignore[union-attr]
    assert isinstance(curve, GainOffset)
    return scaled(run, role, curve.gain ** float(rng.choice([-1, 1])))


def expired(run: BenchRun, rng: Rng) -> BenchRun:
    name = str(rng.choice(["shaft_torque", "dc_voltage", "thrust"]))
    channel = run.stand.channels[name]
    due = run.day - timedelta(days=int(rng.integers(1, 400)))
    certificate = replace(channel.calibration.certificate, date=date(2024, 1, 2), due=due)  # type: ignore[type-var]
    calibration = replace(channel.calibration, certificate=certificate)
    changed = replace(channel, calibration=calibration)
    return replace(run, stand=replace(run.stand, channels={**run.stand.channels, name: changed}))


def hash_missing(run: BenchRun, rng: Rng) -> BenchRun:
    text = ["", "0" * 64, run.stand.inverter.firmware_sha256[:40], "unknown"][int(rng.integers(4))]
    return replace(run, stand=replace(run.stand, inverter=replace(run.stand.inverter, firmware_sha256=text)))


def hash_changed(run: BenchRun, rng: Rng) -> BenchRun:
    """Another hash: of the second run, or told by the device in the middle of this one."""
    other = "".join(rng.choice(list("0123456789abcdef"), 64).tolist())
    if rng.integers(2):
        second = replace(run.stand, inverter=replace(run.stand.inverter, firmware_sha256=other))
        return replace(run, stands=(second,))
    told = Event(float(rng.uniform(1.0, 90.0)), EventKind.NOTE, "firmware", "rack", data={"firmware_sha256": other})
    return replace(run, events=(*run.events, told))
