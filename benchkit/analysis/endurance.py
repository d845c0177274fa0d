"""A duty on a battery: how long it lasts, what it takes, how warm it gets, and what ends it.

The loads of the duty go through the loss map (speed and torque), along the propeller (thrust), or are given (power).
The power of each load is fed by the battery (:mod:`benchkit.analysis.battery`), its loss warms the parts. The first of
these ends the mission: the voltage falls to the cut-off, the battery cannot give the power, the charge falls to the
reserve, a part reaches its limit. Uncertainties go through by trials (JCGM 101): every trial has its own battery,
its own losses (one error for all loads where they share it) and its own thermal resistances, and keeps them throughout.

The loss is that of the map, at the temperatures usual there; it does not rise with those computed here.

Source: trials after JCGM 101:2008; a part steps by the exact solution of its equation, derived here; what ends a
mission is a rule of this project.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from benchkit.analysis.battery import BatteryTrials, current_for, draw_battery, power_for, stored_wh
from benchkit.errors import UsageError
from benchkit.model.battery import Battery, Mission, WarmingPart
from benchkit.model.results import Estimate
from benchkit.model.results_endurance import EnduranceResult, MissionEnd, MissionTrace

FloatArray = npt.NDArray[np.float64]

TRIALS = 1000
CUT_OFF, RESERVE, TOO_MUCH = "cut-off voltage", "charge reserve", "more power than the battery can give"
LONGEST_S = 48 * 3600.0
"""A mission that is repeated ends here at the latest."""
_MOST_STEPS = 4000
_STEPS_A_LOAD = 12
_CHARGE_STEP = 0.005
_SHOWN = 200


class ThermalModel(Protocol):
    """A thermal model as a mission needs it: a state that is moved on by exact steps of constant loss.

    Arrays have the trials as their last axis.
    """

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the temperatures."""
        ...

    @property
    def limits_c(self) -> tuple[float, ...]:
        """What each may reach [°C]; infinite where there is no limit."""
        ...

    def start(self, trials: int) -> FloatArray:
        """State of a drive that has soaked in its coolant (…, trials), such as rises [K]."""
        ...

    def step(self, state: FloatArray, loss_w: FloatArray, dt_s: float) -> FloatArray:
        """State after ``dt_s`` [s] of a constant ``loss_w`` (trials,) [W]."""
        ...

    def temps_c(self, state: FloatArray) -> FloatArray:
        """Temperatures (names, trials) [°C]."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class WarmingParts:
    """Parts that warm on their own, each with one time constant: ``x' = (R P - x)/tau``, stepped exactly.

    The state is the rise x [K] of each part over the coolant (parts, trials), R [K/W], P [W], tau [s].
    """

    parts: tuple[WarmingPart, ...]
    resistance: FloatArray
    """K/W by part and trial (parts, trials)."""
    coolant_c: FloatArray
    """By trial (trials,)."""

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(part.name for part in self.parts)

    @property
    def limits_c(self) -> tuple[float, ...]:
        """What each part may reach [°C]."""
        return tuple(part.limit_c for part in self.parts)

    def start(self, trials: int) -> FloatArray:
        """No rise [K] (parts, trials): all parts at the temperature of the coolant."""
        return np.zeros((len(self.parts), trials))

    def step(self, state: FloatArray, loss_w: FloatArray, dt_s: float) -> FloatArray:
        """Rises [K] after ``dt_s`` [s] of ``loss_w`` (trials,) [W]: ``x e^(-dt/tau) + R P (1 - e^(-dt/tau))``."""
        keep = np.exp(-dt_s / np.array([part.tau_s for part in self.parts]))[:, None]
        return np.asarray(state * keep + self.resistance * loss_w * (1.0 - keep))

    def temps_c(self, state: FloatArray) -> FloatArray:
        """Temperatures (parts, trials) [°C]: coolant and rise."""
        return np.asarray(self.coolant_c + state)


def draw_parts(mission: Mission, trials: int, rng: np.random.Generator) -> WarmingParts:
    """The parts of a mission with their uncertain numbers drawn."""
    u = np.array([part.u_resistance for part in mission.parts])[:, None]
    R = np.array([part.resistance_k_per_w for part in mission.parts])[:, None]
    z = rng.standard_normal((len(mission.parts), trials))
    coolant = mission.coolant_c + mission.u_coolant_k * rng.standard_normal(trials)
    return WarmingParts(mission.parts, R * np.exp(u * z - 0.5 * u**2), coolant)


@dataclass(frozen=True, slots=True, eq=False)
class PowerLoads:
    """Loads in their order: DC power and loss of the drive by load and trial (m, trials) [W], time of each (m,) [s].
    The loss is NaN where it is not known; then nothing is said of temperatures."""

    power_w: FloatArray
    loss_w: FloatArray
    time_s: FloatArray


def play(
    mission: Mission,
    loads: PowerLoads,
    battery: BatteryTrials,
    thermal: ThermalModel | None = None,
    *,
    traced: bool = True,
) -> EnduranceResult:
    """Play loads from a battery through a thermal model until the first limit, or to their end.

    Within a step the power is constant; the charge goes by the rule of the middle, temperatures exactly. The instant of
    a limit is found by a straight line within its step. Steps are at most a twelfth of a load, and 0.5 % of the charge.

    Raises:
        UsageError: loads without time, or a mission that takes more steps than can be meant.
    """
    times = loads.time_s
    if times.size == 0 or not np.all(np.isfinite(times) & (times > 0.0)):
        raise UsageError("the loads of a mission need times above zero", got=times.tolist())
    if not np.all(np.isfinite(loads.power_w)):
        raise UsageError("the power of a load is not known: it lies outside what was measured")
    run = _Run(mission, battery, thermal if np.all(np.isfinite(loads.loss_w)) else None)
    steps = 0
    while np.any(run.alive):
        for k, seconds in enumerate(times):
            count = _steps_for(seconds, loads.power_w[k], battery)
            for _ in range(count):
                run.step(loads.power_w[k], loads.loss_w[k], seconds / count)
            steps += count
            if not np.any(run.alive):
                break
        if not mission.repeat or run.time_s >= LONGEST_S:
            break
        if steps > _MOST_STEPS * 25:
            raise UsageError("the mission takes too many steps", remedy="Join loads that are shorter than a second.")
    return run.result(traced)


def _steps_for(seconds: float, power_w: FloatArray, battery: BatteryTrials) -> int:
    full = float(np.mean(battery.open_circuit_v(battery.battery.start_soc)) * np.mean(battery.capacity_as))
    charge = float(np.max(np.abs(power_w))) * seconds / full / _CHARGE_STEP
    return min(max(_STEPS_A_LOAD, math.ceil(charge)), _MOST_STEPS)


class _Run:
    """A mission under way: state of every trial, and what is remembered."""

    def __init__(self, mission: Mission, battery: BatteryTrials, thermal: ThermalModel | None) -> None:
        self.mission, self.battery, self.thermal = mission, battery, thermal
        trials = battery.shift_v.size
        self.time_s = 0.0
        self.alive = np.full(trials, True)
        self.soc = np.full(trials, mission.battery.start_soc)
        self.end_s = np.full(trials, np.nan)
        self.cause = np.full(trials, -1)
        self.causes = [CUT_OFF, TOO_MUCH, RESERVE, *(thermal.names if thermal is not None else ())]
        self.energy_j = np.zeros(trials)
        self.lowest_v = np.full(trials, np.inf)
        self.state = thermal.start(trials) if thermal is not None else np.zeros((0, trials))
        temps = thermal.temps_c(self.state) if thermal is not None else np.zeros((0, trials))
        self.hottest, self.temps = temps.copy(), temps
        self.before = np.full((len(self.causes), trials), np.nan)
        self.kept: list[tuple[float, FloatArray, FloatArray, FloatArray]] = []

    def step(self, power_w: FloatArray, loss_w: FloatArray, dt_s: float) -> None:
        b, trial = self.mission.battery, self.battery
        R, floor_v = trial.resistance_ohm, b.series * b.cut_off_v
        current = current_for(power_w, trial.open_circuit_v(self.soc), R)
        middle = np.clip(self.soc - 0.5 * dt_s * np.nan_to_num(current) / trial.capacity_as, 0.0, 1.0)
        current = current_for(power_w, trial.open_circuit_v(middle), R)
        soc = self.soc - dt_s * np.nan_to_num(current) / trial.capacity_as
        held = np.clip(soc, 0.0, 1.0)  # only where the voltage is read: the reserve, at 0 or more, has ended it there
        E = trial.open_circuit_v(held)
        voltage = E - R * current_for(power_w, E, R)
        state = self.state if self.thermal is None else self.thermal.step(self.state, loss_w, dt_s)
        temps = self.temps if self.thermal is None else self.thermal.temps_c(state)
        most = E**2 / np.maximum(4.0 * R, 1e-12)
        margins = [np.nan_to_num(voltage - floor_v, nan=-1.0), (most - power_w) / 1e3, (soc - b.reserve_soc) * 100.0]
        if self.thermal is not None:
            margins += [limit - t for limit, t in zip(self.thermal.limits_c, temps, strict=True)]
        after = np.array(margins)
        share = self._first(after)
        ends = self.alive & (share <= 1.0)
        lived = np.where(ends, np.clip(share, 0.0, 1.0), 1.0) * dt_s * self.alive
        self.energy_j += power_w * lived
        self.end_s = np.where(ends, self.time_s + lived, self.end_s)
        part = np.where(self.alive, lived / dt_s, 0.0)
        at_end = self.temps + part * (temps - self.temps)
        self.hottest = np.maximum(self.hottest, np.where(self.alive, at_end, -np.inf))
        seen = self.alive & ~ends & np.isfinite(voltage)
        self.lowest_v = np.where(seen, np.minimum(self.lowest_v, voltage), self.lowest_v)
        self.lowest_v = np.where(ends & (self.cause == 0), np.minimum(self.lowest_v, floor_v), self.lowest_v)
        self.soc = np.where(self.alive, self.soc + part * (soc - self.soc), self.soc)
        self.state, self.temps, self.before = state, temps, after
        self.alive &= ~ends
        self.time_s += dt_s
        shown = np.where(self.alive, voltage, np.nan)
        self.kept.append(
            (self.time_s, shown, np.where(self.alive, self.soc, np.nan), np.where(self.alive, temps, np.nan))
        )

    def _first(self, after: FloatArray) -> FloatArray:
        """Share of the step at which the first margin reaches zero; above 1 where none does. Notes its cause."""
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(after < 0.0, self.before / (self.before - after), np.inf)
        # a margin that was below zero from the start of the mission, or of this load: at once
        share = np.where((after < 0.0) & ~(self.before > 0.0), 0.0, share)
        share = np.where(np.isnan(share), 0.0, share)
        first = np.argmin(share, axis=0)
        least = np.min(share, axis=0)
        self.cause = np.where(self.alive & (least <= 1.0), first, self.cause)
        return np.asarray(least)

    def result(self, traced: bool) -> EnduranceResult:
        mission = self.mission
        done = float(np.mean(self.alive))
        ends = [
            MissionEnd(cause, float(np.mean(self.cause == i)))
            for i, cause in enumerate(self.causes)
            if np.any(self.cause == i)
        ]
        lasted = np.where(np.isnan(self.end_s), self.time_s, self.end_s)
        mean_power = self.energy_j / np.maximum(lasted, 1e-9)
        nowhere = Estimate(math.nan, math.nan, "s")
        wanted = None
        if mission.wanted_s is not None:
            wanted = of_trials(power_for(self.battery, mission.wanted_s), "W")
        stored = stored_wh(mission.battery)
        drawn = self.battery.capacity_as / (mission.battery.capacity_ah * mission.battery.parallel * 3600.0)
        span = mission.battery.start_soc - mission.battery.reserve_soc
        ideal = drawn * (stored + self.battery.shift_v * span * mission.battery.capacity_ah * mission.battery.parallel)
        return EnduranceResult(
            kind=mission.kind,
            done_share=done,
            endurance_s=of_trials(self.end_s, "s") if done == 0.0 else nowhere,
            ends=tuple(sorted(ends, key=lambda end: -end.share)),
            energy_wh=of_trials(self.energy_j / 3600.0, "Wh"),
            mean_power_w=of_trials(mean_power, "W"),
            charge_left=of_trials(self.soc, "1"),
            lowest_voltage_v=of_trials(np.where(np.isfinite(self.lowest_v), self.lowest_v, np.nan), "V"),
            stored_wh=of_trials(ideal, "Wh"),
            hottest_c=tuple(
                (name, of_trials(hot, "°C")) for name, hot in zip(self.causes[3:], self.hottest, strict=True)
            ),
            continuous_power_w=wanted,
            wanted_s=mission.wanted_s,
            trials=int(self.alive.size),
            traces=self._traces() if traced else (),
        )

    def _traces(self) -> tuple[MissionTrace, ...]:
        every = max(1, -(-len(self.kept) // _SHOWN))
        kept = self.kept[::every]
        time = tuple(float(row[0]) for row in kept)
        found = [
            _trace("battery voltage", "V", time, [row[1] for row in kept]),
            _trace("state of charge", "1", time, [row[2] for row in kept]),
        ]
        for i, name in enumerate(self.causes[3:]):
            found.append(_trace(name, "°C", time, [row[3][i] for row in kept]))
        return tuple(found)


def _trace(name: str, unit: str, time_s: tuple[float, ...], rows: Sequence[FloatArray]) -> MissionTrace:
    middle, low, high = [], [], []
    for row in rows:
        good = row[np.isfinite(row)]
        ends = np.quantile(good, [0.025, 0.5, 0.975]) if good.size > 0.5 * row.size else np.full(3, np.nan)
        low.append(float(ends[0]))
        middle.append(float(ends[1]))
        high.append(float(ends[2]))
    return MissionTrace(name, unit, time_s, tuple(middle), tuple(low), tuple(high))


def of_trials(values: FloatArray, unit: str) -> Estimate:
    """Mean, standard deviation and 95 % interval (equal tails) of trials (m,), in the unit given; NaN where one of
    them is not finite."""
    if not np.all(np.isfinite(values)):
        return Estimate(math.nan, math.nan, unit)
    low, high = np.quantile(values, [0.025, 0.975])
    return Estimate(float(values.mean()), float(values.std()), unit, interval95=(float(low), float(high)))


def play_power(
    battery: Battery,
    power_w: npt.ArrayLike,
    time_s: npt.ArrayLike,
    *,
    repeat: bool = True,
    wanted_s: float | None = None,
    trials: int = TRIALS,
    seed: int = 1,
) -> EnduranceResult:
    """A mission of given powers at the DC link [W], each for its time [s], on a battery: no map, no temperatures.

    >>> cell = Battery(100, 10, (0.0, 1.0), (3.6, 3.6), 0.0, 5.0, 2.5)
    >>> done = play_power(cell, [18_000.0], [60.0], trials=2)
    >>> round(done.endurance_s.value, 3)   # 18 kWh without resistance: one hour
    3600.0
    """
    P, t = (np.atleast_1d(np.asarray(v, dtype=np.float64)) for v in (power_w, time_s))
    if P.shape != t.shape or P.ndim != 1:
        raise UsageError("powers and times differ in number", got=f"{P.shape}, {t.shape}")
    mission = Mission(battery, "power", tuple(P.tolist()), tuple(t.tolist()), repeat, wanted_s=wanted_s)
    rng = np.random.default_rng(seed)
    loads = PowerLoads(np.tile(P[:, None], (1, trials)), np.full((P.size, trials), np.nan), t)
    return play(mission, loads, draw_battery(battery, trials, rng))
