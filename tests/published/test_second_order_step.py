"""Second-order step response: overshoot 52.66 % at damping ratio 0.2, 16.30 % at 0.5; first order: 10-90 % in ln 9 τ.

Handbook: exp(-πζ/√(1-ζ²)), for example K. Ogata, Modern Control Engineering, 5-3 (values as commonly tabulated,
second-hand).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.analysis.signals.steps import step

RATE = 20_000.0
START = 0.05


def second_order(t: np.ndarray, zeta: float, omega: float) -> np.ndarray:
    damped = omega * math.sqrt(1.0 - zeta * zeta)
    s = np.maximum(t - START, 0.0)
    y = 1.0 - np.exp(-zeta * omega * s) * (np.cos(damped * s) + zeta * omega / damped * np.sin(damped * s))
    return np.where(t >= START, y, 0.0)


@pytest.mark.parametrize(("zeta", "printed"), [(0.2, "52.66"), (0.5, "16.30")])
def test_overshoot(published, zeta, printed):
    t = np.arange(0.0, 1.0, 1.0 / RATE)
    found = step(second_order(t, zeta, 100.0), RATE, (0.0, 1.0))
    published(f"overshoot at damping {zeta}", found.overshoot_percent, printed)
    # exact: the highest sample lies within half a sample of the peak, whose curvature is below omega²
    assert found.overshoot_percent == pytest.approx(
        100.0 * math.exp(-math.pi * zeta / math.sqrt(1.0 - zeta * zeta)), abs=100.0 * (100.0 / RATE / 2.0) ** 2
    )


def test_first_order(published):
    tau = 0.1
    t = np.arange(0.0, 2.0, 1.0 / RATE)
    y = np.where(t >= START, 1.0 - np.exp(-(t - START) / tau), 0.0)
    found = step(y, RATE, (0.0, 1.0))
    published("10-90 duration over time constant", found.transition_s / tau, "2.197")
    # exact: ln 9; a straight line between samples is off by (T/τ)²/8 of a sample's rise
    assert found.transition_s == pytest.approx(tau * math.log(9.0), rel=1e-6)
    # exact: within 2 % at τ ln 50, counted from 50 % at τ ln 2
    assert found.settling_s == pytest.approx(tau * math.log(25.0), rel=1e-6)
    assert found.overshoot_percent == 0.0
