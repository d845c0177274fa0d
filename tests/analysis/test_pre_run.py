"""Checks before a run: who deviates is named, and nobody else."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.analysis.pre_run import (
    NoiseRatio,
    Reading,
    cold_soak,
    noise_findings,
    noise_ratio,
    reading_of,
    zero_check,
)


def temps(**values: float) -> dict[str, Reading]:
    return {name: Reading(value, 0.5, "°C") for name, value in values.items()}


def test_temperatures_that_agree_are_not_named() -> None:
    assert cold_soak(temps(winding=20.4, stator=19.8, case=20.1, outlet=20.0)) == ()


def test_the_one_that_deviates_is_named_and_not_those_it_pulls_along() -> None:
    (found,) = cold_soak(temps(winding=20.4, stator=19.8, case=27.0, outlet=20.0))
    assert found.channel == "case"
    # exact: mean of the others 20.0667, so +6.93; band 2 sqrt(0.25 + 0.25 / 3) = 1.155
    assert "27 °C differs by +6.93 K from the 3 other(s), 20.07 °C; they agree within 1.2 K" in found.message


def test_two_that_deviate_are_both_named_the_worst_first() -> None:
    found = cold_soak(temps(winding=20.0, stator=20.1, air=20.2, inlet=19.9, case=24.0, magnet=31.0))
    assert [one.channel for one in found] == ["magnet", "case"]


def test_of_two_that_disagree_nobody_knows_which() -> None:
    assert {one.channel for one in cold_soak(temps(winding=20.0, stator=24.0))} == {"winding", "stator"}


def test_the_edge_of_the_band() -> None:
    # exact: two with u 0.3 and 0.4 agree up to 2 x 0.5 = 1.0
    pair = {"a": Reading(20.0, 0.3, "°C"), "b": Reading(21.0, 0.4, "°C")}
    assert cold_soak(pair) == ()
    assert len(cold_soak(pair | {"b": Reading(21.001, 0.4, "°C")})) == 2


def test_a_poor_thermometer_is_allowed_more() -> None:
    # exact: 1.5 K off, within 2 sqrt(1 + 0.05²) of the sure one; with u 0.5 it would not be
    readings = {"pt100": Reading(20.0, 0.05, "°C"), "a": Reading(21.5, 1.0, "°C"), "b": Reading(18.9, 1.0, "°C")}
    assert cold_soak(readings) == ()
    (found,) = cold_soak(readings | {"a": Reading(21.5, 0.5, "°C")})
    assert found.channel == "a"


def test_not_measured_is_said() -> None:
    (found,) = cold_soak(temps(winding=math.nan, stator=20.0, case=20.0))
    assert (found.channel, found.message) == ("winding", "not measured: its agreement is not known")


def test_zeros() -> None:
    readings = {
        "torque": Reading(0.09, 0.05, "N·m"), "thrust": Reading(-0.7, 0.3, "N"), "current": Reading(math.nan, 0.1, "A"),
    }  # fmt: skip
    thrust, current = zero_check(readings)
    assert (thrust.channel, current.channel) == ("thrust", "current")
    assert "shows -0.7 N at rest, more than its 0.6 N (k = 2)" in thrust.message
    assert "not measured" in current.message


def test_a_reading_carries_its_calibration() -> None:
    # exact: the mean of equal numbers has no scatter; sqrt(0.3² + (0.01 x 40)²) = 0.5
    one = reading_of(np.full(50, 40.0), 0.3, 0.01, "N")
    assert (one.value, one.u) == (40.0, pytest.approx(0.5))


def test_gates_that_disturb_a_channel_and_one_that_they_leave_alone() -> None:
    rng = np.random.default_rng(5)
    off, on = rng.normal(0.0, 0.1, 400), rng.normal(0.0, 0.5, 400)
    quiet = noise_ratio(off, rng.normal(0.0, 0.1, 400))
    noisy = noise_ratio(off, on)
    # the estimates themselves against numpy
    assert noisy.ratio == pytest.approx(on.std(ddof=1) / off.std(ddof=1))
    units = {"torque": "N·m", "thrust": "N"}
    (found,) = noise_findings({"torque": noisy, "thrust": quiet}, units, frozenset())
    assert (found.channel, found.code) == ("torque", "gates_noise")
    assert "times as much with the gates on" in found.message


def test_a_temperature_that_jumps() -> None:
    rng = np.random.default_rng(6)
    off, on = rng.normal(20.0, 0.05, 400), rng.normal(20.8, 0.05, 400)
    ratio = noise_ratio(off, on)
    assert ratio.step == pytest.approx(0.8, abs=0.02)
    (found,) = noise_findings({"winding": ratio}, {"winding": "K"}, frozenset({"winding"}))
    assert (found.channel, found.code) == ("winding", "gates_jump")
    assert noise_findings({"winding": ratio}, {"winding": "K"}, frozenset()) == ()


def test_a_channel_that_stood_still_and_does_not_any_more() -> None:
    still = np.zeros(50)
    assert noise_ratio(still, still) == NoiseRatio(0.0, 0.0, 1.0, 1.0, 0.0, 0.0)
    moved = noise_ratio(still, np.tile([0.0, 1.0], 25))
    assert (moved.ratio, moved.p) == (math.inf, 0.0)
    gone = noise_ratio(still, np.full(50, np.nan))
    (found,) = noise_findings({"thrust": gone}, {"thrust": "N"}, frozenset())
    assert found.message == "not measured in every row"
