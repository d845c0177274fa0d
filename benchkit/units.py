"""Quantities of the bench, one bench unit each, and the foreign units that are accepted at the border.

A value is converted once, where it enters; inside benchkit only bench units exist, and a name carries its unit
(``speed_rpm``, ``torque_nm``). Factors are exact by definition or from the SI Brochure (9th ed.) and NIST SP 811;
``tests/test_units.py`` compares the table with the library pint.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from benchkit.errors import UsageError, did_you_mean

G_N = 9.80665
"""Standard acceleration of gravity, m/s², exact (CGPM 1901)."""
LBF_N = 4.4482216152605
"""Pound-force in newton, exact."""
INCH_M = 0.0254
"""Inch in metre, exact."""


class Quantity(StrEnum):
    """Kinds of measured quantity."""

    SPEED = "speed"
    TORQUE = "torque"
    FORCE = "force"
    VOLTAGE = "voltage"
    CURRENT = "current"
    POWER = "power"
    TEMPERATURE = "temperature"
    TEMPERATURE_DIFFERENCE = "temperature_difference"
    PRESSURE = "pressure"
    FLOW = "flow"
    RATIO = "ratio"
    FREQUENCY = "frequency"
    VIBRATION = "vibration"
    RESISTANCE = "resistance"
    LENGTH = "length"
    MASS = "mass"
    DENSITY = "density"
    TIME = "time"
    COUNT = "count"


@dataclass(frozen=True, slots=True)
class Scale:
    """Straight line from a foreign unit to the bench unit: ``bench = factor * foreign + offset``."""

    factor: float
    offset: float = 0.0


BENCH_UNIT: Mapping[Quantity, str] = {
    Quantity.SPEED: "rpm",
    Quantity.TORQUE: "N·m",
    Quantity.FORCE: "N",
    Quantity.VOLTAGE: "V",
    Quantity.CURRENT: "A",
    Quantity.POWER: "W",
    Quantity.TEMPERATURE: "°C",
    Quantity.TEMPERATURE_DIFFERENCE: "K",
    Quantity.PRESSURE: "Pa",
    Quantity.FLOW: "L/min",
    Quantity.RATIO: "1",
    Quantity.FREQUENCY: "Hz",
    Quantity.VIBRATION: "mm/s",
    Quantity.RESISTANCE: "Ω",
    Quantity.LENGTH: "m",
    Quantity.MASS: "kg",
    Quantity.DENSITY: "kg/m³",
    Quantity.TIME: "s",
    Quantity.COUNT: "count",
}

ACCEPTED: Mapping[Quantity, Mapping[str, Scale]] = {
    Quantity.SPEED: {
        "rpm": Scale(1.0),
        "1/min": Scale(1.0),
        "rad/s": Scale(60.0 / (2.0 * math.pi)),
        "Hz": Scale(60.0),
    },
    Quantity.TORQUE: {
        "N·m": Scale(1.0),
        "mN·m": Scale(1e-3),
        "kN·m": Scale(1e3),
        "kgf·cm": Scale(G_N * 0.01),
        "lbf·in": Scale(LBF_N * INCH_M),
        "lbf·ft": Scale(LBF_N * INCH_M * 12.0),
        "ozf·in": Scale(LBF_N * INCH_M / 16.0),
    },
    Quantity.FORCE: {
        "N": Scale(1.0),
        "mN": Scale(1e-3),
        "kN": Scale(1e3),
        "kgf": Scale(G_N),
        "gf": Scale(G_N * 1e-3),
        "lbf": Scale(LBF_N),
    },
    Quantity.VOLTAGE: {"V": Scale(1.0), "mV": Scale(1e-3), "kV": Scale(1e3)},
    Quantity.CURRENT: {"A": Scale(1.0), "mA": Scale(1e-3), "kA": Scale(1e3)},
    Quantity.POWER: {
        "W": Scale(1.0),
        "mW": Scale(1e-3),
        "kW": Scale(1e3),
        "hp": Scale(LBF_N * INCH_M * 12 * 550),
    },
    Quantity.TEMPERATURE: {
        "°C": Scale(1.0),
        "K": Scale(1.0, -273.15),
        "°F": Scale(5.0 / 9.0, -160.0 / 9.0),
    },
    Quantity.TEMPERATURE_DIFFERENCE: {"K": Scale(1.0), "mK": Scale(1e-3)},
    Quantity.PRESSURE: {
        "Pa": Scale(1.0),
        "hPa": Scale(100.0),
        "kPa": Scale(1e3),
        "mbar": Scale(100.0),
        "bar": Scale(1e5),
        "psi": Scale(LBF_N / INCH_M**2),
    },
    Quantity.FLOW: {
        "L/min": Scale(1.0),
        "mL/min": Scale(1e-3),
        "L/s": Scale(60.0),
        "m³/h": Scale(1000.0 / 60.0),
        "gal_us/min": Scale(3.785411784),
    },
    Quantity.RATIO: {"1": Scale(1.0), "%": Scale(0.01)},
    Quantity.FREQUENCY: {"Hz": Scale(1.0), "kHz": Scale(1e3), "MHz": Scale(1e6)},
    Quantity.VIBRATION: {"mm/s": Scale(1.0), "m/s": Scale(1e3), "in/s": Scale(25.4)},
    Quantity.RESISTANCE: {"Ω": Scale(1.0), "mΩ": Scale(1e-3), "kΩ": Scale(1e3)},
    Quantity.LENGTH: {"m": Scale(1.0), "mm": Scale(1e-3), "cm": Scale(1e-2), "in": Scale(INCH_M)},
    Quantity.MASS: {"kg": Scale(1.0), "g": Scale(1e-3), "lb": Scale(0.45359237)},
    Quantity.DENSITY: {"kg/m³": Scale(1.0), "g/cm³": Scale(1e3)},
    Quantity.TIME: {
        "s": Scale(1.0),
        "ms": Scale(1e-3),
        "µs": Scale(1e-6),
        "ns": Scale(1e-9),
        "min": Scale(60.0),
    },
    Quantity.COUNT: {"count": Scale(1.0)},
}

_SPELLING = str.maketrans({"μ": "µ", "*": "·", "⋅": "·", "\N{OHM SIGN}": "Ω"})
_SYNONYMS: Mapping[str, str] = {
    "degC": "°C", "degF": "°F", "C": "°C", "F": "°F", "Nm": "N·m", "mNm": "mN·m", "kNm": "kN·m", "N.m": "N·m",
    "ohm": "Ω", "mohm": "mΩ", "kohm": "kΩ", "us": "µs", "l/min": "L/min", "l/s": "L/s", "m3/h": "m³/h",
    "kg/m3": "kg/m³", "g/cm3": "g/cm³", "r/min": "rpm", "in·lbf": "lbf·in", "ft·lbf": "lbf·ft",
}  # fmt: skip


def scale_to_bench(quantity: Quantity, unit: str, *, where: str = "") -> Scale:
    """Return the line from ``unit`` to the bench unit of ``quantity``.

    Raises:
        UsageError: the unit does not measure that quantity; the message lists those that do.
    """
    accepted = ACCEPTED[quantity]
    plain = unit.strip().translate(_SPELLING)
    plain = _SYNONYMS.get(plain, plain)
    if plain in accepted:
        return accepted[plain]
    names = list(accepted)
    listed = names[0] if len(names) == 1 else ", ".join(names[:-1]) + f" or {names[-1]}"
    hint = did_you_mean(plain, names, 0.5)
    raise UsageError(
        f"{unit!r} is not a unit of {quantity.value}",
        where=where,
        remedy=f"Use {listed}.{' ' + hint if hint else ''}",
    )


def to_bench(value: float, quantity: Quantity, unit: str, *, where: str = "") -> float:
    """Convert one value to the bench unit of ``quantity`` (see :func:`scale_to_bench`)."""
    scale = scale_to_bench(quantity, unit, where=where)
    return scale.factor * value + scale.offset
