"""Rotor and propeller notation: NACA TN 2474, p. 4 (factors derived), and momentum theory of a propeller in flight."""

from __future__ import annotations

import math

import pytest

from benchkit.analysis.propeller import (
    figure_of_merit,
    from_rotor_notation,
    momentum_bound_efficiency,
    to_rotor_notation,
)


def test_factors(published):
    ct, cp = to_rotor_notation(1.0, 1.0)
    published("rotor CT of propeller CT 1", ct, "0.1290061")
    published("rotor CP of propeller CP 1", cp, "0.04106393")
    back = from_rotor_notation(ct, cp)
    assert [float(c) for c in back] == pytest.approx([1.0, 1.0], rel=1e-15)


def test_figure_of_merit_is_the_same_in_both_notations(published):
    published("constant of propeller notation", figure_of_merit(1.0, 1.0), "0.79788456")
    ct, cp = to_rotor_notation(0.1299, 0.0531)
    rotor = float(ct) ** 1.5 / (math.sqrt(2.0) * float(cp))  # the definition in rotor notation
    published("figure of merit, rotor notation", rotor, "0.703492")
    # the trap: rotor constant on propeller coefficients
    mixed = 0.1299**1.5 / (math.sqrt(2.0) * 0.0531)
    published("mixed notation reads low, %", 100 * (1 - mixed / float(figure_of_merit(0.1299, 0.0531))), "11.4")


def test_momentum_bound():
    # exact: the actuator disc obeys eta = 2/(1 + sqrt(1 + C_T')) with C_T' = T/(rho/2 V² A) = 8 CT/(pi J²)
    ct, j = 0.08, 0.6
    eta = float(momentum_bound_efficiency(ct, j))
    loading = 8 * ct / (math.pi * j**2)
    # axial induction a solves 4 a (1 + a) = loading; eta = 1/(1 + a)
    a = (-1 + math.sqrt(1 + loading)) / 2
    assert eta == pytest.approx(1 / (1 + a), rel=1e-14)
    assert float(momentum_bound_efficiency(0.0, j)) == 1.0
