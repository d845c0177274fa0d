"""A formula as a small frozen tree, and its value on arrays. The tree can hold nothing but the arithmetic listed here.

NaN means not measured: whatever needs a NaN is NaN. What has no finite value (a division by zero, the root or the
logarithm of a negative number, an overflow) is NaN where it arises, so nothing can divide it away again. The numbers
are the same however rows are cut into blocks.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

BinaryOperator = Literal["+", "-", "*", "/"]
Comparison = Literal["<", "<=", ">", ">="]


@dataclass(frozen=True, slots=True)
class Number:
    """A number as written. ``at`` is the place in the text, from 0, here and below."""

    value: float
    at: int


@dataclass(frozen=True, slots=True)
class Name:
    """A channel, or a constant before it is put in."""

    name: str
    at: int


@dataclass(frozen=True, slots=True)
class Negative:
    """``-operand``."""

    operand: Node
    at: int


@dataclass(frozen=True, slots=True)
class Binary:
    """``left operator right``."""

    operator: BinaryOperator
    left: Node
    right: Node
    at: int


@dataclass(frozen=True, slots=True)
class Power:
    """``base ** exponent``; the exponent is a number."""

    base: Node
    exponent: float
    at: int


@dataclass(frozen=True, slots=True)
class Compare:
    """``left operator right``: 1 where it holds, 0 where not, NaN where a side is NaN."""

    operator: Comparison
    left: Node
    right: Node
    at: int


@dataclass(frozen=True, slots=True)
class Call:
    """One of the ``FUNCTIONS`` of its arguments."""

    function: str
    arguments: tuple[Node, ...]
    at: int


Node = Number | Name | Negative | Binary | Power | Compare | Call


def _where(condition: FloatArray, yes: FloatArray, no: FloatArray) -> FloatArray:
    chosen: FloatArray = np.where(condition != 0.0, yes, no)
    return np.where(np.isnan(condition), np.nan, chosen)


FUNCTIONS: Mapping[str, tuple[int, Callable[..., FloatArray]]] = {
    "sqrt": (1, np.sqrt),
    "abs": (1, np.abs),
    "exp": (1, np.exp),
    "log": (1, np.log),
    "sin": (1, np.sin),
    "cos": (1, np.cos),
    "minimum": (2, np.minimum),
    "maximum": (2, np.maximum),
    "hypot": (2, np.hypot),
    "where": (3, _where),
}
"""Name -> number of arguments and what is computed. Angles are in radians, ``log`` is the natural one."""

_BINARY: Mapping[str, Callable[..., FloatArray]] = {
    "+": np.add,
    "-": np.subtract,
    "*": np.multiply,
    "/": np.divide,
}
_COMPARE: Mapping[str, Callable[..., npt.NDArray[np.bool_]]] = {
    "<": np.less,
    "<=": np.less_equal,
    ">": np.greater,
    ">=": np.greater_equal,
}


def evaluate(node: Node, values: Mapping[str, FloatArray]) -> FloatArray:
    """Value of the tree where its names have these ``values``, all of shape (n,); a tree without names gives ()."""
    with np.errstate(all="ignore"):
        return _value(node, values)


def names_in(node: Node) -> tuple[str, ...]:
    """Names in the tree, each once, in the order of the text."""
    match node:
        case Name(name):
            return (name,)
        case Number():
            return ()
        case Negative(operand):
            return names_in(operand)
        case Power(base):
            return names_in(base)
        case Call(_, arguments):
            parts = arguments
        case Binary(_, left, right) | Compare(_, left, right):
            parts = (left, right)
    return tuple(dict.fromkeys(name for part in parts for name in names_in(part)))


def put_in(node: Node, constants: Mapping[str, float]) -> Node:  # noqa: PLR0911  one return for each kind of node
    """The same tree with numbers in place of the names of ``constants``."""
    match node:
        case Name(name, at):
            return Number(constants[name], at) if name in constants else node
        case Number():
            return node
        case Negative(operand, at):
            return Negative(put_in(operand, constants), at)
        case Power(base, exponent, at):
            return Power(put_in(base, constants), exponent, at)
        case Call(function, arguments, at):
            return Call(function, tuple(put_in(a, constants) for a in arguments), at)
        case Binary(operator, left, right, at):
            return Binary(operator, put_in(left, constants), put_in(right, constants), at)
        case Compare(comparison, left, right, at):
            return Compare(comparison, put_in(left, constants), put_in(right, constants), at)


def _value(node: Node, values: Mapping[str, FloatArray]) -> FloatArray:  # noqa: PLR0911  as above
    match node:
        case Number(value):
            return np.array(value)
        case Name(name):
            return values[name]
        case Negative(operand):
            return np.negative(_value(operand, values))
        case Binary(operator, left, right):
            return _finite(_BINARY[operator](_value(left, values), _value(right, values)))
        case Power(base, exponent):
            return _finite(_power(_value(base, values), exponent))
        case Compare(comparison, left, right):
            a, b = _value(left, values), _value(right, values)
            return np.where(np.isnan(a) | np.isnan(b), np.nan, _COMPARE[comparison](a, b).astype(np.float64))
        case Call(function, arguments):
            return _finite(FUNCTIONS[function][1](*(_value(a, values) for a in arguments)))


def _finite(result: FloatArray) -> FloatArray:
    good = np.isfinite(result)
    return np.asarray(result) if good.all() else np.where(good, result, np.nan)


def _power(base: FloatArray, exponent: float) -> FloatArray:
    """Whole exponents by multiplication: the same bits on every machine. NaN ** 0 is NaN here: it was not measured."""
    if exponent != round(exponent):
        return np.sqrt(base) if exponent == 0.5 else np.power(base, exponent)
    result: FloatArray = np.where(np.isnan(base), np.nan, 1.0)
    for _ in range(abs(round(exponent))):
        result = result * base
    return result if exponent >= 0.0 else np.divide(1.0, result)
