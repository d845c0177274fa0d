"""Calibration with masses: exact cases, and the stated uncertainty against many simulated calibrations."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence

import numpy as np
import pytest

from benchkit.analysis.calibrate import calibrate_line, check_range, load_of, rising
from benchkit.errors import UsageError
from benchkit.model.worksheet import Method, Step, Worksheet

UP_AND_DOWN = (0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 40.0, 30.0, 20.0, 10.0, 0.0)
G = 9.81


def sheet(read: Callable[[float, bool], float], masses: Sequence[float] = UP_AND_DOWN, **changes: object) -> Worksheet:
    """Readings made by ``read(load, is_rising)``; no buoyancy, gravity 9.81 exactly."""
    bare = Worksheet(
        Method.DEAD_WEIGHT, (), 0.0, gravity_mps2=G, u_gravity_mps2=0.0, gravity_is_stated=True, air_density_kgm3=0.0
    )
    bare = dataclasses.replace(bare, **changes)
    steps = [Step(m, read(load_of(bare, m), up)) for m, up in zip(masses, rising(masses), strict=True)]
    return dataclasses.replace(bare, steps=tuple(steps))


def codes(findings: Sequence[object]) -> list[str]:
    return [f.code for f in findings]  # type: ignore[attr-defined]


def test_a_perfect_line_comes_back() -> None:
    # exact: r = 0.01 + L / 500, so gain 500 and offset -5; nothing scatters
    result = calibrate_line(sheet(lambda load, up: 0.01 + load / 500.0))
    assert result.gain.value == pytest.approx(500.0, rel=1e-12)
    assert result.offset.value == pytest.approx(-5.0, rel=1e-10)
    assert result.residuals == pytest.approx([0.0] * 11, abs=1e-9)
    assert (result.hysteresis, result.zero_return) == pytest.approx((0.0, 0.0), abs=1e-9)
    assert result.accuracy.of_reading == pytest.approx(0.0, abs=1e-12)
    assert result.findings == ()


def test_a_falling_instrument_has_a_negative_gain() -> None:
    result = calibrate_line(sheet(lambda load, up: 2.0 - load / 500.0))
    assert result.gain.value == pytest.approx(-500.0, rel=1e-12)
    assert result.offset.value == pytest.approx(1000.0, rel=1e-12)


def test_loads_of_masses() -> None:
    # exact: 10 kg · 9.81 m/s² (1 - 1.2/8000) = 98.085285 N, on 0.25 m 24.52132125 N·m
    weights = sheet(lambda load, up: load, air_density_kgm3=1.2)
    assert load_of(weights, 10.0) == pytest.approx(98.085285, rel=1e-14)
    arm = dataclasses.replace(weights, method=Method.LEVER_ARM, arm_m=0.25, u_arm_m=0.0)
    assert load_of(arm, -10.0) == pytest.approx(-24.52132125, rel=1e-14)
    assert arm.unit == "N·m"


def test_direction_of_the_steps() -> None:
    assert rising((0, 10, 20, 20, 10, 0, -10, -20, -10, 0)) == (
        True, True, True, True, False, False, True, True, False, False,
    )  # fmt: skip


def test_common_parts_do_not_scatter_and_do_not_average() -> None:
    """Exact: with perfect readings only masses 3e-4, gravity 4e-4 and the arm 1.2e-3 are left: sqrt sum is 1.3e-3."""
    arm = sheet(
        lambda load, up: load / 100.0,
        method=Method.LEVER_ARM, arm_m=0.5, u_arm_m=0.0006, u_mass_relative=3e-4, u_gravity_mps2=4e-4 * G,
    )  # fmt: skip
    result = calibrate_line(arm)
    assert result.gain.u / result.gain.value == pytest.approx(1.3e-3, rel=1e-6)
    top = result.indicated[-1]
    assert top.u == pytest.approx(1.3e-3 * top.value, rel=1e-6)
    assert [line.name for line in top.budget[:3]] == ["lever arm", "gravity", "masses"]
    assert result.accuracy.of_reading == pytest.approx(1.3e-3, rel=1e-9)


def test_hysteresis_and_zero_return() -> None:
    # exact: falling reads 0.4 N more at 294.3 N than rising; the last zero 0.1 N more than the first
    def read(load: float, up: bool) -> float:
        extra = 0.0 if up else 0.1 if load == 0.0 else 0.4 if abs(load - 30.0 * G) < 1e-9 else 0.2
        return (load + extra) / 500.0

    result = calibrate_line(sheet(read))
    assert result.hysteresis == pytest.approx(0.4, rel=1e-3)
    assert result.hysteresis_load == pytest.approx(294.3, rel=1e-12)
    assert result.zero_return == pytest.approx(0.1, rel=1e-3)
    # a rectangle 0.1 N wide: 0.1/sqrt(12) N
    line = next(c for c in result.indicated[0].budget if c.name == "zero return")
    assert line.u == pytest.approx(0.1 / math.sqrt(12.0), rel=1e-3)


def test_resolution_is_a_floor_of_the_scatter() -> None:
    # exact: readings without any scatter, steps of 0.002: u = 0.002/sqrt(12), times the gain of 500
    result = calibrate_line(sheet(lambda load, up: load / 500.0, resolution=0.002))
    assert result.residual_sd == pytest.approx(500.0 * 0.002 / math.sqrt(12.0), rel=1e-9)


def test_accuracy_is_nowhere_below_the_uncertainty_of_a_reading() -> None:
    rng = np.random.default_rng(5)
    masses = (0.0, 20.0, 40.0, 20.0, 0.0, -20.0, -40.0, -20.0, 0.0)
    for _ in range(20):
        worksheet = sheet(lambda load, up: load / 500.0 + rng.normal(0.0, 1e-3), masses, u_mass_relative=1e-3)
        result = calibrate_line(worksheet)
        for e in result.indicated:
            assert result.accuracy.standard_uncertainty(e.value) >= e.u * (1.0 - 1e-9)


def test_stated_uncertainty_is_that_of_many_calibrations() -> None:
    """1000 simulated calibrations: the spread of gain and of offset is the root mean square of what is stated.

    The relative standard error of a spread from n values is 1/sqrt(2n) = 2.2 %; four of them are allowed.
    """
    rng = np.random.default_rng(11)
    gains, offsets, u_gain, u_offset = [], [], [], []
    for _ in range(1000):
        true = 1.0 + rng.normal(0.0, 2e-4)  # the masses are all off together
        worksheet = sheet(
            lambda load, up, true=true: (load * true) / 500.0 + rng.normal(0.0, 2e-4), u_mass_relative=2e-4
        )
        result = calibrate_line(worksheet)
        gains.append(result.gain.value)
        offsets.append(result.offset.value)
        u_gain.append(result.gain.u)
        u_offset.append(result.offset.u)
    assert np.std(gains) == pytest.approx(np.sqrt(np.mean(np.square(u_gain))), rel=0.09)
    assert np.std(offsets) == pytest.approx(np.sqrt(np.mean(np.square(u_offset))), rel=0.09)


def test_what_is_told_of_a_poor_calibration() -> None:
    three = sheet(lambda load, up: load / 500.0, (10.0, 20.0, 30.0), gravity_is_stated=False)
    assert codes(calibrate_line(three).findings) == [
        "gravity_not_stated", "few_loads", "no_hysteresis", "no_zero_return",
    ]  # fmt: skip
    # exact: a parabola 1e-5 L² over 490.5 N lies 1e-5 · 490.5²/4 = 0.6 N from its chord
    bent = calibrate_line(sheet(lambda load, up: (load + 1e-5 * load * load) / 500.0))
    assert codes(bent.findings) == ["curved"]
    assert "about 0.60" in bent.findings[0].message


def test_range_of_the_channel() -> None:
    result = calibrate_line(sheet(lambda load, up: load / 500.0))
    assert check_range(result, 0.0, 495.0) == []
    assert codes(check_range(result, -200.0, 495.0)) == ["range_not_covered"]


def test_what_cannot_be_fitted() -> None:
    with pytest.raises(UsageError, match="too few steps"):
        calibrate_line(sheet(lambda load, up: load, (0.0, 10.0)))
    with pytest.raises(UsageError, match="all steps have the same load"):
        calibrate_line(sheet(lambda load, up: load, (10.0, 10.0, 10.0)))
    with pytest.raises(UsageError, match="needs its length"):
        calibrate_line(dataclasses.replace(sheet(lambda load, up: load), method=Method.LEVER_ARM))
    rng = np.random.default_rng(1)
    with pytest.raises(UsageError, match="do not follow the loads"):
        calibrate_line(sheet(lambda load, up: rng.normal(0.0, 1.0)))
