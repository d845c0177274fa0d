"""A battery under power: sag, how long it lasts, and the power that lasts so long.

One cell is an open-circuit voltage E(s) over the state of charge s behind one resistance R. At a power P the current is
the smaller root of ``P = (E - R I) I`` (1), ``I = 2 P / (E + sqrt(E² - 4 R P))`` (2): no rounding at small P, and no
answer where ``P > E²/(4 R)``. Charge is counted, ``ds/dt = -I / Q`` (3). Trials go along the last axis.

What this leaves out: the rise of R towards empty and in the cold, ageing, recovery over hours. A resistance for loads
of minutes and a capacity at about the load of the mission hold most of it.

Source: (1) to (3) circuit theory, textbook; (4) derived here; a cell as E(s) behind one resistance is common practice,
no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError
from benchkit.model.battery import Battery

FloatArray = npt.NDArray[np.float64]

_STEPS = 80
"""Steps in which the charge of a constant power is counted."""


@dataclass(frozen=True, slots=True, eq=False)
class BatteryTrials:
    """Battery with its uncertain numbers drawn (trials,): shift of the open-circuit voltage of the whole string [V],
    its resistance [Ω], its capacity [A s]."""

    battery: Battery
    shift_v: FloatArray
    resistance_ohm: FloatArray
    capacity_as: FloatArray

    def open_circuit_v(self, soc: npt.ArrayLike) -> FloatArray:
        """Open-circuit voltage of the string [V] by trial."""
        return np.asarray(open_circuit_v(self.battery, soc) + self.shift_v)


def checked(battery: Battery) -> Battery:
    """The battery itself.

    Raises:
        UsageError: numbers that no battery has.
    """
    soc, ocv = np.asarray(battery.soc), np.asarray(battery.ocv_v)
    problems = {
        "at least one cell": battery.series < 1 or battery.parallel < 1,
        "two or more points of the curve, as many charges as voltages": soc.size < 2 or soc.shape != ocv.shape,
        "charges that rise from 0 to 1": soc.size > 1
        and (soc[0] != 0.0 or soc[-1] != 1.0 or bool(np.any(np.diff(soc) <= 0.0))),
        "voltages above zero that do not fall with charge": bool(np.any(ocv <= 0.0))
        or bool(np.any(np.diff(ocv) < 0.0)),
        "resistance not negative, capacity above zero": not (
            battery.resistance_ohm >= 0.0 and battery.capacity_ah > 0.0
        ),
        "a cut-off below the full voltage": ocv.size > 0 and not 0.0 <= battery.cut_off_v < ocv[-1],
        "0 <= reserve < start <= 1": not 0.0 <= battery.reserve_soc < battery.start_soc <= 1.0,
        "uncertainties not negative": min(battery.u_ocv_v, battery.u_resistance, battery.u_capacity) < 0.0,
    }
    for expected, is_wrong in problems.items():
        if is_wrong:
            raise UsageError("this is no battery", where="battery", expected=expected)
    return battery


def open_circuit_v(battery: Battery, soc: npt.ArrayLike) -> FloatArray:
    """Open-circuit voltage of the whole string [V] at a state of charge [1], straight between points; NaN outside."""
    s = np.asarray(soc, dtype=np.float64)
    return np.asarray(battery.series * np.interp(s, battery.soc, battery.ocv_v, left=np.nan, right=np.nan))


def string_resistance_ohm(battery: Battery) -> float:
    """Resistance of the whole battery [Ω]: ``R_cell series / parallel``."""
    return battery.resistance_ohm * battery.series / battery.parallel


def current_for(power_w: npt.ArrayLike, open_circuit: npt.ArrayLike, resistance_ohm: npt.ArrayLike) -> FloatArray:
    """Current [A] that gives a power [W] at the terminals, equation (2); negative while charging; NaN beyond E²/(4R).

    >>> float(current_for(3600.0, 400.0, 4.0))
    10.0
    """
    E, R, P = (np.asarray(v, dtype=np.float64) for v in (open_circuit, resistance_ohm, power_w))
    root = E**2 - 4.0 * R * P
    with np.errstate(invalid="ignore"):
        return np.asarray(2.0 * P / (E + np.sqrt(np.where(root >= 0.0, root, np.nan))))


def stored_wh(battery: Battery, start: float | None = None, end: float | None = None) -> float:
    """Energy [Wh] of the open-circuit curve between two states of charge (default: start to reserve), without any
    resistance: what an ideal battery would give."""
    high = battery.start_soc if start is None else start
    low = battery.reserve_soc if end is None else end
    nodes = np.unique(np.concatenate([[low, high], [s for s in battery.soc if low < s < high]]))
    capacity_ah = battery.capacity_ah * battery.parallel
    return float(capacity_ah * np.trapezoid(open_circuit_v(battery, nodes), nodes))


def cell_mass_for(energy_wh: float, specific_wh_per_kg: float) -> float:
    """Mass of cells [kg] for an energy [Wh] at a specific energy [Wh/kg].

    >>> round(cell_mass_for(53_000.0, 260.0), 1)
    203.8
    """
    return energy_wh / specific_wh_per_kg


def mean_power_w(energy_wh: float, time_s: float) -> float:
    """Mean power [W] that uses an energy [Wh] in a time [s].

    >>> round(mean_power_w(53_000.0, 1.5 * 3600.0), 1)
    35333.3
    """
    return energy_wh * 3600.0 / time_s


def draw_battery(battery: Battery, trials: int, rng: np.random.Generator) -> BatteryTrials:
    """Trials of the battery: normal laws, resistance and capacity kept above zero by a logarithmic one."""
    z = rng.standard_normal((3, trials))
    return BatteryTrials(
        checked(battery),
        battery.series * battery.u_ocv_v * z[0],
        string_resistance_ohm(battery) * np.exp(battery.u_resistance * z[1] - 0.5 * battery.u_resistance**2),
        battery.capacity_ah
        * battery.parallel
        * 3600.0
        * np.exp(battery.u_capacity * z[2] - 0.5 * battery.u_capacity**2),
    )


def sure(battery: Battery) -> BatteryTrials:
    """The battery without its uncertainties, as one trial."""
    return BatteryTrials(
        checked(battery),
        np.zeros(1),
        np.array([string_resistance_ohm(battery)]),
        np.array([battery.capacity_ah * battery.parallel * 3600.0]),
    )


def endurance_at(trials: BatteryTrials, power_w: npt.ArrayLike) -> FloatArray:
    """Time [s] that a constant power [W] lasts from the start, by trial, until cut-off or reserve.

    The charge is the variable: ``t = integral Q ds / I(s)`` (4) over steps from start to reserve, by the rule of the
    middle; the cut-off is met where ``E(s) - R I(s)`` falls to it, found by halving.
    """
    battery = trials.battery
    P = np.broadcast_to(np.asarray(power_w, dtype=np.float64), trials.shift_v.shape)
    floor_v = battery.series * battery.cut_off_v

    def holds(soc: FloatArray) -> npt.NDArray[np.bool_]:
        E = trials.open_circuit_v(soc)
        current = current_for(P, E, trials.resistance_ohm)
        with np.errstate(invalid="ignore"):
            return np.asarray(E - trials.resistance_ohm * current >= floor_v)

    start, low = np.full(P.shape, battery.start_soc), np.full(P.shape, battery.reserve_soc)
    never = ~holds(start)
    empty = holds(low)
    high = start.copy()
    for _ in range(40):
        middle = 0.5 * (low + high)
        good = holds(middle)
        high, low = np.where(good, middle, high), np.where(good, low, middle)
    end = np.where(empty, battery.reserve_soc, high)
    width = (start - end) / _STEPS
    total = np.zeros(P.shape)
    for step in range(_STEPS):
        soc = end + (step + 0.5) * width
        total += width / current_for(P, trials.open_circuit_v(soc), trials.resistance_ohm)
    return np.where(never, 0.0, total * trials.capacity_as)


def power_for(trials: BatteryTrials, endurance_s: float) -> FloatArray:
    """Constant power [W] that lasts ``endurance_s``, by trial: the inverse of :func:`endurance_at`, by halving.

    Raises:
        UsageError: an endurance that is not above zero.
    """
    if not endurance_s > 0.0:
        raise UsageError("an endurance must be above zero", got=endurance_s, expected="seconds")
    battery = trials.battery
    ideal = stored_wh(battery) * 3600.0 / endurance_s
    low, high = np.zeros(trials.shift_v.shape), np.full(trials.shift_v.shape, 2.0 * ideal)
    for _ in range(34):
        middle = 0.5 * (low + high)
        lasts = endurance_at(trials, np.maximum(middle, 1e-9 * ideal)) >= endurance_s
        low, high = np.where(lasts, middle, low), np.where(lasts, high, middle)
    return np.asarray(0.5 * (low + high))
