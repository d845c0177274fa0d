"""Records of the simulated stand made in memory, at once, with the answer beside them.

The same machines, sensors, calibration errors and rounding as the server, but as arrays: for studies of many points
("how often does the stated interval hold the truth?") and for measuring how fast bytes are read.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from math import exp, sqrt

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError
from benchkit.model.samples import Rows
from benchkit.model.sources import TextFormat, text_format_of
from benchkit.model.stand import Stand
from benchkit.simulate.conditions import Conditions
from benchkit.simulate.device import source_of
from benchkit.simulate.drives import Drive, Load, PropellerParameters, drive_of, propeller_of
from benchkit.simulate.plant import vibration
from benchkit.simulate.sensors import COLUMNS, Chain, chains_of, true_propeller
from benchkit.simulate.thermal import Heat, Temperatures
from benchkit.simulate.thermal import steady as thermal_steady
from benchkit.simulate.truth import Truth, settled, truth_at, truth_with_propeller
from benchkit.simulate.wire import LineWriter

FloatArray = npt.NDArray[np.float64]
DRIFT_K = 0.5
"""Largest distance from the settled winding temperature at the start of a steady record (each way)."""


@dataclass(frozen=True, slots=True)
class HeatingTruth:
    """Closed form of a heating record: ``T(t) = final - (final - start) exp(-t / tau)``."""

    start_c: float
    final_c: float
    tau_s: float
    reference_c: float
    """Coolant inlet."""


def steady_record(
    stand: Stand,
    load: Load,
    speed_rpm: float,
    torque_nm: float,
    *,
    seconds: float,
    rate_hz: float,
    seed: int,
    conditions: Conditions | None = None,
    source: str | None = None,
) -> tuple[Rows, Truth]:
    """One settled operating point: rows as a decoder gives them, and the truth of its mean.

    ``Rows.values`` is (seconds · rate_hz, value columns of the source), raw numbers before calibration. With the
    propeller ``torque_nm`` is not used. Every seed has its own calibration errors, drawn from the accuracy that the
    profile states, its own true diameter, and a little thermal drift that has not died out.

    Raises:
        UsageError: the drive cannot hold that point, or the profile does not fit the simulation.
    """
    count = _count(seconds, rate_hz)
    c = conditions or Conditions()
    drive = drive_of(stand)
    rng = np.random.default_rng([seed, 3])
    propeller = _propeller(stand, load, seed)
    resting = _settled(drive, speed_rpm, torque_nm, c, None if propeller is None else propeller_of(stand))
    # What is left of the approach at the start, as a share of the largest: the drift over the record follows from it.
    left = float(rng.uniform(-1.0, 1.0)) * DRIFT_K
    tau_s = 90.0  # slowest large time constant of the network
    end = left * exp(-seconds / tau_s)
    middle = _point(drive, speed_rpm, torque_nm, c, propeller, _shifted(resting, 0.5 * (left + end)))
    first = _point(drive, speed_rpm, torque_nm, c, propeller, _shifted(resting, left))
    last = _point(drive, speed_rpm, torque_nm, c, propeller, _shifted(resting, end))
    at_middle, change = _row(middle, c), _row(last, c) - _row(first, c)
    # Straight drift about the mean; the mean of every quantity over the record is its truth.
    along = (np.arange(count) + 0.5) / count - 0.5
    quantities = at_middle[None, :] + along[:, None] * change[None, :]
    return _rows(stand, source_of(stand, source), quantities, rate_hz, seed, rng), middle[0]


def heating_record(
    stand: Stand,
    load: Load,
    speed_rpm: float,
    torque_nm: float,
    *,
    truth: HeatingTruth,
    seconds: float,
    rate_hz: float,
    seed: int,
    conditions: Conditions | None = None,
    source: str | None = None,
) -> Rows:
    """A heat run whose winding follows ``truth`` exactly; all other quantities stay at their settled values."""
    count = _count(seconds, rate_hz)
    c = replace(conditions or Conditions(), inlet_c=truth.reference_c)
    drive = drive_of(stand)
    propeller = _propeller(stand, load, seed)
    resting = _settled(drive, speed_rpm, torque_nm, c, propeller)
    row = _row(_point(drive, speed_rpm, torque_nm, c, propeller, resting), c)
    quantities = np.tile(row, (count, 1))
    time_s = np.arange(count) / rate_hz
    rise = (truth.final_c - truth.start_c) * np.exp(-time_s / truth.tau_s)
    quantities[:, COLUMNS.index("t_winding")] = truth.final_c - rise
    rng = np.random.default_rng([seed, 3])
    return _rows(stand, source_of(stand, source), quantities, rate_hz, seed, rng)


@dataclass(frozen=True, slots=True)
class Program:
    """A run of set-points: rest, then ramp and hold for each, then rest again. Times in s.

    ``settle_s`` is the time constant with which every temperature follows the load. It is given, not that of the
    machine: with a short one a record of two minutes has points that are settled.
    """

    steps: tuple[tuple[float, float], ...]
    """Speed [rpm] and torque [N·m] of each hold; with the propeller the torque is not used."""
    hold_s: float = 40.0
    ramp_s: float = 5.0
    rest_s: float = 12.0
    settle_s: float = 3.0


def program_record(
    stand: Stand,
    load: Load,
    program: Program,
    *,
    rate_hz: float,
    seed: int,
    conditions: Conditions | None = None,
    source: str | None = None,
) -> Rows:
    """A run of several operating points between two rests, every row by the equations of the steady state.

    On a ramp the machine is taken as steady at each of eight speeds, straight between them: no power of acceleration.

    Raises:
        UsageError: the drive cannot hold a point, or the profile does not fit the simulation.
    """
    c = conditions or Conditions()
    drive = drive_of(stand)
    rng = np.random.default_rng([seed, 3])
    propeller = _propeller(stand, load, seed)
    rest = _rest_row(drive, c)
    knots: list[tuple[float, FloatArray]] = [(0.0, rest), (program.rest_s, rest)]
    last = (0.0, 0.0)
    for speed, torque in program.steps:
        resting = _settled(drive, speed, torque, c, None if propeller is None else propeller_of(stand))
        start = knots[-1][0]
        for part in np.linspace(0.0, 1.0, 9)[1:]:
            n = last[0] + part * (speed - last[0])
            t = last[1] + part * (torque - last[1])
            row = _row(_point(drive, float(n), float(t), c, propeller, resting), c)
            knots.append((start + float(part) * program.ramp_s, row))
        knots.append((start + program.ramp_s + program.hold_s, knots[-1][1]))
        last = (speed, torque)
    top = knots[-1]
    for part in np.linspace(0.0, 1.0, 9)[1:-1]:
        row = _row(
            _point(drive, (1.0 - float(part)) * last[0], (1.0 - float(part)) * last[1], c, propeller, resting), c
        )
        knots.append((top[0] + float(part) * program.ramp_s, row))
    knots += [(top[0] + program.ramp_s, rest), (top[0] + program.ramp_s + program.rest_s, rest)]
    count = _count(knots[-1][0], rate_hz)
    time_s = np.arange(count) / rate_hz
    at = np.array([t for t, _ in knots])
    rows = np.stack([row for _, row in knots])
    quantities = np.stack([np.interp(time_s, at, rows[:, k]) for k in range(rows.shape[1])], axis=1)
    keep = exp(-1.0 / (rate_hz * program.settle_s))
    for name in _FOLLOWING:
        k = COLUMNS.index(name)
        quantities[:, k] = _followed(quantities[:, k], keep)
    return _rows(stand, source_of(stand, source), quantities, rate_hz, seed, rng)


_FOLLOWING = ("t_winding", "t_stator", "t_magnet", "t_junction", "t_case", "t_cool_out")


def _followed(values: FloatArray, keep: float) -> FloatArray:
    """First-order lag, settled at the start."""
    from scipy.signal import lfilter

    lagged, _ = lfilter([1.0 - keep], [1.0, -keep], values, zi=[keep * values[0]])
    return np.asarray(lagged)


def _rest_row(drive: Drive, c: Conditions) -> FloatArray:
    """At rest, ready, soaked in the coolant: only what the inverter needs by itself."""
    standing = drive.inverter.standing_w
    t = thermal_steady(drive.thermal, Heat(0.0, 0.0, 0.0, standing, standing), c.inlet_c, c.flow_lpm, c.air_c)
    voltage = drive.supply.open_circuit_v
    row = dict.fromkeys(COLUMNS, 0.0) | {
        "udc": voltage, "idc": standing / voltage, "t_winding": t.winding_c, "t_stator": t.stator_c,
        "t_magnet": t.magnet_c, "t_junction": t.junction_c, "t_case": t.case_c, "t_cool_in": c.inlet_c,
        "t_cool_out": t.outlet_c, "q_cool": c.flow_lpm, "t_air": c.air_c, "p_air": c.pressure_pa,
        "rh_air": c.humidity, "vib": vibration(0.0),
    }  # fmt: skip
    return np.array([row[name] for name in COLUMNS])


def record_bytes(stand: Stand, rows: Rows, *, seed: int, source: str | None = None) -> bytes:
    """The same rows as the bytes that the stand would send."""
    name = source_of(stand, source)
    text_format = text_format_of(stand.sources[name])
    writer = LineWriter(text_format, [c.digits for c in chains_of(stand, name, seed)], 3)
    lines = []
    values = rows.values.tolist()
    units = (rows.device_time_s / text_format.device_time_scale_s).tolist()
    for counter, time_units, raw in zip(rows.counter.tolist(), units, values, strict=True):
        lines.append(writer.line(writer.fields(counter, time_units, raw)))
    return b"".join(lines)


def _count(seconds: float, rate_hz: float) -> int:
    count = round(seconds * rate_hz)
    if count < 2:
        raise UsageError("a record needs two rows or more", got=f"{seconds:g} s at {rate_hz:g} Hz")
    return count


def _propeller(stand: Stand, load: Load, seed: int) -> PropellerParameters | None:
    if load is not Load.PROPELLER or stand.propeller is None:
        return None if load is Load.MACHINE else propeller_of(stand)
    return true_propeller(propeller_of(stand), stand.propeller.u_diameter_m, seed)


@cache
def _settled(
    drive: Drive,
    speed_rpm: float,
    torque_nm: float,
    conditions: Conditions,
    propeller: PropellerParameters | None,
) -> tuple[float, ...]:
    """Settled temperatures (cached: many seeds ask for the same point)."""
    t = settled(drive, speed_rpm, torque_nm, conditions, propeller)[1]
    return (t.winding_c, t.stator_c, t.magnet_c, t.junction_c, t.case_c, t.coolant_c, t.outlet_c)


def _shifted(resting: tuple[float, ...], winding_k: float) -> tuple[float, ...]:
    """Temperatures not yet settled: the slower and nearer to the coolant, the smaller the part of the drift."""
    parts = (1.0, 0.8, 0.5, 0.1, 0.1, 0.05, 0.05)
    return tuple(value - part * winding_k for value, part in zip(resting, parts, strict=True))


def _point(
    drive: Drive,
    speed_rpm: float,
    torque_nm: float,
    conditions: Conditions,
    propeller: PropellerParameters | None,
    temps: tuple[float, ...],
) -> tuple[Truth, Temperatures]:
    t = Temperatures(*temps)
    at: Mapping[str, float] = {"winding_c": t.winding_c, "magnet_c": t.magnet_c, "junction_c": t.junction_c}
    if propeller is None:
        return truth_at(drive, speed_rpm, torque_nm, **at), t
    return truth_with_propeller(drive, propeller, speed_rpm, conditions.density_kgm3, **at), t


def _row(point: tuple[Truth, Temperatures], c: Conditions) -> FloatArray:
    """The measured quantities of a steady state, in the order of ``COLUMNS``."""
    s, t = point
    current = s.phase_current_a
    thrust = s.thrust_n if s.thrust_n == s.thrust_n else 0.0  # NaN: no propeller, the cell sees nothing
    return np.array([
        s.dc_voltage_v, s.dc_current_a, current, current, current, s.ac_power_w, s.speed_rpm, s.torque_nm, thrust,
        t.winding_c, t.stator_c, t.magnet_c, t.junction_c, t.case_c, c.inlet_c, t.outlet_c, c.flow_lpm,
        c.air_c, c.pressure_pa, c.humidity, vibration(s.speed_rpm), s.i_d_a, s.i_q_a, s.frequency_hz,
    ])  # fmt: skip


def _rows(
    stand: Stand, source: str, quantities: FloatArray, rate_hz: float, seed: int, rng: np.random.Generator
) -> Rows:
    count = len(quantities)
    chains = chains_of(stand, source, seed)
    text_format = text_format_of(stand.sources[source])
    columns = [_sensed(chain, quantities[:, chain.signal], rate_hz, rng) for chain in chains]
    step_s = 1.0 / rate_hz
    lines = np.arange(1, count + 1, dtype=np.int64)
    return Rows(
        arrival_ns=np.round(lines * step_s * 1e9).astype(np.int64),
        device_time_s=_device_time(text_format, lines.astype(np.float64) * step_s),
        counter=_counter(text_format, lines),
        values=np.column_stack(columns),
    )


def _sensed(chain: Chain, quantity: FloatArray, rate_hz: float, rng: np.random.Generator) -> FloatArray:
    """One column through its chain. A steady quantity has long passed the lag of its sensor."""
    sensor = chain.sensor
    count = len(quantity)
    value = quantity * (1.0 + chain.gain_error) + chain.offset_error
    value = value + sensor.white * rng.standard_normal(count)
    if sensor.wander > 0.0:
        from scipy.signal import lfilter

        keep = exp(-1.0 / (rate_hz * sensor.wander_s))
        kicks = rng.standard_normal(count) * (sensor.wander * sqrt(1.0 - keep * keep))
        kicks[0] = rng.standard_normal() * sensor.wander  # stationary from the start
        value += lfilter([1.0], [1.0, -keep], kicks)
    return np.round(chain.curve.invert(value), chain.digits)


def _device_time(text_format: TextFormat, time_s: FloatArray) -> FloatArray:
    if text_format.device_time_column is None:
        return np.full(len(time_s), np.nan)
    scale = text_format.device_time_scale_s
    return np.asarray(np.round(time_s / scale, 3) * scale)


def _counter(text_format: TextFormat, lines: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    if text_format.counter_column is None:
        return np.full(len(lines), -1, dtype=np.int64)
    return lines % text_format.counter_modulus
