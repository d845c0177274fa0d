"""Runs by formula: results as the analysis would hand them over, so that the report is tested without it.

The machine is invented and its data are simulated. Losses follow a + b I + c I² (inverter) and d + e n + f I²
(motor); thrust follows CT rho n² D⁴; temperatures follow one exponential.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from benchkit.analysis.uncertainty import propagate
from benchkit.model.events import Event, EventKind
from benchkit.model.results import (
    ContinuousRating,
    Contribution,
    Estimate,
    Finding,
    HeatingFit,
    OperatingPoint,
    PowerBalance,
    RunResult,
    StaticThrust,
)
from benchkit.model.results_maps import (
    BestPoint,
    DutyPoint,
    DutyResult,
    EfficiencyMap,
    Hysteresis,
    LackOfFit,
    LossModel,
    PropulsiveCurve,
)
from benchkit.model.run import RunHeader
from benchkit.model.stand import Stand
from benchkit.model.stream import Stream
from benchkit.profiles import load_stand, shared_path
from benchkit.report.model import ChannelTrace, RunReport, SourceDigest
from benchkit.report.traces import thinned
from benchkit.report.trips import digest_trips

PI = math.pi
NOT_MEASURED = Estimate(math.nan, math.nan, "W")
TRIP_AT_S = 1500.0
LENGTH_S = 1560.0


@pytest.fixture(scope="session")
def stand() -> Stand:
    return load_stand(shared_path("stands", "airboat.toml")).stand


def _inverter_loss(torque_nm: float) -> float:
    current = torque_nm / 1.07
    return 85.0 + 1.9 * current + 0.006 * current**2


def _motor_loss(speed_rpm: float, torque_nm: float) -> float:
    return 30.0 + 0.11 * speed_rpm + 0.055 * torque_nm**2


def _estimate(value: float, relative: float, constant: float, unit: str) -> Estimate:
    return Estimate(value, math.hypot(relative * value, constant), unit)


def balance_at(index: int, speed_rpm: float, torque_nm: float) -> PowerBalance:
    """One motoring point with the budget that follows from the inputs."""
    shaft_w = 2.0 * PI * speed_rpm / 60.0 * torque_nm
    motor_w, inverter_w = _motor_loss(speed_rpm, torque_nm), _inverter_loss(torque_nm)
    speed = _estimate(speed_rpm, 5e-5, 0.05, "rpm")
    torque = _estimate(torque_nm, 5e-4, 0.03, "N·m")
    ac = _estimate(shaft_w + motor_w, 5e-4, 3.0, "W")
    voltage = _estimate(400.0, 3e-4, 0.02, "V")
    current = _estimate((shaft_w + motor_w + inverter_w) / 400.0, 5e-4, 0.02, "A")
    inputs, names = (
        (speed, torque, ac, voltage, current),
        ("shaft_speed", "shaft_torque", "ac_power", "dc_voltage", "dc_current"),
    )

    def made(function: Callable[[float, float, float, float, float], float], unit: str) -> Estimate:
        return propagate(function, inputs, names=names, unit=unit)

    def shaft(n: float, t: float) -> float:
        return 2.0 * PI * n / 60.0 * t

    point = OperatingPoint(index, "rack", 0, 100, 20.0 + 48.0 * index, 55.0 + 48.0 * index)
    return PowerBalance(
        point=point,
        speed_rpm=speed,
        torque_nm=torque,
        dc_power_w=made(lambda n, t, p, u, i: u * i, "W"),
        ac_power_w=ac,
        shaft_power_w=made(lambda n, t, p, u, i: shaft(n, t), "W"),
        inverter_loss_w=made(lambda n, t, p, u, i: u * i - p, "W"),
        motor_loss_w=made(lambda n, t, p, u, i: p - shaft(n, t), "W"),
        drive_loss_w=made(lambda n, t, p, u, i: u * i - shaft(n, t), "W"),
        inverter_efficiency=made(lambda n, t, p, u, i: p / (u * i), "1"),
        motor_efficiency=made(lambda n, t, p, u, i: shaft(n, t) / p, "1"),
        drive_efficiency=made(lambda n, t, p, u, i: shaft(n, t) / (u * i), "1"),
    )


def thrust_at(index: int, speed_rpm: float) -> StaticThrust:
    """One static point of a propeller of 1.30 m with CT 0.1012 and CP 0.0405."""
    n, d, rho = speed_rpm / 60.0, 1.30, 1.19931
    inputs = (
        _estimate(speed_rpm, 5e-5, 0.05, "rpm"),
        _estimate(0.1012 * rho * n**2 * d**4, 1e-3, 0.3, "N"),
        _estimate(0.0405 / (2 * PI) * rho * n**2 * d**5, 5e-4, 0.03, "N·m"),
        _estimate(rho, 8e-4, 0.0, "kg/m³"),
        Estimate(d, 0.0005, "m"),
    )
    names = ("shaft_speed", "thrust", "shaft_torque", "density", "diameter")

    def made(function: Callable[[float, float, float, float, float], float]) -> Estimate:
        return propagate(function, inputs, names=names)

    def ct(speed: float, thrust: float, torque: float, density: float, diameter: float) -> float:
        return thrust / (density * (speed / 60.0) ** 2 * diameter**4)

    def cq(speed: float, thrust: float, torque: float, density: float, diameter: float) -> float:
        return torque / (density * (speed / 60.0) ** 2 * diameter**5)

    means = {
        "air_temp": Estimate(20.0, 0.2, "°C"),
        "air_pressure": Estimate(101325.0, 30.0, "Pa"),
        "air_humidity": Estimate(0.5, 0.02, "1"),
    }
    power_w = 2 * PI * n * inputs[2].value
    return StaticThrust(
        point=OperatingPoint(index, "rack", 0, 100, 20.0 + 48.0 * index, 55.0 + 48.0 * index, means),
        speed_rpm=inputs[0],
        thrust_n=inputs[1],
        torque_nm=inputs[2],
        density_kgm3=inputs[3],
        ct=made(ct),
        cq=made(cq),
        cp=made(lambda *x: 2 * PI * cq(*x)),
        figure_of_merit=made(lambda *x: math.sqrt(2 / PI) * ct(*x) ** 1.5 / (2 * PI * cq(*x))),
        tip_mach=PI * n * d / 343.99,
        reynolds_75=rho * 0.75 * PI * n * d * 0.104 / 1.813e-5,
        induced_velocity_mps=math.sqrt(inputs[1].value / (2 * rho * PI * d**2 / 4)),
        thrust_per_watt=inputs[1].value / power_w,
    )


def map_of(subject: str) -> EfficiencyMap:
    """Efficiency of the formulas over a triangle-cornered hull, u growing towards light load."""
    speeds, torques = np.linspace(800, 4000, 41), np.linspace(10, 160, 31)
    hull = ((800.0, 10.0), (4000.0, 10.0), (4000.0, 110.0), (3200.0, 160.0), (800.0, 160.0), (800.0, 10.0))

    def at(n: float, t: float) -> tuple[float, float, float]:
        if n > 3200 and t > 160 - (n - 3200) / 16:
            return math.nan, math.nan, math.nan
        shaft_w = 2 * PI * n / 60 * t
        loss = (subject != "inverter") * _motor_loss(n, t) + (subject != "motor") * _inverter_loss(t)
        return shaft_w / (shaft_w + loss), 4e-4 + 0.03 * loss / (shaft_w + loss) / math.sqrt(t), loss

    cells = [[at(float(n), float(t)) for n in speeds] for t in torques]
    best = max(
        (
            (c[0], float(n), float(t))
            for row, t in zip(cells, torques, strict=True)
            for c, n in zip(row, speeds, strict=True)
        ),
        key=lambda found: -1.0 if math.isnan(found[0]) else found[0],
    )
    covariance = tuple(tuple(4.0 if i == j else 0.0 for j in range(4)) for i in range(4))
    return EfficiencyMap(
        subject,
        LossModel(("1", "n", "T", "T^2"), (115.0, 462.0, 266.0, 1500.0), covariance, 4200.0, 160.0, 6.2, 20, 1.1),
        tuple(map(float, speeds)),
        tuple(map(float, torques)),
        *(tuple(tuple(c[k] for c in row) for row in cells) for k in range(3)),
        hull,
        best[1],
        best[2],
        Estimate(best[0], 0.0007, "1", 20.0, (Contribution("shaft_torque gain", 0.0005),)),
        BestPoint(2500.0, -60.0, Estimate(0.951, 0.0009, "1", 20.0)),
        point_loss_w=(1.0,) * 16,
        lack_of_fit=LackOfFit("stated scatter", 60.2, 12, 0, 0.003, 4.5),
        hysteresis=Hysteresis("regression", 6, 9, Estimate(2.1, 1.9, "W", 11.0), 0.29),
    )


def duty_of(subject: str) -> DutyResult:
    """Three loads, the last of them outside."""
    loads = (
        DutyPoint(1000.0, 40.0, 600.0, Estimate(310.0, 3.0, "W")),
        DutyPoint(2000.0, 80.0, 900.0, Estimate(820.0, 6.0, "W")),
        DutyPoint(4100.0, 100.0, 60.0, None),
    )
    energies = (Estimate(1.8544e7, 7200.0, "J"), Estimate(1.762e7, 0.0, "J"), Estimate(9.24e5, 7200.0, "J"))
    return DutyResult(subject, loads, 1500.0 / 1560.0, *energies, Estimate(0.95017, 0.0004, "1"))


def propulsion_of() -> PropulsiveCurve:
    speeds = (1200.0, 2000.0, 2800.0)
    per_watt = tuple(Estimate(150.0 / n, 0.0002, "N/W") for n in speeds)
    merit = tuple(Estimate(0.6 + n / 4e4, 0.002, "1") for n in speeds)
    return PropulsiveCurve((1200.0, 2800.0), (0.125, 0.0536), (0.0002, 0.0002), speeds, per_watt, merit)


WINDING = (24.0, 118.0, 310.0)
"""Start °C, end °C, time constant s."""


def stream_of(stand: Stand) -> Stream:
    """The rack at 5 Hz: a staircase of speed, temperatures of one exponential, a gap of a minute, a trip at the end."""
    time_s = np.arange(0.0, LENGTH_S, 0.2)
    time_s = time_s[(time_s < 700.0) | (time_s > 760.0)]
    noise = np.random.default_rng(7)
    channels = tuple(c.name for c in stand.channels_of("rack"))
    stopped = time_s > TRIP_AT_S
    speed = np.where(stopped, np.maximum(0.0, 3600.0 - 900.0 * (time_s - TRIP_AT_S)), 600.0 + 500.0 * (time_s // 240))
    start, end, tau = WINDING
    winding = end - (end - start) * np.exp(-time_s / tau)
    winding = winding + np.where(time_s > 1400.0, 0.235 * (np.minimum(time_s, TRIP_AT_S) - 1400.0), 0.0)
    winding = np.where(stopped, 25.0 + (winding - 25.0) * np.exp(-(time_s - TRIP_AT_S) / tau), winding)
    by_name = {
        "shaft_speed": speed + noise.normal(0, 1.0, time_s.size),
        "shaft_torque": 150.0 * (speed / 3600.0) ** 2 + noise.normal(0, 0.2, time_s.size),
        "thrust": 950.0 * (speed / 3600.0) ** 2 + noise.normal(0, 1.0, time_s.size),
        "winding_temp": winding + noise.normal(0, 0.15, time_s.size),
        "magnet_temp": 24.0 + 50.0 * (1 - np.exp(-time_s / 900.0)),
        "junction_temp": 30.0 + 45.0 * (speed / 3600.0) ** 2,
        "coolant_inlet_temp": np.full(time_s.size, 25.0),
        "coolant_outlet_temp": np.full(time_s.size, 27.5),
    }
    values = np.column_stack([by_name.get(name, np.full(time_s.size, np.nan)) for name in channels])
    units = tuple(c.unit for c in stand.channels_of("rack"))
    counter = np.arange(time_s.size, dtype=np.int64)
    return Stream("rack", channels, units, time_s, time_s.copy(), time_s.copy(), counter, values)


def events_of() -> tuple[Event, ...]:
    """A run with a gap, two causes in one sample interval, and an acknowledged stop."""
    limit = {"severity": "trip", "evidence": "value", "first_out": True, "order_resolved": False}
    reaction = {
        "limit": "winding_hot",
        "sample_to_decided_s": 0.00042,
        "sample_to_written_s": 0.00061,
        "sample_to_acknowledged_s": 0.0123,
    }
    t = TRIP_AT_S
    return (
        Event(0.0, EventKind.RUN_STARTED, "run started"),
        Event(12.0, EventKind.STATE, "ARMED to RUNNING: START, by bench"),
        Event(760.1, EventKind.GAP, "300 frames missing: counter jumped", "rack", data={"missing": 300}),
        Event(1480.0, EventKind.CAUTION, "winding_warm: 125.2 °C above 125 °C", "rack", "winding_temp"),
        Event(
            t, EventKind.TRIP, "winding_hot: winding_temp 140.4 °C above 140 °C (trip)", "rack", "winding_temp",
            {"limit": "winding_hot", "value": 140.4, "set_point": 140.0, "unit": "°C"} | limit,
        ),
        Event(
            t, EventKind.TRIP, "coolant_hot: coolant_outlet_temp 75.3 °C above 75 °C (trip)", "rack",
            "coolant_outlet_temp", {"limit": "coolant_hot", "value": 75.3, "set_point": 75.0, "unit": "°C"} | limit,
        ),
        Event(t + 0.0005, EventKind.STOP_COMMANDED, "ramp_down: 'stop ramp' to rack", "rack", data={}),
        Event(
            t + 0.0123, EventKind.STOP_ACKNOWLEDGED, "ramp_down: acknowledged by rack after 11.7 ms", "rack",
            data={"action": "ramp_down", "attempt": 1, "reactions": [reaction]},
        ),
        Event(
            t + 0.5, EventKind.TRIP, "speed_lost: shaft_speed missing (trip)", "rack", "shaft_speed",
            {"limit": "speed_lost", "severity": "trip", "first_out": False, "order_resolved": False},
        ),
        Event(LENGTH_S, EventKind.RUN_CLOSED, "run closed in order"),
    )  # fmt: skip


def result_of() -> RunResult:
    """Everything at once."""
    grid = [(n, t) for n in (1000.0, 1800.0, 2600.0, 3400.0) for t in (20.0, 60.0, 100.0, 140.0)]
    balances = tuple(balance_at(i, n, t) for i, (n, t) in enumerate(grid))
    thrust = tuple(thrust_at(i + 16, n) for i, n in enumerate((1200.0, 1600.0, 2000.0, 2400.0, 2800.0, 3200.0)))
    start, end, tau = WINDING
    heating = HeatingFit(
        "winding_temp", 5.0, 1400.0, Estimate(tau, 2.1, "s", 80.0), Estimate(end, 0.6, "°C", 80.0),
        Estimate(start, 0.5, "°C", 80.0), 25.0, 0.16, 1395.0 / tau,
    )  # fmt: skip
    rating = ContinuousRating(
        "winding_temp", 140.0, 3000.0, 25.0, Estimate(131.0, 1.4, "N·m", 60.0), Estimate(122.4, 1.4, "A", 60.0),
        Estimate(41155.0, 440.0, "W", 60.0), is_extrapolated=False,
    )  # fmt: skip
    return RunResult(
        points=tuple(b.point for b in balances) + tuple(t.point for t in thrust),
        balances=balances,
        thrust=thrust,
        maps=(map_of("drive"), map_of("inverter"), map_of("motor")),
        heating=(heating,),
        ratings=(rating,),
        findings=(
            Finding("caution", "drift", "Zero of the thrust cell moved by 1.2 N between start and end", "thrust"),
            Finding("note", "stuck", "Value unchanged for 40 s", "air_pressure"),
        ),
        propulsion=(propulsion_of(),),
        duties=(duty_of("drive"), duty_of("motor")),
    )


def header_of(stand: Stand) -> RunHeader:
    return RunHeader(
        run_id="airboat-20261103-0912", started_utc="2026-11-03T09:12:44+00:00", software_version="0.1.0",
        host="bench-laptop", stand=stand.name, profile_json="{}", operator="bench crew",
        note="First day with firmware B.14.", simulated=True, seed=20261103, time_factor=50.0,
    )  # fmt: skip


@pytest.fixture(scope="session")
def full_run(stand: Stand) -> RunReport:
    """A run that has data for every section."""
    stream, events = stream_of(stand), events_of()
    header = replace(header_of(stand), time_factor=1.0)
    shown = (
        "shaft_speed",
        "shaft_torque",
        "thrust",
        "winding_temp",
        "magnet_temp",
        "junction_temp",
        "coolant_outlet_temp",
    )
    traces = tuple(
        ChannelTrace(n, stand.channels[n].label, stand.channels[n].unit, *thinned(stream.time_s, stream.column(n)))
        for n in shown
    )
    return RunReport(
        label="A",
        file_name="airboat-20261103-0912.h5",
        header=header_of(stand),
        stand=stand,
        result=result_of(),
        events=events,
        trips=digest_trips(stand, (stream,), events, header.time_factor),
        traces=traces,
        sources=(SourceDigest("rack", len(stream), LENGTH_S, 0, 1, 300),),
        content_sha256="9b2f0d5c11e7a4f3885a0f5bb1de62c4770d4a0f9fd4c1be6e3a4b8d21c7f0ee",
        is_closed=True,
    )


@pytest.fixture(scope="session")
def bare_run(full_run: RunReport) -> RunReport:
    """A run in which nothing steady was found, nothing tripped and nothing was logged."""
    return replace(
        full_run,
        result=RunResult((), (), (), (), (), (), ()),
        events=(),
        trips=(),
        traces=(),
        sources=(),
        header=replace(full_run.header, simulated=False, seed=None, time_factor=1.0),
    )
