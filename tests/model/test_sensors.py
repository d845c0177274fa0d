"""Every sensor curve is a calibration: there and back, NaN stays NaN, NaN outside, any shape, its own words."""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.model.sensors import (
    Corrected,
    CurrentLoop,
    PlatinumResistance,
    QuarterBridge,
    SensorCurve,
    SteinhartHart,
    Thermocouple,
    ThermocoupleType,
    cold_junction_of,
    emf_mv,
    sensor_words,
    temperature_from_emf,
)

NTC = SteinhartHart(0.001129148, 0.000234125, 8.76741e-8, 500.0, 200e3)
CURVES: dict[str, SensorCurve | Corrected] = {
    "pt100": PlatinumResistance(100.0),
    "pt1000": PlatinumResistance(1000.0),
    **{f"type {k.value}": Thermocouple(k, 25.0) for k in ThermocoupleType},
    "ntc": NTC,
    "ntc without c": SteinhartHart(1.4e-3, 2.37e-4, 0.0, 100.0, 1e5),
    "loop": CurrentLoop(-5.0, 10.0),
    "falling loop": CurrentLoop(10.0, -5.0),
    "quarter bridge": QuarterBridge(2.08),
    "corrected": Corrected(PlatinumResistance(100.0), 1.002, -0.3, raw_gain=0.25, raw_offset=1.0),
    "corrected, falling": Corrected(CurrentLoop(0.0, 16e5), -1.0, 5.0, raw_gain=4.0),
}


@pytest.fixture(params=CURVES, scope="module")
def curve(request: pytest.FixtureRequest) -> SensorCurve | Corrected:
    return CURVES[request.param]


def inside(curve: SensorCurve | Corrected, n: int = 2001) -> np.ndarray:
    span = curve.raw_high - curve.raw_low
    return np.linspace(curve.raw_low + 1e-3 * span, curve.raw_high - 1e-3 * span, n)


def test_there_and_back(curve: SensorCurve | Corrected) -> None:
    raw = inside(curve)
    value = curve.apply(raw)
    assert np.all(np.isfinite(value))
    # last digits: the steepest curve turns 1e-16 of its span into no more than 1e-10 of it
    assert np.max(np.abs(curve.invert(value) - raw)) < 1e-10 * (curve.raw_high - curve.raw_low)


def test_strictly_monotonic(curve: SensorCurve | Corrected) -> None:
    steps = np.diff(curve.apply(inside(curve)))
    assert np.all(steps > 0.0) or np.all(steps < 0.0)


def test_outside_and_not_measured_is_nan(curve: SensorCurve | Corrected) -> None:
    span = curve.raw_high - curve.raw_low
    outside = np.array([curve.raw_low - 1e-3 * span, curve.raw_high + 1e-3 * span, np.nan, np.inf, -np.inf])
    assert np.all(np.isnan(curve.apply(outside)))
    values = curve.apply(inside(curve))
    width = np.ptp(values)
    beyond = np.array([values.min() - width, values.max() + width, np.nan])
    assert np.all(np.isnan(curve.invert(beyond)))


def test_shape_is_kept_and_input_left_alone(curve: SensorCurve | Corrected) -> None:
    raw = inside(curve, 12).reshape(3, 4)
    before = raw.copy()
    assert curve.apply(raw).shape == (3, 4)
    assert np.array_equal(raw, before)
    assert curve.apply(np.empty(0)).shape == (0,)
    assert not curve.is_identity


def test_words_say_what_it_is() -> None:
    words = {name: sensor_words(curve) for name, curve in CURVES.items()}
    assert words["pt1000"] == "Pt1000, IEC 60751"
    assert words["type K"] == "thermocouple type K, cold junction at 25 °C"
    assert words["loop"] == "4–20 mA, -5 … 10"
    assert words["corrected"] == "Pt100, IEC 60751, corrected"
    assert len(set(words.values())) >= len(words) - 2


def test_pt100_meets_itself_at_zero() -> None:
    # exact: R(0 °C) = R0, and both branches have the slope R0 A there
    curve = PlatinumResistance(100.0)
    near = curve.apply(np.array([100.0 - 1e-9, 100.0, 100.0 + 1e-9]))
    assert near[1] == 0.0
    assert np.diff(near) == pytest.approx(1e-9 / (100.0 * 3.9083e-3), rel=1e-3)


@pytest.mark.parametrize("kind", ThermocoupleType)
def test_inverse_is_exact_over_the_whole_table(kind: ThermocoupleType) -> None:
    low, high = (
        (-210.0, 1200.0) if kind is ThermocoupleType.J else (-270.0, {"K": 1372.0, "T": 400.0, "N": 1300.0}[kind])
    )
    t = np.linspace(low, high, 20011)
    # 0.4 µV/K at the cold end: there 1e-16 mV are 1e-10 K, and Newton stops a little before
    assert np.max(np.abs(temperature_from_emf(kind, emf_mv(kind, t)) - t)) < 1e-6


def test_a_cold_junction_that_moves() -> None:
    couple = Thermocouple(ThermocoupleType.T, cold_junction_channel="terminal")
    junction = np.array([20.0, 30.0, np.nan])
    # exact: the same tip at 80 °C, seen from terminals at different temperatures
    raw = emf_mv(ThermocoupleType.T, np.array(80.0)) - emf_mv(ThermocoupleType.T, junction)
    assert couple.apply_with(raw, junction)[:2] == pytest.approx([80.0, 80.0], abs=1e-9)
    assert np.isnan(couple.apply_with(raw, junction)[2])
    assert cold_junction_of(couple) == cold_junction_of(Corrected(couple)) == "terminal"
    assert cold_junction_of(NTC) == ""


def test_a_corrected_thermocouple_follows_its_junction() -> None:
    curve = Corrected(Thermocouple(ThermocoupleType.K, cold_junction_channel="terminal"), 1.0, 0.5, raw_gain=1e-3)
    raw = 1e3 * (emf_mv(ThermocoupleType.K, np.array([200.0])) - emf_mv(ThermocoupleType.K, np.array([25.0])))
    assert curve.apply_with(raw, np.array([25.0])) == pytest.approx([200.5], abs=1e-9)
