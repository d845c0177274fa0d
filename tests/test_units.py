"""The unit table agrees with the library pint, and wrong units are refused with a remedy."""

from __future__ import annotations

from functools import cache
from typing import Any

import pytest

from benchkit.errors import UsageError
from benchkit.units import ACCEPTED, BENCH_UNIT, Quantity, scale_to_bench, to_bench


@cache
def registry() -> Any:
    """Takes a second to load: only where it is used, not in each of the processes that collect the tests."""
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


PINT_NAMES = {
    "N·m": "N*m", "mN·m": "mN*m", "kN·m": "kN*m", "kgf·cm": "kgf*cm", "lbf·in": "lbf*in", "lbf·ft": "lbf*ft",
    "ozf·in": "force_ounce*in", "gf": "force_gram", "hp": "horsepower", "°C": "degC", "°F": "degF", "L/min": "L/min",
    "mL/min": "mL/min",
    "L/s": "L/s", "m³/h": "m**3/h", "gal_us/min": "gallon/min", "1": "dimensionless", "%": "percent",
    "Ω": "ohm", "mΩ": "mohm", "kΩ": "kohm", "kg/m³": "kg/m**3", "g/cm³": "g/cm**3", "µs": "us", "count": "count",
    "rpm": "rpm", "1/min": "turn/min", "Hz": "Hz", "in": "inch",
}  # fmt: skip


@pytest.mark.parametrize(
    ("quantity", "unit"), [(q, u) for q, units in ACCEPTED.items() for u in units if (q, u) != (Quantity.SPEED, "Hz")]
)
def test_factor_and_offset_agree_with_pint(quantity: Quantity, unit: str) -> None:
    bench = PINT_NAMES.get(BENCH_UNIT[quantity], BENCH_UNIT[quantity])
    foreign = PINT_NAMES.get(unit, unit)
    for value in (0.0, 1.0, 37.5):
        expected = registry().Quantity(value, foreign).to(bench).magnitude
        assert to_bench(value, quantity, unit) == pytest.approx(expected, rel=1e-12, abs=1e-12)


def test_shaft_frequency_is_revolutions_per_second() -> None:
    assert to_bench(1.0, Quantity.SPEED, "Hz") == 60.0  # exact: one revolution per second


@pytest.mark.parametrize(("spelling", "same_as"), [("Nm", "N·m"), ("N*m", "N·m"), ("degC", "°C"), ("μs", "µs")])
def test_common_spellings_are_understood(spelling: str, same_as: str) -> None:
    quantity = next(q for q, units in ACCEPTED.items() if same_as in units)
    assert scale_to_bench(quantity, spelling) == scale_to_bench(quantity, same_as)


def test_a_wrong_unit_names_the_right_ones() -> None:
    with pytest.raises(
        UsageError, match=r"'Nm/s' is not a unit of torque\. Use N·m, .* or ozf·in\. Did you mean 'N·m'\?"
    ):
        scale_to_bench(Quantity.TORQUE, "Nm/s")
