"""Units of formulas: the table agrees with the library pint, and every rule of the page is kept."""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import pytest

from benchkit.decode.dimensions import (
    BASES,
    BUILT_IN,
    SI,
    Dimension,
    Kind,
    check_result,
    dimension_of_unit,
    from_si,
    in_words,
    kind_of,
)
from benchkit.decode.expression import ExpressionError, parse
from benchkit.decode.formula import infer
from benchkit.errors import UsageError
from benchkit.units import BENCH_UNIT, Quantity


@cache
def registry() -> Any:
    """Takes a second to load: only where it is used, not in each of the processes that collect the tests."""
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


PINT_UNIT = {
    Quantity.SPEED: "rpm", Quantity.TORQUE: "N*m", Quantity.TEMPERATURE: "degC", Quantity.FLOW: "L/min",
    Quantity.RATIO: "dimensionless", Quantity.RESISTANCE: "ohm", Quantity.DENSITY: "kg/m**3", Quantity.COUNT: "count",
}  # fmt: skip
PINT_BASE = {"kg": "[mass]", "m": "[length]", "s": "[time]", "A": "[current]", "K": "[temperature]"}


def of_pint(unit: str) -> list[float]:
    found = dict(registry().Unit(unit).dimensionality)
    return [float(found.get(PINT_BASE.get(base, ""), 0)) for base in BASES]


def in_si(value: float, unit: str) -> float:
    return float(registry().Quantity(value, unit).to_base_units().magnitude)


@pytest.mark.parametrize("quantity", Quantity)
def test_the_table_agrees_with_pint(quantity: Quantity) -> None:
    unit = PINT_UNIT.get(quantity, BENCH_UNIT[quantity])
    dimension, line = SI[quantity]
    ours = [float(e) for e in dimension.exponents]
    if quantity is Quantity.FREQUENCY:
        assert ours[-1] == 1.0  # ours alone: a frequency counts cycles
        ours[-1] = 0.0
    assert ours == of_pint(unit)
    back = from_si(quantity)
    for value in (0.0, 1.0, 37.5, -12.25):
        si = in_si(value, unit)
        assert line.factor * value + line.offset == pytest.approx(si, rel=1e-14, abs=1e-13)
        assert back.factor * si + back.offset == pytest.approx(value, rel=1e-14, abs=1e-13)


@pytest.mark.parametrize(
    "unit",
    ["kg", "m", "s", "A", "K", "rad", "N", "J", "W", "V", "ohm", "Pa", "C", "F", "Wb", "H", "T", "J/(kg*K)", "kg/m**3",
     "W/(m*K)", "1/s", "m**2/s", "V*s/rad", "N*m/A"],
)  # fmt: skip
def test_units_of_constants_agree_with_pint(unit: str) -> None:
    assert [float(e) for e in dimension_of_unit(unit).exponents] == of_pint(unit)
    assert in_si(1.0, unit) == pytest.approx(1.0, rel=1e-14)  # coherent: no factor is hidden in it


@pytest.mark.parametrize(
    ("spelling", "same"),
    [("J/(kg·K)", "J/(kg*K)"), ("kg/m³", "kg/m**3"), ("m²", "m*m"), ("m^2", "m*m"), ("Ω", "V/A"), ("1", "rad")],
)
def test_spellings(spelling: str, same: str) -> None:
    assert dimension_of_unit(spelling) == dimension_of_unit(same)


@pytest.mark.parametrize(
    "unit",
    ["", "kW", "J/kgK", "2*m", "m + m", "sqrt(m)", "m/", "furlong", "m**99", "(" * 50 + "m", "g", "°C", "m" * 600],
)
def test_other_units_are_refused(unit: str) -> None:
    with pytest.raises(UsageError, match=r"is not a product of coherent SI units \(expected such as J/\(kg·K\)"):
        dimension_of_unit(unit)


# ---------------------------------------------------------------------------------------------- formulas
NAMES = {
    "u": kind_of(Quantity.VOLTAGE), "i": kind_of(Quantity.CURRENT), "p": kind_of(Quantity.POWER),
    "n": kind_of(Quantity.SPEED), "tq": kind_of(Quantity.TORQUE), "f": kind_of(Quantity.FREQUENCY),
    "t1": kind_of(Quantity.TEMPERATURE), "t2": kind_of(Quantity.TEMPERATURE),
    "dt": kind_of(Quantity.TEMPERATURE_DIFFERENCE),
    "q": kind_of(Quantity.FLOW), "r": kind_of(Quantity.RATIO), "w": Kind(Dimension(), 0.0, 0.25),
    "thrust": kind_of(Quantity.FORCE), "arm": kind_of(Quantity.LENGTH), "pressure": kind_of(Quantity.PRESSURE),
    "rho": Kind(dimension_of_unit("kg/m**3")), "cp": Kind(dimension_of_unit("J/(kg*K)")),
    **{name: constant.kind for name, constant in BUILT_IN.items()},
}  # fmt: skip


def judge(text: str, quantity: Quantity) -> None:
    check_result(infer(parse(text), NAMES, text), quantity, text)


@pytest.mark.parametrize(
    ("text", "quantity"),
    [
        ("u * i", Quantity.POWER),
        ("n * tq", Quantity.POWER),
        ("p / n", Quantity.TORQUE),
        ("p / tq", Quantity.SPEED),
        ("thrust * arm", Quantity.TORQUE),
        ("u / i", Quantity.RESISTANCE),
        ("p / i ** 2", Quantity.RESISTANCE),
        ("sqrt(p * (u / i))", Quantity.VOLTAGE),
        ("(u ** 3) ** (1/3)", Quantity.VOLTAGE),
        ("hypot(u, 2 * u)", Quantity.VOLTAGE),
        ("1 - p / (u * i)", Quantity.RATIO),
        ("exp(-r) + log(p / (u * i)) + sin(pi * r)", Quantity.RATIO),
        ("q * rho * cp * (t2 - t1)", Quantity.POWER),
        ("q * rho * cp * dt", Quantity.POWER),
        ("q * rho * cp * t2 - q * rho * cp * t1", Quantity.POWER),
        ("thrust * n * arm", Quantity.POWER),
        ("turn * f", Quantity.SPEED),
        ("n / turn", Quantity.FREQUENCY),
        ("turn * f - 10 * n", Quantity.SPEED),
        ("t1 - t2", Quantity.TEMPERATURE_DIFFERENCE),
        ("(t1 - t2) * r", Quantity.TEMPERATURE_DIFFERENCE),
        ("t1 + dt", Quantity.TEMPERATURE),
        ("t1 - dt / 2", Quantity.TEMPERATURE),
        ("(t1 + t2) / 2", Quantity.TEMPERATURE),
        ("0.5 * (t1 + t2)", Quantity.TEMPERATURE),
        ("(t1 + t2 + t1) / 3", Quantity.TEMPERATURE),
        ("w * t1 + (1 - w) * t2", Quantity.TEMPERATURE),
        ("t1 + r * (t2 - t1)", Quantity.TEMPERATURE),
        ("maximum(t1, t2)", Quantity.TEMPERATURE),
        ("maximum(t1, t2) - minimum(t1, t2)", Quantity.TEMPERATURE_DIFFERENCE),
        ("abs(t1 - t2)", Quantity.TEMPERATURE_DIFFERENCE),
        ("t1 * (pressure / pressure) ** 0.286", Quantity.TEMPERATURE),
        ("where(t1 > t2, t1, t2)", Quantity.TEMPERATURE),
        ("where(u > 0, t1, nan)", Quantity.TEMPERATURE),
        ("where(p > 0, p, 0)", Quantity.POWER),
        ("maximum(p, 0)", Quantity.POWER),
        ("where(n * tq > 0, n * tq / p, nan)", Quantity.RATIO),
        ("where(dt > 0, dt, 0)", Quantity.TEMPERATURE_DIFFERENCE),
        ("nan * u", Quantity.POWER),
    ],
)
def test_units_that_fit(text: str, quantity: Quantity) -> None:
    judge(text, quantity)


@pytest.mark.parametrize(
    ("text", "quantity", "words"),
    [
        ("u + i", Quantity.VOLTAGE, r"^character 1 .*: voltage \(V\) and current \(A\) do not go together"),
        ("u + 1", Quantity.VOLTAGE, r"voltage \(V\) and a number do not go together here\. Give a constant its unit"),
        ("u * i", Quantity.TORQUE, r"the result is power \(W\), declared is torque \(N·m\)"),
        ("u * u", Quantity.POWER, r"the result is kg\^2·m\^4·s\^-6·A\^-2, declared is power"),
        ("f", Quantity.SPEED, r"frequency \(Hz\), declared is speed.*multiply or divide by turn"),
        ("n", Quantity.FREQUENCY, "multiply or divide by turn"),
        ("n - f", Quantity.SPEED, "multiply or divide by turn"),
        ("n * tq * f", Quantity.POWER, "declared is power"),
        ("t1", Quantity.TEMPERATURE_DIFFERENCE, "a temperature, not a difference.*in °C"),
        ("t1 - t2", Quantity.TEMPERATURE, "a difference, not a temperature.*in K"),
        ("t1 + t2", Quantity.TEMPERATURE, "2 temperatures added up, not a temperature.*their number"),
        ("2 * t1", Quantity.TEMPERATURE, "2 temperatures added up"),
        ("t1 * r - t2 * r", Quantity.TEMPERATURE_DIFFERENCE, "not a difference"),
        ("maximum(t1, dt)", Quantity.TEMPERATURE, "temperature and a difference of temperatures do not go together"),
        ("where(t1 > dt, 1, 2)", Quantity.RATIO, "temperature and a difference of temperatures"),
        ("where(t1 > 0, 1, 2)", Quantity.RATIO, "0 is no temperature"),
        ("maximum(t1, 0)", Quantity.TEMPERATURE, "0 is no temperature"),
        ("where(t1 > 100, 1, 2)", Quantity.RATIO, r"temperature \(°C\) and a number"),
        ("exp(u)", Quantity.RATIO, r"exp takes a number, here is voltage \(V\)"),
        ("sin(f)", Quantity.RATIO, "sin takes a number"),
        ("u ** 0.123", Quantity.RATIO, "cannot have the exponent 0.123"),
        ("u / 0", Quantity.VOLTAGE, "division by the number 0"),
        ("u / (1 - 1)", Quantity.VOLTAGE, "division by the number 0"),
        ("where(u > i, u, u)", Quantity.VOLTAGE, "do not go together"),
        ("where(u > 0, u, i)", Quantity.VOLTAGE, "do not go together"),
        ("hypot(u, i)", Quantity.VOLTAGE, "do not go together"),
        ("thurst * arm", Quantity.TORQUE, r"no channel or constant 'thurst'\. Did you mean 'thrust'\?"),
        ("xyz", Quantity.TORQUE, r"no channel or constant 'xyz'\. Names: u, i,"),
    ],
)
def test_units_that_do_not_fit(text: str, quantity: Quantity, words: str) -> None:
    with pytest.raises(ExpressionError, match=words):
        judge(text, quantity)


def test_words() -> None:
    assert in_words(dimension_of_unit("m/s")) == "vibration (mm/s)"
    assert in_words(dimension_of_unit("m/s**2")) == "m·s^-2"
    assert in_words(dimension_of_unit("1")) == "a number"


def test_turn_is_a_full_circle() -> None:
    assert BUILT_IN["turn"].value == 2.0 * math.pi  # 1 cycle = 2 pi rad, exact
