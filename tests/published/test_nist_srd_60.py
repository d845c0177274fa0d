"""NIST Standard Reference Database 60 (ITS-90 thermocouples): printed EMF values, reference junction at 0 °C.

The ends of the ranges (K and N at -200 °C, J at 1200 °C ...) are the limits printed with the database's inverse tables.
"""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.model.sensors import Thermocouple, ThermocoupleType, emf_mv, temperature_from_emf

PRINTED = [
    ("K", 100.0, "4.096"),
    ("K", 1000.0, "41.276"),
    ("K", -200.0, "-5.891"),
    ("K", 500.0, "20.644"),
    ("K", 1372.0, "54.886"),
    ("T", 100.0, "4.279"),
    ("T", -200.0, "-5.603"),
    ("T", 400.0, "20.872"),
    ("J", 100.0, "5.269"),
    ("J", -210.0, "-8.095"),
    ("J", 760.0, "42.919"),
    ("J", 1200.0, "69.553"),
    ("N", -200.0, "-3.990"),
    ("N", 600.0, "20.613"),
    ("N", 1300.0, "47.513"),
]


@pytest.mark.parametrize(("kind", "t", "mv"), PRINTED)
def test_emf(kind, t, mv, published):
    published(f"type {kind}, {t:g} °C, mV", emf_mv(ThermocoupleType(kind), np.array(t)), mv)


# The database's approximate inverse functions, with the largest error printed beside each (K).
INVERSE = [
    ("K", (0.0, 500.0), 0.05, (0.0, 2.508355e01, 7.860106e-02, -2.503131e-01, 8.315270e-02, -1.228034e-02,
                               9.804036e-04, -4.413030e-05, 1.057734e-06, -1.052755e-08)),
    ("K", (500.0, 1372.0), 0.06, (-1.318058e02, 4.830222e01, -1.646031e00, 5.464731e-02, -9.650715e-04,
                                  8.802193e-06, -3.110810e-08)),
    ("T", (0.0, 400.0), 0.03, (0.0, 2.592800e01, -7.602961e-01, 4.637791e-02, -2.165394e-03, 6.048144e-05,
                               -7.293422e-07)),
    ("J", (0.0, 760.0), 0.04, (0.0, 1.978425e01, -2.001204e-01, 1.036969e-02, -2.549687e-04, 3.585153e-06,
                               -5.344285e-08, 5.099890e-10)),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "span", "error", "coefficients"), INVERSE)
def test_our_inverse_and_the_published_approximate_inverse(kind, span, error, coefficients, published):
    """An independent set of coefficients; it agrees within the error that the database prints for it."""
    emf = np.linspace(*emf_mv(ThermocoupleType(kind), np.array(span)), 400)[1:-1]
    ours = temperature_from_emf(ThermocoupleType(kind), emf)
    theirs = np.polynomial.polynomial.polyval(emf, np.array(coefficients))
    worst = int(np.argmax(np.abs(ours - theirs)))
    published(f"type {kind}, {emf[worst]:.3f} mV, °C", ours[worst], f"{theirs[worst]:.4f}", error)


def test_cold_junction_at_25_degrees(published):
    """The terminals see E(100 °C) - E(25 °C) = 4.096 mV - 1.000 mV, both printed (exact: difference)."""
    couple = Thermocouple(ThermocoupleType.K, 25.0)
    published("type K, 3.096 mV between the terminals, °C", couple.apply(np.array(3.096)), "100.0", 0.03)
