"""Metrics of runs: losses, heating, starts, steps in streams and bursts, means of bursts. Exact by construction."""

from __future__ import annotations

import math
from dataclasses import fields, replace

import numpy as np
import pytest

from benchkit.analysis.signals.burst_metrics import burst_metrics, regeneration_peak
from benchkit.analysis.signals.run_metrics import (
    averaged,
    burst_means,
    event_metrics,
    loss_metrics,
    thermal_metrics,
)
from benchkit.analysis.signals.run_steps import step_responses
from benchkit.model.bursts import Burst, BurstChannel, BurstRecord, BurstRole
from benchkit.model.events import Event, EventKind, JsonValue
from benchkit.model.metrics import Metric
from benchkit.model.results import Estimate, HeatingFit, OperatingPoint, PowerBalance, RunResult
from benchkit.model.stand import Role, Stand
from benchkit.model.stream import Stream
from benchkit.profiles import load_stand, shared_path
from benchkit.units import Quantity

UNKNOWN = Estimate(math.nan, math.nan, "1")


@pytest.fixture(scope="module")
def stand() -> Stand:
    return load_stand(shared_path("stands", "airboat_map.toml")).stand


def balance(index: int, inverter_w: float, motor_w: float, *, excluded: bool = False) -> PowerBalance:
    reason = "a person leaned on the arm" if excluded else ""
    point = OperatingPoint(index, "rack", 0, 90, 100.0 * index, 100.0 * index + 90.0, excluded_reason=reason)
    values = {
        "speed_rpm": Estimate(2000.0, 0.5, "rpm"),
        "torque_nm": Estimate(75.0, 0.1, "N·m"),
        "inverter_loss_w": Estimate(inverter_w, 4.0, "W"),
        "motor_loss_w": Estimate(motor_w, 6.0, "W"),
        "drive_loss_w": Estimate(inverter_w + motor_w, 5.0, "W"),
    }
    rest = {f.name: UNKNOWN for f in fields(PowerBalance) if f.name not in {"point", *values}}
    return PowerBalance(point=point, **values, **rest)


def result(balances: tuple[PowerBalance, ...], heating: tuple[HeatingFit, ...] = ()) -> RunResult:
    return RunResult(tuple(b.point for b in balances), balances, (), (), heating, (), ())


def test_losses_are_of_the_points_that_count_and_their_mean() -> None:
    found = loss_metrics(
        result((balance(1, 100.0, 300.0), balance(2, 140.0, 500.0), balance(3, 9e9, 9e9, excluded=True)))
    )
    means = {m.name: (m.value, m.u) for m in found if not m.region}
    # exact: means; u as of fully correlated points
    assert means == {"inverter_loss": (120.0, 4.0), "motor_loss": (400.0, 6.0), "system_loss": (520.0, 5.0)}
    assert [m.value for m in found if m.name == "motor_loss" and m.region] == [300.0, 500.0]


def heated(stand: Stand, final_c: float, u_c: float = 0.5) -> HeatingFit:
    return HeatingFit(
        stand.roles[Role.WINDING_TEMP], 100.0, 190.0, Estimate(400.0, 4.0, "s"), Estimate(final_c, u_c, "°C"),
        Estimate(40.0, 0.5, "°C"), 40.0, 0.1, 3.0,
    )  # fmt: skip


def test_rise_per_watt_and_time_to_the_limit(stand: Stand) -> None:
    limit = stand.motor.winding_limit_c
    assert limit is not None
    end = limit + 40.0
    run = result((balance(1, 100.0, 300.0),), (heated(stand, end),))
    found = {m.name: m for m in thermal_metrics(run, stand)}
    rise = found["temperature_rise_per_watt"]
    assert rise.value == pytest.approx((end - 40.0) / 300.0)  # exact: the loss of the motor heats its winding
    assert rise.u == pytest.approx(math.hypot(0.5 / 300.0, (end - 40.0) / 300.0 * 6.0 / 300.0))
    time = found["time_to_limit"]
    assert time.value == pytest.approx(400.0 * math.log((end - 40.0) / 40.0), rel=1e-12)  # exact: equation (2)
    # the limit is where a warmed exponential passes it
    assert 40.0 + (end - 40.0) * (1.0 - math.exp(-time.value / 400.0)) == pytest.approx(limit)
    for final, why in ((limit - 1.0, "never reached"), (limit + 1.0, "not shown to be above")):
        run = result((balance(1, 100.0, 300.0),), (heated(stand, final),))
        lacking = {m.name: m for m in thermal_metrics(run, stand)}["time_to_limit"]
        assert math.isnan(lacking.value)
        assert why in lacking.note


def state(at_s: float, old: str, new: str, trigger: str = "") -> Event:
    return Event(at_s, EventKind.STATE, "", data={"from": old, "to": new, "trigger": trigger})


def stop(at_s: float, kind: EventKind, attempt: int, *, orderly: bool = False) -> Event:
    return Event(at_s, kind, "", data={"action": "torque off", "attempt": attempt, "is_orderly": orderly})


def test_starts_reactions_trips_and_cautions_are_counted() -> None:
    events = [
        state(0.0, "ARMED", "RUNNING"),
        Event(1.0, EventKind.CAUTION, ""),
        Event(2.0, EventKind.TRIP, ""),
        stop(2.0, EventKind.STOP_COMMANDED, 1),
        stop(2.1, EventKind.STOP_ACKNOWLEDGED, 1),
        state(2.0, "RUNNING", "TRIPPED", "TRIP"),  # 2 s: no start that succeeded
        state(10.0, "ARMED", "RUNNING"),
        Event(18.0, EventKind.TRIP, ""),
        stop(18.0, EventKind.STOP_COMMANDED, 1),
        stop(18.5, EventKind.STOP_COMMANDED, 2),
        stop(18.6, EventKind.STOP_ACKNOWLEDGED, 2),  # at the second attempt
        state(18.0, "RUNNING", "TRIPPED", "TRIP"),
        state(30.0, "ARMED", "RUNNING"),
        stop(31.0, EventKind.STOP_COMMANDED, 1, orderly=True),
        state(31.0, "RUNNING", "STOPPING", "STOP"),  # short, but in order
        state(40.0, "ARMED", "RUNNING"),  # to the end of the log
    ]
    found = {m.name: m for m in event_metrics(events, 65.0, time_factor=60.0)}
    counts = {name: (m.counted.events, m.counted.of) for name, m in found.items() if m.counted is not None}
    assert counts["start_reliability"] == (3, 4)
    assert counts["fault_reaction"] == (1, 2)
    hours = (2.0 + 8.0 + 1.0 + 25.0) * 60.0 / 3600.0
    assert list(counts["trips_per_hour"]) == pytest.approx([2, hours])
    assert found["cautions_per_hour"].value == pytest.approx(1.0 / hours)
    assert math.isnan({m.name: m for m in event_metrics([], 1.0)}["trips_per_hour"].value)


# --------------------------------------------------------------------------------------------- steps in streams
def stepped(stand: Stand, tau_s: float, dt_s: float = 0.01) -> tuple[Stream, list[Event]]:
    """Speed 1000 → 2000 rpm at 5 s, first order; torque 20 N·m all along."""
    t = np.arange(0.0, 12.0, dt_s)
    speed = np.where(t < 5.0, 1000.0, 1000.0 + 1000.0 * -np.expm1(-np.maximum(t - 5.0, 0.0) / tau_s))
    names = (stand.roles[Role.SPEED], stand.roles[Role.TORQUE])
    values = np.column_stack([speed, np.full(t.size, 20.0)])
    stream = Stream("rack", names, ("rpm", "N·m"), t, t, t, np.arange(t.size), values)

    def set_to(at_s: float, name: str, value: JsonValue) -> Event:
        return Event(at_s, EventKind.SET_POINT, "", data={"name": name, "value": value})

    events = [set_to(0.0, "speed", 1000.0), set_to(0.1, "torque", 20.0), set_to(2.0, "torque", 20.0)]
    return stream, [*events, set_to(5.0, "speed", 2000.0), state(11.9, "RUNNING", "STOPPING", "STOP")]


def test_a_step_of_the_set_point_has_its_terms(stand: Stand) -> None:
    found = {m.name: m for m in step_responses(stand, *stepped(stand, 0.4))}
    assert set(found) == {f"speed_step_{p}" for p in ("amplitude", "transition", "overshoot", "undershoot", "settling")}
    # exact but for straight lines between samples: first order, τ ln 9; settled within 2 % at τ ln 50, 50 % at τ ln 2
    assert found["speed_step_transition"].value == pytest.approx(0.4 * math.log(9.0), rel=1e-3)
    assert found["speed_step_settling"].value == pytest.approx(0.4 * math.log(25.0), rel=1e-3)
    assert found["speed_step_amplitude"].value == pytest.approx(1000.0, abs=0.1)
    assert found["speed_step_overshoot"].value == pytest.approx(0.0, abs=0.01)
    assert found["speed_step_settling"].region == "speed 1000 to 2000"


def test_a_step_faster_than_the_stream_is_not_measured(stand: Stand) -> None:
    found = {m.name: m for m in step_responses(stand, *stepped(stand, 0.005))}
    for name in ("transition", "overshoot", "settling"):
        assert math.isnan(found[f"speed_step_{name}"].value)
        assert "faster than 3 samples" in found[f"speed_step_{name}"].note


def test_gaps_and_noise_have_no_step(stand: Stand) -> None:
    stream, events = stepped(stand, 0.4)
    late = stream.time_s + np.where(stream.time_s > 6.0, 0.5, 0.0)
    assert not step_responses(stand, replace(stream, time_s=late), events)
    values = stream.values.copy()
    values[:, 0] += np.random.default_rng(1).normal(0.0, 200.0, len(values))
    assert not step_responses(stand, replace(stream, values=values), events)


# ----------------------------------------------------------------------------------------------------- bursts
RATE = 100_000.0


def burst_of(role: BurstRole, quantity: Quantity, values: np.ndarray, trigger: int) -> Burst:
    gaps = np.empty((0, 2), dtype=np.int64)
    record = BurstRecord("scope", 1, "mark: x", RATE, 0, trigger, 0, 1000, 0, gaps, values[:, None])
    return Burst(record, (BurstChannel("x", "X", quantity, role=role),))


def test_a_step_inside_a_burst_is_that_of_a_second_order_system() -> None:
    """Exact: overshoot 100 exp(-πζ/√(1-ζ²))."""
    zeta, w = 0.4, 2.0 * math.pi * 200.0
    t = (np.arange(6000) - 2000) / RATE
    wd, s = w * math.sqrt(1.0 - zeta**2), np.maximum(t, 0.0)
    y = 1.0 - np.exp(-zeta * w * s) * (np.cos(wd * s) + zeta / math.sqrt(1.0 - zeta**2) * np.sin(wd * s))
    found = burst_metrics(burst_of(BurstRole.TORQUE, Quantity.TORQUE, 20.0 + 80.0 * y, 2000), pole_pairs=10)
    named = {m.name: m for m in found}
    over = 100.0 * math.exp(-math.pi * zeta / math.sqrt(1.0 - zeta**2))
    assert named["torque_step_overshoot"].value == pytest.approx(over, rel=2e-3)
    assert named["torque_step_amplitude"].value == pytest.approx(80.0, rel=1e-3)
    steady = burst_of(BurstRole.SPEED, Quantity.SPEED, np.full(6000, 2000.0), 2000)
    assert not burst_metrics(steady, pole_pairs=10)


def test_regeneration_peak_is_the_rise_above_the_level_before() -> None:
    t = (np.arange(4000) - 1000) / RATE
    u = 400.0 + np.where(t >= 0.0, 30.0 * np.exp(-(((t - 0.01) / 0.002) ** 2)), 0.0)
    found = regeneration_peak(u, t, u_of_reading=0.01)
    assert found is not None
    assert found.value == pytest.approx(30.0, rel=1e-9)  # exact: a sample lies on the top
    assert found.u == pytest.approx(0.3, rel=1e-6)
    assert "10 ms after the trigger" in found.note
    assert regeneration_peak(u, t + 1.0) is None
    noisy = u + np.random.default_rng(4).normal(0.0, 0.5, u.size)
    seen = regeneration_peak(noisy, t)
    assert seen is not None
    assert 0.0 < seen.value - 30.0 < 3.0 * seen.u
    # σ √(2 ln n / 3) with n = 3000, which the noise of single samples states
    assert seen.u == pytest.approx(0.5 * math.sqrt(2.0 * math.log(3000.0) / 3.0), rel=0.1)


def test_bursts_are_averaged_by_what_started_them() -> None:
    def thd(value: float, region: str) -> Metric:
        return Metric("current_thd", value, 0.01, "1", "", region)

    found = burst_means(
        [
            ("scope", "mark: a", (thd(0.1, "scope 1, phase a"), thd(0.3, "scope 1, phase b"))),
            ("scope", "trip: dc", (thd(0.9, "scope 2, phase a"),)),
            ("scope", "asked by shift A: b", (thd(0.5, "scope 3, phase a"),)),
            ("scope", "mark: c", (thd(math.nan, "scope 4, phase a"), thd(0.5, "scope 4, phase b"))),
        ]
    )
    assert {m.region: (round(m.value, 12), m.averaged) for m in found} == {
        "scope, at a mark": (0.3, 3),
        "scope, at a trip": (0.9, 1),
        "scope, on demand": (0.5, 1),
    }
    assert averaged([thd(0.1, "")]).averaged == 1
