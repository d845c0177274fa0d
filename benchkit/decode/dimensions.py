"""Dimensions of quantities, and the coherent SI units in which formulas are computed.

A dimension is a product of powers of kg, m, s, A, K and *cycle*. Angles are numbers (the radian is 1), as in the SI.
The cycle is kept apart, because hertz and radian per second would else look the same and differ by 2 pi: a frequency is
cycle/s, a speed is 1/s (rad/s). Units as in the SI Brochure, 9th ed.; keeping the cycle apart is our own rule.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from benchkit.decode.expression import ExpressionError, parse
from benchkit.errors import UsageError, did_you_mean
from benchkit.model.expression import Binary, Name, Node, Number, Power
from benchkit.units import BENCH_UNIT, Quantity, Scale

BASES = ("kg", "m", "s", "A", "K", "cycle")


@dataclass(frozen=True, slots=True)
class Dimension:
    """Exponents of ``BASES``."""

    exponents: tuple[Fraction, ...] = (Fraction(0),) * len(BASES)

    def __mul__(self, other: Dimension) -> Dimension:
        return Dimension(tuple(a + b for a, b in zip(self.exponents, other.exponents, strict=True)))

    def __truediv__(self, other: Dimension) -> Dimension:
        return Dimension(tuple(a - b for a, b in zip(self.exponents, other.exponents, strict=True)))

    def power(self, exponent: Fraction) -> Dimension:
        """The dimension to that power."""
        return Dimension(tuple(a * exponent for a in self.exponents))

    @property
    def is_number(self) -> bool:
        """True without any unit."""
        return not any(self.exponents)

    def __str__(self) -> str:
        return "·".join(_factor(b, e) for b, e in zip(BASES, self.exponents, strict=True) if e) or "1"


def _factor(base: str, exponent: Fraction) -> str:
    return base if exponent == 1 else f"{base}^{exponent}"


NUMBER = Dimension()
_KG, _M, _S, _A, KELVIN, CYCLE = (
    Dimension(tuple(Fraction(int(b == base)) for b in BASES)) for base in BASES
)  # fmt: skip
_N = _KG * _M / _S / _S
_J = _N * _M
_W = _J / _S
_V = _W / _A

SI_UNITS: Mapping[str, Dimension] = {
    "kg": _KG, "m": _M, "s": _S, "A": _A, "K": KELVIN, "cycle": CYCLE, "rad": NUMBER, "N": _N, "J": _J, "W": _W,
    "V": _V, "ohm": _V / _A, "Pa": _N / _M / _M, "Hz": CYCLE / _S, "C": _A * _S, "F": _A * _S / _V, "Wb": _V * _S,
    "H": _V * _S / _A, "T": _V * _S / _M / _M,
}  # fmt: skip
"""Coherent units that the unit of a constant may be made of."""

SI: Mapping[Quantity, tuple[Dimension, Scale]] = {
    Quantity.SPEED: (NUMBER / _S, Scale(2.0 * math.pi / 60.0)),
    Quantity.TORQUE: (_J, Scale(1.0)),
    Quantity.FORCE: (_N, Scale(1.0)),
    Quantity.VOLTAGE: (_V, Scale(1.0)),
    Quantity.CURRENT: (_A, Scale(1.0)),
    Quantity.POWER: (_W, Scale(1.0)),
    Quantity.TEMPERATURE: (KELVIN, Scale(1.0, 273.15)),
    Quantity.TEMPERATURE_DIFFERENCE: (KELVIN, Scale(1.0)),
    Quantity.PRESSURE: (_N / _M / _M, Scale(1.0)),
    Quantity.FLOW: (_M * _M * _M / _S, Scale(1.0 / 60000.0)),
    Quantity.RATIO: (NUMBER, Scale(1.0)),
    Quantity.FREQUENCY: (CYCLE / _S, Scale(1.0)),
    Quantity.VIBRATION: (_M / _S, Scale(1e-3)),
    Quantity.RESISTANCE: (_V / _A, Scale(1.0)),
    Quantity.LENGTH: (_M, Scale(1.0)),
    Quantity.MASS: (_KG, Scale(1.0)),
    Quantity.DENSITY: (_KG / _M / _M / _M, Scale(1.0)),
    Quantity.TIME: (_S, Scale(1.0)),
    Quantity.COUNT: (NUMBER, Scale(1.0)),
}
"""Dimension of each quantity, and the line from its bench unit to the coherent SI unit."""


def from_si(quantity: Quantity) -> Scale:
    """The line from the coherent SI unit to the bench unit."""
    line = SI[quantity][1]
    return Scale(_INVERSE.get(line.factor, 1.0 / line.factor), -line.offset / line.factor)


# 1/(1/60000) and 1/1e-3 are whole numbers; their floating point reciprocals need not be.
_INVERSE: Mapping[float, float] = {1.0: 1.0, 1.0 / 60000.0: 60000.0, 1e-3: 1000.0, 2.0 * math.pi / 60.0: 30.0 / math.pi}


def in_words(dimension: Dimension) -> str:
    """The quantity that has this dimension, with its unit, or the product of SI units."""
    if dimension.is_number:
        return "a number"
    names = [f"{q.value} ({BENCH_UNIT[q]})" for q, (own, _) in SI.items() if own == dimension]
    return names[0] if names else str(dimension)


def dimension_of_unit(unit: str) -> Dimension:
    """Dimension of a product of coherent SI units, such as ``J/(kg·K)``, ``kg/m³`` or ``1``.

    Raises:
        UsageError: a sign or a unit that is not known.
    """
    text = unit.replace("·", "*").replace("²", "**2").replace("³", "**3").replace("^", "**").replace("Ω", "ohm")
    try:
        return _unit(parse(text))
    except ExpressionError as error:
        raise UsageError(
            f"{unit!r} is not a product of coherent SI units",
            expected="such as J/(kg·K), kg/m³, 1/s or 1",
            remedy=f"Without prefixes. {error.remedy}".strip(),
        ) from None


def _unit(node: Node) -> Dimension:
    match node:
        case Name(name):
            if name in SI_UNITS:
                return SI_UNITS[name]
            remedy = did_you_mean(name, SI_UNITS) or f"Units: {', '.join(SI_UNITS)}."
            raise ExpressionError(f"no unit {name!r}", name, 0, remedy)
        case Number(1.0):
            return NUMBER
        case Power(base, exponent):
            return _unit(base).power(Fraction(exponent).limit_denominator(12))
        case Binary("*", left, right):
            return _unit(left) * _unit(right)
        case Binary("/", left, right):
            return _unit(left) / _unit(right)
    raise ExpressionError("a unit is a product of units", "", 0)


# ------------------------------------------------------------------------------------- formulas
@dataclass(frozen=True, slots=True)
class Kind:
    """What a part of a formula is.

    ``dimension`` is None for what fits any unit: the number 0, and nan. ``readings`` matters for temperatures only: a
    thermometer reads from a zero point, so 1 is a reading, 0 a difference, 2 the sum of two readings; None is a
    temperature that was multiplied by something measured. ``value`` is the number where it is known beforehand.
    """

    dimension: Dimension | None
    readings: float | None = 0.0
    value: float | None = None


def kind_of(quantity: Quantity) -> Kind:
    """What a channel of that quantity is."""
    return Kind(SI[quantity][0], 1.0 if quantity is Quantity.TEMPERATURE else 0.0)


@dataclass(frozen=True, slots=True)
class Constant:
    """A name that stands for a number in every formula."""

    value: float
    kind: Kind


BUILT_IN: Mapping[str, Constant] = {
    "pi": Constant(math.pi, Kind(NUMBER, value=math.pi)),
    "turn": Constant(2.0 * math.pi, Kind(NUMBER / CYCLE)),
    "nan": Constant(math.nan, Kind(None, value=math.nan)),
}
"""``turn`` is 2 pi rad a cycle, the way between Hz and rad/s. ``nan`` is *not measured*."""


def check_result(kind: Kind, quantity: Quantity, text: str) -> None:
    """Refuse a formula whose result is not of the declared quantity.

    Raises:
        ExpressionError: with what it is and what it should be.
    """
    expected = kind_of(quantity)
    if kind.dimension is not None and kind.dimension != expected.dimension:
        raise ExpressionError(
            f"the result is {in_words(kind.dimension)}, declared is {_declared(quantity)}",
            text,
            0,
            _turn_remedy(kind.dimension, expected.dimension) or "Mend the formula or the quantity.",
        )
    if quantity is Quantity.TEMPERATURE_DIFFERENCE and not same_readings(kind.readings, 0.0):
        raise ExpressionError(
            "the result is a temperature, not a difference", text, 0, 'Declare quantity "temperature" in °C.'
        )
    if quantity is Quantity.TEMPERATURE and kind.readings is not None and not same_readings(kind.readings, 1.0):
        if same_readings(kind.readings, 0.0):
            what, remedy = "a difference", 'Declare quantity "temperature_difference" in K.'
        else:
            what, remedy = (
                f"{kind.readings:g} temperatures added up",
                "Divide by their number: a mean is a temperature.",
            )
        raise ExpressionError(f"the result is {what}, not a temperature", text, 0, remedy)


def _declared(quantity: Quantity) -> str:
    return f"{quantity.value} ({BENCH_UNIT[quantity]})"


def _turn_remedy(a: Dimension, b: Dimension | None) -> str:
    """What to say where only the cycle differs."""
    if b is not None and a.exponents[:-1] == b.exponents[:-1]:
        return "Hz counts cycles, speed is in rad/s: multiply or divide by turn (2 pi rad a cycle)."
    return ""


def same_readings(a: float | None, b: float | None) -> bool:
    """True where both count the same readings of a thermometer; weights such as 1/3 are not exact."""
    if a is None or b is None:
        return a is b
    return abs(a - b) <= 1e-9


def agree(a: Kind, b: Kind, text: str, at: int) -> tuple[Dimension | None, Kind, Kind]:
    """The common dimension of two parts that are added or compared, and the parts with it.

    Raises:
        ExpressionError: they have different units.
    """
    if a.dimension is None or b.dimension is None:
        zero, other = (a, b) if a.dimension is None else (b, a)
        if zero.value == 0.0 and other.readings != 0.0 and other.dimension == KELVIN:
            raise ExpressionError(
                "0 is no temperature: °C and K have different zeros",
                text,
                at,
                "Give it as a constant with its unit.",
            )
        # nan goes with readings as with differences
        readings = other.readings if zero.value != 0.0 else 0.0
        fitted = replace(zero, dimension=other.dimension, readings=readings)
        return other.dimension, *((fitted, b) if a.dimension is None else (a, fitted))
    if a.dimension != b.dimension:
        raise ExpressionError(
            f"{in_words(a.dimension)} and {in_words(b.dimension)} do not go together here",
            text,
            at,
            _turn_remedy(a.dimension, b.dimension) or "Give a constant its unit under constants.",
        )
    return a.dimension, a, b
