"""Clean runs of the simulated stand for the suite of the detectors: seeded, with the noise and errors of its sensors.

Compared with a plain record they also have what a bench run has: hall air and coolant that differ from day to day, a
device clock a little off, arrivals that wait (in half of the runs behind an adapter that hands over every 16 ms), and
in half of the runs a mounting force that a tare at the start takes off. Temperatures settle in 3 s instead of minutes,
so that a run of two minutes has settled points.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache

import numpy as np

from benchkit.analysis.power import power_balance
from benchkit.analysis.propeller import static_thrust
from benchkit.analysis.quality import check_run, device_offsets, firmware_of_runs
from benchkit.analysis.steady import operating_points
from benchkit.analysis.tare import drift_findings, zero_of
from benchkit.cli.coverage_study import stream_of
from benchkit.model.calibration import Accuracy, Calibration
from benchkit.model.events import Event, EventKind
from benchkit.model.results import Finding
from benchkit.model.stand import Channel, Role, Stand
from benchkit.model.stream import Stream
from benchkit.profiles import load_stand, shared_path
from benchkit.simulate.conditions import Conditions
from benchkit.simulate.drives import Load
from benchkit.simulate.records import Program, program_record
from benchkit.units import Quantity

DAY = date(2026, 6, 1)
"""Within all certificates of the example stand."""
RATES_HZ = (50.0, 100.0)
TARE_S = 8.0
SPEEDS = (1310.0, 1730.0, 2140.0, 2630.0, 2980.0)
"""Not round: at 2100 rpm twice the electrical frequency, 700 Hz, folds to nothing at all."""
TORQUES = (50.0, 80.0, 110.0)


@dataclass(frozen=True)
class BenchRun:
    """One run as the analysis gets it; ``others`` are further streams of it, ``stands`` those of all runs compared."""

    stand: Stand
    stream: Stream
    events: tuple[Event, ...] = ()
    others: tuple[Stream, ...] = ()
    stands: tuple[Stand, ...] = ()
    day: date = DAY

    def column(self, role: Role) -> int:
        return self.stream.channels.index(self.stand.roles[role])

    def with_values(self, values: np.ndarray) -> BenchRun:
        return replace(self, stream=replace(self.stream, values=values))

    def findings(self) -> tuple[Finding, ...]:
        """Everything the data-quality checks say."""
        points = operating_points(self.stand, self.stream)
        balances = [power_balance(self.stand, p) for p in points]
        thrust = [row for row in (static_thrust(self.stand, p) for p in points) if row is not None]
        found, _ = check_run(self.stand, self.stream, self.events, points, balances, thrust, self.day)
        channels = [self.stand.channels[name] for name in self.stream.channels]
        return (
            *found,
            *drift_findings(self.events, channels),
            *device_offsets(self.stand, (self.stream, *self.others), self.events),
            *firmware_of_runs((self.stand, *self.stands)),
        )


@cache
def _airboat() -> Stand:
    return load_stand(shared_path("stands", "airboat.toml")).stand


@cache
def bench() -> Stand:
    """The airboat stand with one more channel, the phase voltage of its power analyser."""
    stand = _airboat()
    voltage = Channel(
        name="phase_voltage",
        label="Phase voltage, RMS",
        quantity=Quantity.VOLTAGE,
        source="rack",
        column="",
        low=0.0,
        high=300.0,
        calibration=Calibration(accuracy=Accuracy(0.0005, 0.02)),
    )
    return replace(
        stand,
        channels={**stand.channels, voltage.name: voltage},
        roles={**stand.roles, Role.PHASE_VOLTAGE: voltage.name},
    )


@dataclass(frozen=True)
class Wish:
    """What a fault needs of the run it is put into; None leaves it to the seed."""

    load: Load | None = None
    rate_hz: float | None = None
    tared: bool | None = None
    steps: Sequence[tuple[float, float]] | None = None
    inlet_c: float | None = None
    power_factor: float | None = None
    is_portioned: bool | None = None


ANY = Wish()


def clean_run(seed: int, wish: Wish = ANY) -> BenchRun:
    """A run without a fault."""
    rng = np.random.default_rng([seed, 77])
    load = wish.load or (Load.MACHINE, Load.PROPELLER)[int(rng.integers(2))]
    rate = wish.rate_hz or float(rng.choice(RATES_HZ))
    speeds = rng.choice(SPEEDS, 2, replace=False)
    steps = wish.steps or [(float(n), float(rng.choice(TORQUES))) for n in speeds]
    conditions = Conditions(
        air_c=float(rng.uniform(16.0, 26.0)),
        pressure_pa=float(rng.uniform(98_000.0, 103_000.0)),
        humidity=float(rng.uniform(0.3, 0.7)),
        inlet_c=wish.inlet_c or float(rng.uniform(35.0, 60.0)),
    )
    program = Program(tuple(steps), hold_s=float(rng.uniform(32.0, 36.0)), ramp_s=float(rng.uniform(4.0, 8.0)))
    plain = _airboat()
    rows = program_record(plain, load, program, rate_hz=rate, seed=seed, conditions=conditions)
    stream = stream_of(plain, rows)
    factor = wish.power_factor or float(rng.uniform(0.8, 0.95))
    stream = _with_phase_voltage(stream, plain, factor, rng)
    stream = _as_it_arrives(stream, rng, rng.integers(2) if wish.is_portioned is None else wish.is_portioned)
    run = BenchRun(bench(), stream, stands=(bench(),))
    tared = bool(rng.integers(2)) if wish.tared is None else wish.tared
    return _tared(run, rng) if tared else run


def _with_phase_voltage(stream: Stream, stand: Stand, factor: float, rng: np.random.Generator) -> Stream:
    power = stream.column(stand.roles[Role.AC_POWER])
    current = stream.column(stand.roles[Role.PHASE_CURRENT])
    with np.errstate(divide="ignore", invalid="ignore"):
        voltage = np.where(current > 10.0, power / (3.0 * current * factor), 0.0)
    voltage = voltage + 0.05 * rng.standard_normal(voltage.size)
    return replace(
        stream,
        channels=(*stream.channels, "phase_voltage"),
        units=(*stream.units, "V"),
        values=np.column_stack([stream.values, voltage]),
    )


def _as_it_arrives(stream: Stream, rng: np.random.Generator, portioned: object) -> Stream:
    """Arrivals of a device whose clock is off by up to 30 ppm, after waiting for computer and adapter."""
    host = stream.time_s * (1.0 + float(rng.uniform(-30e-6, 30e-6))) + 0.5
    arrival = host + 0.002 + rng.exponential(0.001, host.size)
    if portioned:
        arrival = np.ceil(arrival / 0.016) * 0.016 + 1e-5 * np.arange(host.size) % 1e-3
    return replace(stream, arrival_s=np.maximum.accumulate(arrival))


def _tared(run: BenchRun, rng: np.random.Generator) -> BenchRun:
    """A mounting force on torque and thrust, and the tare that takes it off."""
    stream, values = run.stream, run.stream.values.copy()
    row = int(np.searchsorted(stream.time_s, TARE_S))
    start = int(np.searchsorted(stream.time_s, TARE_S - 2.0))
    entries = {}
    for role, low, high in ((Role.TORQUE, 1.0, 2.5), (Role.THRUST, 6.0, 15.0)):
        k = run.column(role)
        values[:, k] += float(rng.uniform(low, high)) * float(rng.choice([-1.0, 1.0]))
        zero = zero_of(values[start:row, k])
        values[row:, k] -= zero.mean
        entries[stream.channels[k]] = {
            "unit": stream.units[k], "before": 0.0, "after": -zero.mean, "mean": zero.mean, "u": zero.u,
            "rows": zero.rows,
        }  # fmt: skip
    data = {"who": "clean run", "channels": entries, "from_row": row, "window_s": 2.0, "largest_speed_rpm": 0.9}
    event = Event(float(stream.arrival_s[row]), EventKind.TARE, "tare", stream.source, data=data)
    return replace(run, stream=replace(stream, values=values), events=(*run.events, event))
