"""Units of a formula: what every part of it is, and what the whole is."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from benchkit.decode.dimensions import KELVIN, NUMBER, Dimension, Kind, agree, in_words, same_readings
from benchkit.decode.expression import ExpressionError
from benchkit.errors import did_you_mean
from benchkit.model.expression import Binary, Call, Compare, Name, Negative, Node, Number, Power

_PLAIN = ("sin", "cos", "exp", "log")


def infer(node: Node, names: Mapping[str, Kind], text: str) -> Kind:  # noqa: PLR0911  one for each kind of node
    """What the formula is, where its names are ``names``.

    Raises:
        ExpressionError: a name that is not known, or units that do not go together.
    """
    match node:
        case Number(value):
            return Kind(None if value == 0.0 else NUMBER, 0.0, value)
        case Name(name, at):
            if name not in names:
                hint = did_you_mean(name, names) or f"Names: {', '.join(names)}."
                raise ExpressionError(f"no channel or constant {name!r}", text, at, hint)
            return names[name]
        case Negative(operand):
            kind = infer(operand, names, text)
            return Kind(kind.dimension, _times(kind.readings, -1.0), _known(kind.value, -1.0))
        case Binary(operator, left, right, at):
            a, b = infer(left, names, text), infer(right, names, text)
            if operator in ("*", "/"):
                return _product(a, b, operator, text, at)
            return _sum(a, b, 1.0 if operator == "+" else -1.0, text, at)
        case Power(base, exponent, at):
            return _power(infer(base, names, text), exponent, text, at)
        case Compare(_, left, right, at):
            _alike(infer(left, names, text), infer(right, names, text), text, at)
            return Kind(NUMBER)
        case Call(function, arguments, at):
            return _call(function, [infer(a, names, text) for a in arguments], text, at)


def _sum(a: Kind, b: Kind, sign: float, text: str, at: int) -> Kind:
    dimension, a, b = agree(a, b, text, at)
    readings = None
    if a.readings is not None and b.readings is not None:
        readings = a.readings + sign * b.readings
    value = None if a.value is None or b.value is None else a.value + sign * b.value
    return Kind(dimension, readings, value)


def _product(a: Kind, b: Kind, operator: str, text: str, at: int) -> Kind:
    factor = b.value
    if operator == "/" and factor is not None:
        if factor == 0.0:
            raise ExpressionError("division by the number 0", text, at, "It has no value.")
        factor = 1.0 / factor
    value = 0.0 if 0.0 in (a.value, b.value) else _known(a.value, factor)
    if a.dimension is None or b.dimension is None:
        return Kind(None, 0.0, value)
    dimension = a.dimension * b.dimension if operator == "*" else a.dimension / b.dimension
    readings: float | None = 0.0
    if dimension == KELVIN:
        if b.dimension.is_number:
            readings = _times(a.readings, factor)
        elif a.dimension.is_number and operator == "*":
            readings = _times(b.readings, a.value)
        else:
            readings = None
    return Kind(dimension, readings, value)


def _power(base: Kind, exponent: float, text: str, at: int) -> Kind:
    if base.dimension is None:
        return base if exponent > 0.0 else Kind(NUMBER)
    if base.dimension.is_number:
        return Kind(NUMBER)
    fraction = Fraction(exponent).limit_denominator(12)
    if abs(float(fraction) - exponent) > 1e-12:
        raise ExpressionError(
            f"{in_words(base.dimension)} cannot have the exponent {exponent:g}",
            text,
            at,
            "Whole numbers and simple fractions only; divide by a constant of the same unit first.",
        )
    readings = base.readings if exponent == 1.0 else None
    return Kind(base.dimension.power(fraction), readings)


def _call(function: str, arguments: list[Kind], text: str, at: int) -> Kind:
    first = arguments[0]
    if function in _PLAIN:
        if first.dimension is not None and not first.dimension.is_number:
            raise ExpressionError(
                f"{function} takes a number, here is {in_words(first.dimension)}",
                text,
                at,
                "Divide by a constant of the same unit first.",
            )
        return Kind(NUMBER)
    if function == "sqrt":
        return Kind(None if first.dimension is None else first.dimension.power(Fraction(1, 2)), None)
    if function == "abs":
        return Kind(first.dimension, _difference_only(first.readings))
    a, b = arguments[-2:]
    dimension, readings = _alike(a, b, text, at)
    return Kind(dimension, _difference_only(readings) if function == "hypot" else readings)


def _alike(a: Kind, b: Kind, text: str, at: int) -> tuple[Dimension | None, float | None]:
    """Dimension and readings of two parts of which one is taken, or that are compared."""
    dimension, a, b = agree(a, b, text, at)
    readings = (a.readings, b.readings)
    if dimension == KELVIN and None not in readings and not same_readings(*readings):
        raise ExpressionError(
            "a temperature and a difference of temperatures do not go together here", text, at, "Take two of a kind."
        )
    return dimension, a.readings if b.readings is not None else None


def _difference_only(readings: float | None) -> float | None:
    return 0.0 if readings == 0.0 else None


def _times(readings: float | None, factor: float | None) -> float | None:
    """Readings after a product with a number (None: one that is measured)."""
    if readings == 0.0:
        return 0.0
    return None if readings is None or factor is None else readings * factor


def _known(value: float | None, factor: float | None) -> float | None:
    return None if value is None or factor is None else value * factor
