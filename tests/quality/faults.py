"""The faults that the suite puts into clean runs, one for each code, each of a size that benches see.

A fault is a function of run and random numbers that gives the run with the fault in it; moment, channel and size within
the stated bounds are random. The text says the size.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from benchkit.decode.log import log_event
from benchkit.decode.text import TextDecoder
from benchkit.model.calibration import GainOffset
from benchkit.model.events import Event, EventKind
from benchkit.model.samples import BadFrame, Rows
from benchkit.model.sensors import ThermocoupleType, emf_mv, temperature_from_emf
from benchkit.model.stand import Role
from benchkit.model.stream import Stream
from benchkit.simulate.drives import Load
from benchkit.simulate.records import record_bytes
from tests.quality.runs import ANY, TARE_S, BenchRun, Wish

Rng = np.random.Generator
Inject = Callable[[BenchRun, Rng], BenchRun]
PARTS = ("winding_temp", "stator_temp", "magnet_temp", "case_temp")


@dataclass(frozen=True)
class Fault:
    """``code`` must come at caution or error; ``names`` are texts of which the finding must hold one, where given."""

    code: str
    size: str
    inject: Inject
    wish: Wish = ANY
    says: Callable[[BenchRun], str] | None = None


# ------------------------------------------------------------------------------------------------ tools
def _scaled(run: BenchRun, role: Role, factor: float, offset: float = 0.0) -> BenchRun:
    values = run.stream.values.copy()
    values[:, run.column(role)] = values[:, run.column(role)] * factor + offset
    return run.with_values(values)


def _loaded_rows(run: BenchRun) -> np.ndarray:
    """Rows in which the shaft turns fast."""
    return np.flatnonzero(run.stream.column("shaft_speed") > 1000.0)


def _holds(run: BenchRun) -> list[tuple[int, int]]:
    """Rows of the two holds, the settling left out."""
    speed = run.stream.column("electrical_frequency")
    rate = 1.0 / float(np.median(np.diff(run.stream.time_s)))
    width = int(2.0 * rate)
    still = np.abs(speed[width:] - speed[:-width]) < 0.3
    inside = np.concatenate([still, np.zeros(width, dtype=bool)]) & (speed > 100.0)
    change = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(int), [0]])))
    spans = [(int(a), int(b) + width - 1) for a, b in zip(change[::2], change[1::2], strict=True) if b - a > 5 * rate]
    # short breaks by noise join
    joined: list[tuple[int, int]] = []
    for a, b in spans:
        if joined and a - joined[-1][1] < 4 * rate:
            joined[-1] = (joined[-1][0], b)
        else:
            joined.append((a, b))
    return joined


def _change(run: BenchRun, name: str, change: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> BenchRun:
    """Replace one column by ``change(time, column)``."""
    values = run.stream.values.copy()
    k = run.stream.channels.index(name)
    values[:, k] = change(run.stream.time_s, values[:, k])
    return run.with_values(values)


# ------------------------------------------------------------------------------------------------ zero
def torque_zero(run: BenchRun, rng: Rng) -> BenchRun:
    name, full = [("shaft_torque", 250.0), ("thrust", 1500.0)][int(rng.integers(2))]
    shift = full * float(rng.uniform(0.004, 0.008)) * float(rng.choice([-1, 1]))
    return _change(run, name, lambda t, x: x + shift)


def tare_lost(run: BenchRun, rng: Rng) -> BenchRun:
    """From some moment after the tare the offset is gone."""
    (event,) = run.events
    moment = float(rng.uniform(TARE_S + 30.0, run.stream.time_s[-1] - 14.0))
    values = run.stream.values.copy()
    later = run.stream.time_s >= moment
    for name, entry in event.data["channels"].items():  # type: ignore[union-attr]
        values[later, run.stream.channels.index(name)] -= entry["after"]
    return run.with_values(values)


def tare_doubled(run: BenchRun, rng: Rng) -> BenchRun:
    (event,) = run.events
    values = run.stream.values.copy()
    row = int(event.data["from_row"])  # type: ignore[arg-type]
    for name, entry in event.data["channels"].items():  # type: ignore[union-attr]
        values[row:, run.stream.channels.index(name)] += entry["after"]
    return run.with_values(values)


def tare_stale(run: BenchRun, rng: Rng) -> BenchRun:
    """The set-points come hours after the tare; the time between is a rest without samples."""
    (event,) = run.events
    row = int(event.data["from_row"]) + 50  # type: ignore[call-overload]
    wait = float(rng.uniform(2.5, 6.0)) * 3600.0
    s = run.stream
    late = np.arange(len(s)) >= row
    return replace(
        run,
        stream=replace(
            s,
            time_s=s.time_s + wait * late,
            arrival_s=s.arrival_s + wait * late,
            device_time_s=s.device_time_s + wait * late,
        ),
    )


def tare_turning(run: BenchRun, rng: Rng) -> BenchRun:
    """Tared in a hold: the load is taken off from there on."""
    holds = _holds(run)
    a, b = holds[int(rng.integers(len(holds)))]
    row = int(rng.integers(a + (b - a) // 3, b))
    values = run.stream.values.copy()
    k = run.stream.channels.index("shaft_torque")
    mean = float(values[row - 50 : row, k].mean())
    values[row:, k] -= mean
    entry = {"unit": "N·m", "before": 0.0, "after": -mean, "mean": mean, "u": 0.02, "rows": 50}
    # the speed that the event tells is that of another shaft: the samples must tell
    data = {"who": "suite", "channels": {"shaft_torque": entry}, "from_row": row, "largest_speed_rpm": 0.0}
    tare = Event(float(run.stream.arrival_s[row]), EventKind.TARE, "tare", "rack", data=data)
    return replace(run.with_values(values), events=(*run.events, tare))


def zero_drift(run: BenchRun, rng: Rng) -> BenchRun:
    name, full = [("shaft_torque", 250.0), ("thrust", 1500.0)][int(rng.integers(2))]
    drift = full * float(rng.uniform(0.002, 0.005)) * float(rng.choice([-1, 1]))
    return _change(run, name, lambda t, x: x + drift * np.clip((t - 12.0) / (t[-1] - 24.0), 0.0, 1.0))


# ------------------------------------------------------------------------------------------------ time and rows
def device_offset(run: BenchRun, rng: Rng) -> BenchRun:
    """Electrical frequency by a second source, 0.1 to 0.6 s apart, with its own rate."""
    lag = float(rng.uniform(0.1, 0.6)) * float(rng.choice([-1, 1]))
    s = run.stream
    t = np.arange(1.0, s.time_s[-1] - 1.0, 0.02 * float(rng.uniform(0.9, 1.1)))
    column = np.interp(t - lag, s.time_s, s.column("electrical_frequency"))
    column = column + 0.05 * rng.standard_normal(t.size)
    other = Stream(
        "drive_link", ("electrical_frequency",), ("Hz",), t, t, t, np.arange(t.size) % 65536, column[:, None]
    )
    channel = replace(run.stand.channels["electrical_frequency"], source="drive_link")
    stand = replace(run.stand, channels={**run.stand.channels, "electrical_frequency": channel})
    keep = [k for k, name in enumerate(s.channels) if name != "electrical_frequency"]
    stream = replace(
        s,
        channels=tuple(s.channels[k] for k in keep),
        units=tuple(s.units[k] for k in keep),
        values=s.values[:, keep],
    )
    return replace(run, stand=stand, stream=stream, others=(other,))


def clock_drift(run: BenchRun, rng: Rng) -> BenchRun:
    ppm = float(rng.uniform(180.0, 400.0)) * float(rng.choice([-1, 1]))
    return replace(run, stream=replace(run.stream, arrival_s=run.stream.arrival_s * (1.0 + ppm * 1e-6)))


def arrival_as_time(run: BenchRun, rng: Rng) -> BenchRun:
    s = run.stream
    n = np.arange(len(s))
    portion = float(rng.choice([0.016, 0.032, 0.05]))
    arrival = np.ceil((s.time_s + 0.001) / portion) * portion
    arrival = arrival + 2e-5 * (n - np.searchsorted(arrival, arrival))
    return replace(run, stream=replace(s, time_s=arrival, arrival_s=arrival, device_time_s=np.full(len(s), np.nan)))


def time_backward(run: BenchRun, rng: Rng) -> BenchRun:
    s = run.stream
    row = int(rng.integers(100, len(s) - 100))
    back = float(rng.uniform(0.02, 30.0)) + 2.0 * float(s.time_s[1] - s.time_s[0])
    t = s.time_s - back * (np.arange(len(s)) >= row)
    return replace(run, stream=replace(s, time_s=t, device_time_s=t))


def time_repeated(run: BenchRun, rng: Rng) -> BenchRun:
    t = run.stream.time_s.copy()
    rows = rng.choice(np.arange(1, t.size), int(rng.integers(1, 20)), replace=False)
    t[rows] = t[rows - 1]
    return replace(run, stream=replace(run.stream, time_s=t))


def dropouts(run: BenchRun, rng: Rng) -> BenchRun:
    """6 to 30 spells of 1 to 5 samples, to zero or to nothing."""
    name = str(rng.choice(["dc_voltage", "shaft_torque", "ac_power", "winding_temp", "shaft_speed"]))
    a, b = _holds(run)[0]
    gone = 0.0 if rng.integers(2) else math.nan

    def change(_t: np.ndarray, x: np.ndarray) -> np.ndarray:
        for start in rng.integers(a + 5, b - 10, int(rng.integers(6, 30))):
            x[start : start + int(rng.integers(1, 6))] = gone
        return x

    return _change(run, name, change)


def rows_missing(run: BenchRun, rng: Rng) -> BenchRun:
    """Half a percent to 5 % of rows lost, in bursts."""
    s = run.stream
    keep = np.ones(len(s), dtype=bool)
    for start in rng.integers(10, len(s) - 100, int(rng.integers(5, 20))):
        keep[start : start + int(rng.integers(10, 40))] = False
    return replace(
        run,
        stream=replace(
            s,
            time_s=s.time_s[keep],
            arrival_s=s.arrival_s[keep],
            device_time_s=s.device_time_s[keep],
            counter=s.counter[keep],
            values=s.values[keep],
        ),
    )


def _through_a_bad_line(run: BenchRun, rng: Rng, harm: Callable[[list[bytes]], bytes]) -> BenchRun:
    """Bytes of a few seconds of the run, harmed, through the decoder of the source: its refusals become events."""
    stand, source = run.stand, run.stand.sources["rack"]
    count = 600
    columns = len(source.format.value_columns)
    raw = Rows(
        np.arange(count), 0.01 * np.arange(count), np.arange(count), 10.0 + rng.standard_normal((count, columns))
    )
    plain = replace(stand, channels={n: c for n, c in stand.channels.items() if c.column})
    lines = record_bytes(plain, raw, seed=1).splitlines(keepends=True)
    decoder = TextDecoder(source.format)
    decoder.feed(harm(lines), 0)
    events = list(run.events)
    while (event := decoder.next_event()) is not None:
        if isinstance(event, BadFrame):
            events.append(log_event(event, 1.0, "rack"))
    return replace(run, events=tuple(events))


def partial_lines(run: BenchRun, rng: Rng) -> BenchRun:
    def harm(lines: list[bytes]) -> bytes:
        for k in rng.choice(len(lines), int(rng.integers(6, 30)), replace=False):
            lines[k] = lines[k][: int(rng.integers(5, len(lines[k]) // 2))] + b"\n"
        return b"".join(lines)

    return _through_a_bad_line(run, rng, harm)


def damaged_lines(run: BenchRun, rng: Rng) -> BenchRun:
    def harm(lines: list[bytes]) -> bytes:
        for k in rng.choice(len(lines), int(rng.integers(6, 30)), replace=False):
            line = bytearray(lines[k])
            digits = [i for i, c in enumerate(line[:-6]) if chr(c).isdigit()]
            line[int(rng.choice(digits))] = int(rng.choice(list(b"x#?0123456789")))
            lines[k] = bytes(line)
        return b"".join(lines)

    return _through_a_bad_line(run, rng, harm)


def saturated(run: BenchRun, rng: Rng) -> BenchRun:
    """The range ends 0.5 to 5 % below what one hold needs."""
    name = str(rng.choice(["shaft_torque", "dc_current", "ac_power", "phase_u_current"]))
    level = float(np.nanmax(np.abs([np.mean(run.stream.column(name)[a:b]) for a, b in _holds(run)])))
    high = level * float(rng.uniform(0.95, 0.995))
    channel = replace(run.stand.channels[name], high=high)
    stand = replace(run.stand, channels={**run.stand.channels, name: channel})
    return replace(_change(run, name, lambda t, x: np.minimum(x, high)), stand=stand)


def frozen(run: BenchRun, rng: Rng) -> BenchRun:
    """One channel stands for 6 to 25 s."""
    name = str(rng.choice(["shaft_torque", "dc_current", "shaft_speed", "winding_temp", "thrust", "dc_voltage"]))
    start = int(rng.integers(100, len(run.stream) // 2))
    rows = int(float(rng.uniform(6.0, 25.0)) / float(run.stream.time_s[1] - run.stream.time_s[0]))

    def change(_t: np.ndarray, x: np.ndarray) -> np.ndarray:
        x[start : start + rows] = x[start]
        return x

    return _change(run, name, change)


# ------------------------------------------------------------------------------------------------ electrical
def aliased_ripple(run: BenchRun, rng: Rng) -> BenchRun:
    """Ripple of 0.5 to 3 % of the DC current at 16 kHz, both clocks together 60 to 200 ppm off."""
    true = 16_000.0 * (1.0 + float(rng.uniform(60e-6, 200e-6)) * float(rng.choice([-1, 1])))
    share, phase = float(rng.uniform(0.005, 0.03)), float(rng.uniform(0.0, 6.0))
    # the sine at the true frequency, seen at the samples only
    return _change(run, "dc_current", lambda t, x: x * (1.0 + share * np.sin(2.0 * np.pi * true * t + phase)))


def whole_periods(run: BenchRun, rng: Rng) -> BenchRun:
    """A window that cuts a period: 0.5 to 3 % at twice the electrical frequency."""
    name = str(rng.choice(["ac_power", "phase_u_current"]))
    share = float(rng.uniform(0.005, 0.03))
    f = run.stream.column("electrical_frequency")
    # the true angle of the shaft: the shown frequency without its noise
    step = np.diff(run.stream.time_s, prepend=run.stream.time_s[0])
    smooth = f.copy()
    for a, b in _holds(run):
        smooth[a:b] = f[a:b].mean()
    angle = 2.0 * np.pi * np.cumsum(smooth * step)
    return _change(run, name, lambda t, x: x * (1.0 + share * np.sin(2.0 * angle)))


def product_of_means(run: BenchRun, rng: Rng) -> BenchRun:
    """Soft supply and a load in rhythm: 3 to 6 % of the voltage, 8 to 20 % of the current, in phase or against it."""
    a, b = float(rng.uniform(0.03, 0.06)), float(rng.uniform(0.08, 0.2))
    wave = np.sin(2.0 * np.pi * float(rng.uniform(2.0, 12.0)) * run.stream.time_s)
    sign = float(rng.choice([-1, 1]))
    run = _change(run, "dc_voltage", lambda t, x: x * (1.0 + a * wave))
    return _change(run, "dc_current", lambda t, x: x * (1.0 + sign * b * wave))


def same(run: BenchRun, rng: Rng) -> BenchRun:
    """The fault is in the wish."""
    return run


# ------------------------------------------------------------------------------------------------ speed
def _spiked(run: BenchRun, rng: Rng, factor: float) -> BenchRun:
    rows = _loaded_rows(run)
    rows = rows[rng.random(rows.size) < 0.02]
    values = run.stream.values.copy()
    values[rows, run.column(Role.SPEED)] *= factor
    return run.with_values(values)


def pulses_doubled(run: BenchRun, rng: Rng) -> BenchRun:
    return _spiked(run, rng, 2.0)


def pulses_missed(run: BenchRun, rng: Rng) -> BenchRun:
    return _spiked(run, rng, 0.5)


def pulses_per_revolution(run: BenchRun, rng: Rng) -> BenchRun:
    """1024 for 1000 pulses, 60 for 64, 8 for 10 pole pairs, one tooth of 60 missing …"""
    return _scaled(run, Role.SPEED, float(rng.choice([1.024, 1 / 1.024, 60 / 64, 0.8, 1.25, 59 / 60, 2.0, 0.5])))


def speed_quantised(run: BenchRun, rng: Rng) -> BenchRun:
    """60 pulses a revolution, gate 0.1 to 0.5 s: steps of 2 to 10 rpm."""
    step = 60.0 / 60.0 / float(rng.uniform(0.1, 0.5))
    return _change(run, "shaft_speed", lambda t, x: np.round(x / step) * step)


# ------------------------------------------------------------------------------------------------ temperatures
def thermocouple_open(run: BenchRun, rng: Rng) -> BenchRun:
    """Broken from some moment on: to the top of the range, or no value."""
    name = str(rng.choice([*PARTS, "coolant_outlet_temp"]))
    level = run.stand.channels[name].high if rng.integers(2) else math.nan
    moment = float(rng.uniform(5.0, run.stream.time_s[-1] - 5.0))
    return _change(run, name, lambda t, x: np.where(t >= moment, level, x))


def thermocouple_reversed(run: BenchRun, rng: Rng) -> BenchRun:
    name = str(rng.choice([*PARTS, "coolant_outlet_temp"]))
    terminals = float(np.median(run.stream.column("air_temp")))
    return _change(run, name, lambda t, x: 2.0 * terminals - x)


def thermocouple_type(run: BenchRun, rng: Rng) -> BenchRun:
    """A K wire read as J or N, or J as K or N, terminals at air temperature, coolant at 65 °C."""
    name = str(rng.choice(PARTS))
    T = ThermocoupleType
    wire, read = [(T.K, T.J), (T.K, T.N), (T.J, T.K), (T.J, T.N)][int(rng.integers(4))]
    terminals = np.array([float(np.median(run.stream.column("air_temp")))])

    def change(_t: np.ndarray, x: np.ndarray) -> np.ndarray:
        emf = emf_mv(wire, x) - emf_mv(wire, terminals) + emf_mv(read, terminals)
        return temperature_from_emf(read, emf)

    return _change(run, name, change)


def gate_noise(run: BenchRun, rng: Rng) -> BenchRun:
    """0.3 to 2 K rms while the shaft turns."""
    name = str(rng.choice(PARTS))
    size = float(rng.uniform(0.4, 2.0))
    on = run.stream.column("electrical_frequency") > 5.0
    return _change(run, name, lambda t, x: x + size * on * rng.standard_normal(t.size))


def probe_detached(run: BenchRun, rng: Rng) -> BenchRun:
    """Off the part in the first hold, to air temperature with a time constant of 5 to 20 s."""
    name = str(rng.choice(["winding_temp", "stator_temp", "magnet_temp"]))
    a, b = _holds(run)[0]
    row = int(rng.integers(a + (b - a) // 3, a + 2 * (b - a) // 3))
    tau = float(rng.uniform(5.0, 20.0))
    air = float(np.median(run.stream.column("air_temp")))
    t0 = float(run.stream.time_s[row])
    return _change(
        run, name, lambda t, x: np.where(t < t0, x, air + (x - air) * np.exp(-np.maximum(0.0, t - t0) / tau))
    )


# ------------------------------------------------------------------------------------------------ units and channels
FACTORS: tuple[tuple[Role, float, float, str], ...] = (
    (Role.TORQUE, 1.3558, 0.0, "0.7376"),
    (Role.TORQUE, 0.7376, 0.0, "1.356"),
    (Role.TORQUE, 9.80665, 0.0, "kgf"),
    (Role.TORQUE, 1 / 9.80665, 0.0, "9.807"),
    (Role.TORQUE, 9.549, 0.0, "9.55"),
    (Role.TORQUE, 1000.0, 0.0, "0.001"),
    (Role.TORQUE, 8.8507, 0.0, "lbf·in"),
    (Role.AC_POWER, 1e-3, 0.0, "1000"),
    (Role.AC_POWER, 1 / 3.0, 0.0, "one phase"),
    (Role.DC_CURRENT, 1e-3, 0.0, "1000"),
    (Role.SPEED, 1 / 60.0, 0.0, "rev/s"),
    (Role.SPEED, 0.104720, 0.0, "rad/s"),
    (Role.SPEED, 9.5493, 0.0, "rpm taken for rad/s"),
    (Role.SPEED, 2 * math.pi, 0.0, "2π"),
    (Role.THRUST, 1 / 4.44822, 0.0, "4.448"),
    (Role.THRUST, 4.44822, 0.0, "0.2248"),
    (Role.THRUST, 1 / 9.80665, 0.0, "9.807"),
    (Role.THRUST, 1e-3, 0.0, "1000"),
    (Role.AIR_PRESSURE, 0.01, 0.0, "hPa taken for Pa"),
    (Role.AIR_PRESSURE, 1 / 6894.76, 0.0, "psi"),
    (Role.AIR_TEMP, 1.0, 273.15, "273.15"),
    (Role.AIR_TEMP, 1.8, 32.0, "1.8"),
)
"""Role, what the shown value was multiplied with and what was added, and a text that names the way back."""
_told: dict[int, str] = {}


def unit_factor(run: BenchRun, rng: Rng) -> BenchRun:
    role, factor, offset, words = FACTORS[int(rng.integers(len(FACTORS)))]
    made = _scaled(run, role, factor, offset)
    _told.clear()
    _told[id(made)] = words
    return made


def sign_convention(run: BenchRun, rng: Rng) -> BenchRun:
    return _scaled(run, [Role.TORQUE, Role.DC_CURRENT, Role.AC_POWER, Role.THRUST][int(rng.integers(4))], -1.0)


def swapped_channels(run: BenchRun, rng: Rng) -> BenchRun:
    pairs = [
        ("coolant_inlet_temp", "coolant_outlet_temp"),
        ("dc_voltage", "dc_current"),
        ("shaft_torque", "thrust"),
    ]
    a, b = (run.stream.channels.index(name) for name in pairs[int(rng.integers(3))])
    values = run.stream.values.copy()
    values[:, [a, b]] = values[:, [b, a]]
    return run.with_values(values)


# ------------------------------------------------------------------------------------------------ steadiness
def not_steady(run: BenchRun, rng: Rng) -> BenchRun:
    """The winding moves by 8 to 20 K in a hold."""
    move = float(rng.uniform(8.0, 20.0))
    a, b = _holds(run)[0]
    t0, t1 = run.stream.time_s[[a, b - 1]]
    return _change(run, "winding_temp", lambda t, x: x + move * np.clip((t - t0) / (t1 - t0), 0.0, 1.0))


def mixed_states(run: BenchRun, rng: Rng) -> BenchRun:
    """The same set-point twice, the second 15 to 40 K warmer."""
    warmer = float(rng.uniform(15.0, 40.0))
    start = _holds(run)[0][1]
    return _change(run, "winding_temp", lambda t, x: x + warmer * (np.arange(t.size) >= start + 50))


def acceleration(run: BenchRun, rng: Rng) -> BenchRun:
    """Speed creeps by 7 to 9 rpm in a hold of half a minute: within the band of one point."""
    rate = float(rng.uniform(7.0, 9.0)) / 30.0
    a, b = _holds(run)[0]
    t0, t1 = run.stream.time_s[[a, b - 1]]
    return _change(run, "shaft_speed", lambda t, x: x + rate * np.where((t >= t0) & (t <= t1), t - t0, 0.0))


def recirculation(run: BenchRun, rng: Rng) -> BenchRun:
    """Thrust falls by 6 to 12 %, torque by a third of that, with a time constant of 15 to 40 s, from each hold on."""
    share, tau = float(rng.uniform(0.06, 0.12)), float(rng.uniform(15.0, 40.0))
    values = run.stream.values.copy()
    for a, b in _holds(run):
        since = run.stream.time_s[a:b] - run.stream.time_s[a]
        values[a:b, run.column(Role.THRUST)] *= 1.0 - share * (1.0 - np.exp(-since / tau))
        values[a:b, run.column(Role.TORQUE)] *= 1.0 - share / 3.0 * (1.0 - np.exp(-since / tau))
    return run.with_values(values)


def wind(run: BenchRun, rng: Rng) -> BenchRun:
    """Gusts of 2 to 5 % of the thrust (standard deviation) that last 2 to 4 s."""
    from scipy.signal import lfilter

    size, tau = float(rng.uniform(0.02, 0.05)), float(rng.uniform(2.0, 4.0))
    interval = float(run.stream.time_s[1] - run.stream.time_s[0])
    keep = math.exp(-interval / tau)
    gust = lfilter([size * math.sqrt(1.0 - keep**2)], [1.0, -keep], rng.standard_normal(len(run.stream)))
    return _change(run, "thrust", lambda t, x: x * (1.0 + gust))


def density(run: BenchRun, rng: Rng) -> BenchRun:
    """The air probe warms by 5 to 12 K in the jet or the sun."""
    rise = float(rng.uniform(5.0, 12.0))
    moment = float(rng.uniform(0.2, 0.6)) * float(run.stream.time_s[-1])
    return _change(run, "air_temp", lambda t, x: x + rise * (1.0 - np.exp(-np.maximum(0.0, t - moment) / 10.0)))


def resonance(run: BenchRun, rng: Rng) -> BenchRun:
    """Thrust or torque rings by 5 to 20 % at once or twice the speed."""
    name = str(rng.choice(["thrust", "shaft_torque"]))
    share, multiple = float(rng.uniform(0.05, 0.2)), int(rng.integers(1, 3))
    n = run.stream.column("shaft_speed")
    values = run.stream.column(name).copy()
    for a, b in _holds(run):
        f = multiple * float(n[a:b].mean()) / 60.0
        values[a:b] *= 1.0 + share * np.sin(2.0 * np.pi * f * run.stream.time_s[a:b])
    return _change(run, name, lambda t, x: values)


def crosstalk(run: BenchRun, rng: Rng) -> BenchRun:
    """The cell shows 8 to 20 % of full scale for full torque."""
    share = float(rng.uniform(0.08, 0.2)) * float(rng.choice([-1, 1]))
    torque = run.stream.column("shaft_torque")
    return _change(run, "thrust", lambda t, x: x + share * torque / 250.0 * 1500.0)


# ------------------------------------------------------------------------------------------------ physics, calibration
def negative_loss(run: BenchRun, rng: Rng) -> BenchRun:
    """Torque or AC power 12 to 25 % high: a wrong lever, a wrong shunt."""
    share = 1.0 + float(rng.uniform(0.12, 0.25))
    return _scaled(run, [Role.TORQUE, Role.AC_POWER][int(rng.integers(2))], share)


def calibration_wrong(run: BenchRun, rng: Rng) -> BenchRun:
    """The flange has the calibration of another: half, a fifth, two or five times."""
    return _scaled(run, Role.TORQUE, float(rng.choice([0.2, 0.5, 2.0, 5.0])))


def calibration_twice(run: BenchRun, rng: Rng) -> BenchRun:
    """Amplifier and profile both scale, or neither does."""
    role = Role.TORQUE if rng.integers(2) else Role.THRUST
    curve = run.stand.channel_for(role).calibration.curve  # type: ignore[union-attr]
    assert isinstance(curve, GainOffset)
    return _scaled(run, role, curve.gain ** float(rng.choice([-1, 1])))


def expired(run: BenchRun, rng: Rng) -> BenchRun:
    name = str(rng.choice(["shaft_torque", "dc_voltage", "thrust"]))
    channel = run.stand.channels[name]
    due = run.day - timedelta(days=int(rng.integers(1, 400)))
    certificate = replace(channel.calibration.certificate, date=date(2024, 1, 2), due=due)  # type: ignore[type-var]
    calibration = replace(channel.calibration, certificate=certificate)
    changed = replace(channel, calibration=calibration)
    return replace(run, stand=replace(run.stand, channels={**run.stand.channels, name: changed}))


def hash_missing(run: BenchRun, rng: Rng) -> BenchRun:
    text = ["", "0" * 64, run.stand.inverter.firmware_sha256[:40], "unknown"][int(rng.integers(4))]
    return replace(run, stand=replace(run.stand, inverter=replace(run.stand.inverter, firmware_sha256=text)))


def hash_changed(run: BenchRun, rng: Rng) -> BenchRun:
    """Another hash: of the second run, or told by the device in the middle of this one."""
    other = "".join(rng.choice(list("0123456789abcdef"), 64).tolist())
    if rng.integers(2):
        second = replace(run.stand, inverter=replace(run.stand.inverter, firmware_sha256=other))
        return replace(run, stands=(second,))
    told = Event(float(rng.uniform(1.0, 90.0)), EventKind.NOTE, "firmware", "rack", data={"firmware_sha256": other})
    return replace(run, events=(*run.events, told))


MACHINE, PROPELLER = Wish(load=Load.MACHINE), Wish(load=Load.PROPELLER)
TARED, PLAIN = Wish(tared=True), Wish(tared=False)
FAULTS: tuple[Fault, ...] = (
    Fault("negative_loss", "torque or AC power 12 … 25 % high", negative_loss),
    Fault("zero_offset", "0.4 … 0.8 % of the range of torque or thrust", torque_zero, PLAIN),
    Fault("tare_lost", "1 … 2.5 N·m, 6 … 15 N, gone at any moment", tare_lost, TARED),
    Fault("tare_stale", "tare 2.5 … 6 h old", tare_stale, TARED),
    Fault("tare_doubled", "1 … 2.5 N·m, 6 … 15 N, taken off twice", tare_doubled, TARED),
    Fault("tare_while_turning", "tared in a hold", tare_turning, TARED),
    Fault("zero_drift", "0.2 … 0.5 % of the range over the run", zero_drift, PLAIN),
    Fault("device_offset", "0.1 … 0.6 s between two sources", device_offset),
    Fault("clock_drift", "180 … 400 ppm, arrivals jittering or in portions of 16 ms", clock_drift),
    Fault("arrival_as_time", "portions of 16, 32 or 50 ms at 200 samples/s", arrival_as_time, Wish(rate_hz=200.0)),
    Fault("time_backward", "once, 0.02 … 30 s", time_backward),
    Fault("time_repeated", "1 … 20 rows", time_repeated),
    Fault("aliased_ripple", "0.5 … 3 % of the DC current at 16 kHz", aliased_ripple),
    Fault("product_of_means", "3 … 6 % of voltage and 8 … 20 % of current at 2 … 12 Hz", product_of_means),
    Fault("window_not_whole_periods", "0.5 … 3 % at twice the electrical frequency", whole_periods),
    Fault("low_power_factor", "power factor 0.2", same, Wish(power_factor=0.2)),
    Fault("pulses_doubled", "2 % of the readings", pulses_doubled),
    Fault("pulses_missed", "2 % of the readings", pulses_missed),
    Fault("pulses_per_revolution", "1000 for 1024, 60 for 64, 8 for 10 pole pairs, …", pulses_per_revolution),
    Fault("speed_quantised", "60 pulses in a gate of 0.1 … 0.5 s", speed_quantised),
    Fault("saturated", "range 0.5 … 5 % too small", saturated),
    Fault("frozen", "6 … 25 s", frozen),
    Fault("thermocouple_open", "broken at any moment", thermocouple_open),
    Fault("thermocouple_reversed", "as is", thermocouple_reversed),
    Fault("thermocouple_type", "K read as J or N, J as K or N, soaked at 65 °C", thermocouple_type, Wish(inlet_c=65.0)),
    Fault("gate_noise", "0.4 … 2 K rms", gate_noise),
    Fault("probe_detached", "to air with 5 … 20 s in a hold with no higher load before", probe_detached),
    Fault("dropouts", "6 … 30 spells of 1 … 5 samples", dropouts),
    Fault("rows_missing", "5 … 20 bursts of 10 … 40 rows", rows_missing),
    Fault("partial_lines", "6 … 30 of 600 lines cut", partial_lines),
    Fault("damaged_lines", "one character in 6 … 30 of 600 lines", damaged_lines),
    Fault(
        "unit_factor",
        f"one of {len(FACTORS)}: 1.356, 9.81, 9.55, 1000, 4.448, 6.895 …",
        unit_factor,
        PROPELLER,
        lambda run: _told[id(run)],
    ),
    Fault("sign_convention", "torque, DC current, AC power or thrust turned round", sign_convention, PROPELLER),
    Fault("swapped_channels", "coolant in/out, DC voltage/current, torque/thrust", swapped_channels, PROPELLER),
    Fault("not_steady", "winding 8 … 20 K in a hold", not_steady),
    Fault(
        "mixed_thermal_states",
        "one set-point 15 … 40 K apart",
        mixed_states,
        Wish(load=Load.MACHINE, steps=((2140.0, 80.0), (2630.0, 80.0), (2140.0, 80.0))),
    ),
    Fault("acceleration", "7 … 9 rpm in 30 s", acceleration),
    Fault("recirculation", "thrust down by 6 … 12 %, 15 … 40 s", recirculation, PROPELLER),
    Fault("wind", "gusts of 2 … 5 %, 2 … 4 s", wind, PROPELLER),
    Fault("density_changed", "air probe 5 … 12 K up", density),
    Fault("rig_resonance", "5 … 20 % at once or twice the speed", resonance, PROPELLER),
    Fault(
        "crosstalk",
        "8 … 20 % of full scale for full torque",
        crosstalk,
        Wish(load=Load.MACHINE, steps=((1730.0, 50.0), (1730.0, 110.0))),
    ),
    Fault("calibration_wrong", "gain of the torque a half, a fifth, two or five times", calibration_wrong),
    Fault("calibration_overdue", "1 … 400 days", expired),
    Fault("calibration_twice", "torque (100) or thrust (500)", calibration_twice, PROPELLER),
    Fault("firmware_hash_missing", "empty, zeros, cut short, a word", hash_missing),
    Fault("firmware_changed", "between runs or within one", hash_changed),
)
