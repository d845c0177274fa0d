"""Permissible overload of a motor in turns: V. Subrahmanyam, Electric Drives: Concepts and Applications, 2nd ed.,
Tata McGraw-Hill, example 5.3, as carried in a public collection of worked examples. The answer printed there, 1.0713,
is that of its program, in which -15/100 is a division of whole numbers (-1); the formula gives 1.60254 (derived).
"""

from __future__ import annotations

import math

import pytest

from benchkit.analysis.thermal.ratings import overload_factor

ON, OFF, HEATING, COOLING, SHARE = 15.0, 30.0, 100.0, 150.0, 0.4


def test_in_turns(published):
    published("overload in turns", overload_factor(ON, OFF, HEATING, COOLING, SHARE), "1.60254")


def test_where_the_printed_answer_comes_from(published):
    """The same formula with the exponent -15/100 rounded down to -1, as whole numbers are divided: 1.0713."""
    a, b = math.exp(-15 // 100), math.exp(-OFF / COOLING)
    published("printed", math.sqrt((1 + SHARE) * (1 - a * b) / (1 - a) - SHARE), "1.071304005")


def test_the_formula_is_that_of_a_body_with_one_time_constant():
    """Derivation: the peak of the turns, found by walking through them, is that of the rated load held for ever.

    Rated loss is 1 + a in units of the loss that goes with the square, so the rated end is 1 + a; under p the loss is
    p² + a, while off there is none.
    """
    p = overload_factor(ON, OFF, HEATING, COOLING, SHARE)
    rise = 0.0
    for _ in range(400):
        end = p**2 + SHARE
        rise = end + (rise - end) * math.exp(-ON / HEATING)
        peak = rise
        rise *= math.exp(-OFF / COOLING)
    assert peak == pytest.approx(1.0 + SHARE, rel=1e-12)


def test_short_time_duty(published):
    """Example 5.2 of the same source: once from cold, 2 h on, tau 1.5 h, constant loss half of the other: 1.2397."""
    published("once from cold", overload_factor(2.0, math.inf, 1.5, 1.5, 0.5), "1.23972921698")


def test_outside():
    assert math.isnan(overload_factor(0.0, 1.0, 1.0, 1.0))
    assert overload_factor(10.0, 0.0, 5.0, 5.0) == pytest.approx(1.0, rel=1e-15)
