"""Faults of signals: zero, time and rows, electrical, speed, temperatures. Each docstring says the size."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from benchkit.decode.log import log_event
from benchkit.decode.text import TextDecoder
from benchkit.model.events import Event, EventKind
from benchkit.model.samples import BadFrame, Rows
from benchkit.model.sensors import ThermocoupleType, emf_mv, temperature_from_emf
from benchkit.model.stand import Role
from benchkit.model.stream import Stream
from benchkit.simulate.records import record_bytes
from tests.quality.runs import TARE_S, BenchRun
from tests.quality.tools import PARTS, Rng, holds_of, loaded_rows, scaled, with_column


# ------------------------------------------------------------------------------------------------ zero
def torque_zero(run: BenchRun, rng: Rng) -> BenchRun:
    name, full = [("shaft_torque", 250.0), ("thrust", 1500.0)][int(rng.integers(2))]
    shift = full * float(rng.uniform(0.004, 0.008)) * float(rng.choice([-1, 1]))
    return with_column(run, name, lambda t, x: x + shift)


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
    holds = holds_of(run)
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
    return with_column(run, name, lambda t, x: x + drift * np.clip((t - 12.0) / (t[-1] - 24.0), 0.0, 1.0))


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
    a, b = holds_of(run)[0]
    gone = 0.0 if rng.integers(2) else math.nan

    def change(_t: np.ndarray, x: np.ndarray) -> np.ndarray:
        for start in rng.integers(a + 5, b - 10, int(rng.integers(6, 30))):
            x[start : start + int(rng.integers(1, 6))] = gone
        return x

    return with_column(run, name, change)


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
    level = float(np.nanmax(np.abs([np.mean(run.stream.column(name)[a:b]) for a, b in holds_of(run)])))
    high = level * float(rng.uniform(0.95, 0.995))
    channel = replace(run.stand.channels[name], high=high)
    stand = replace(run.stand, channels={**run.stand.channels, name: channel})
    return replace(with_column(run, name, lambda t, x: np.minimum(x, high)), stand=stand)


def frozen(run: BenchRun, rng: Rng) -> BenchRun:
    """One channel stands for 6 to 25 s."""
    name = str(rng.choice(["shaft_torque", "dc_current", "shaft_speed", "winding_temp", "thrust", "dc_voltage"]))
    start = int(rng.integers(100, len(run.stream) // 2))
    rows = int(float(rng.uniform(6.0, 25.0)) / float(run.stream.time_s[1] - run.stream.time_s[0]))

    def change(_t: np.ndarray, x: np.ndarray) -> np.ndarray:
        x[start : start + rows] = x[start]
        return x

    return with_column(run, name, change)


# ------------------------------------------------------------------------------------------------ electrical
def aliased_ripple(run: BenchRun, rng: Rng) -> BenchRun:
    """Ripple of 0.5 to 3 % of the DC current at 16 kHz, both clocks together 60 to 200 ppm off."""
    true = 16_000.0 * (1.0 + float(rng.uniform(60e-6, 200e-6)) * float(rng.choice([-1, 1])))
    share, phase = float(rng.uniform(0.005, 0.03)), float(rng.uniform(0.0, 6.0))
    # the sine at the true frequency, seen at the samples only
    return with_column(run, "dc_current", lambda t, x: x * (1.0 + share * np.sin(2.0 * np.pi * true * t + phase)))


def whole_periods(run: BenchRun, rng: Rng) -> BenchRun:
    """A window that cuts a period: 0.5 to 3 % at twice the electrical frequency."""
    name = str(rng.choice(["ac_power", "phase_u_current"]))
    share = float(rng.uniform(0.005, 0.03))
    f = run.stream.column("electrical_frequency")
    # the true angle of the shaft: the shown frequency without its noise
    step = np.diff(run.stream.time_s, prepend=run.stream.time_s[0])
    smooth = f.copy()
    for a, b in holds_of(run):
        smooth[a:b] = f[a:b].mean()
    angle = 2.0 * np.pi * np.cumsum(smooth * step)
    return with_column(run, name, lambda t, x: x * (1.0 + share * np.sin(2.0 * angle)))


def product_of_means(run: BenchRun, rng: Rng) -> BenchRun:
    """Soft supply and a load in rhythm: 3 to 6 % of the voltage, 8 to 20 % of the current, in phase or against it."""
    a, b = float(rng.uniform(0.03, 0.06)), float(rng.uniform(0.08, 0.2))
    wave = np.sin(2.0 * np.pi * float(rng.uniform(2.0, 12.0)) * run.stream.time_s)
    sign = float(rng.choice([-1, 1]))
    run = with_column(run, "dc_voltage", lambda t, x: x * (1.0 + a * wave))
    return with_column(run, "dc_current", lambda t, x: x * (1.0 + sign * b * wave))


def same(run: BenchRun, rng: Rng) -> BenchRun:
    """The fault is in the wish."""
    return run


# ------------------------------------------------------------------------------------------------ speed
def _spiked(run: BenchRun, rng: Rng, factor: float) -> BenchRun:
    rows = loaded_rows(run)
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
    return scaled(run, Role.SPEED, float(rng.choice([1.024, 1 / 1.024, 60 / 64, 0.8, 1.25, 59 / 60, 2.0, 0.5])))


def speed_quantised(run: BenchRun, rng: Rng) -> BenchRun:
    """60 pulses a revolution, gate 0.1 to 0.5 s: steps of 2 to 10 rpm."""
    step = 60.0 / 60.0 / float(rng.uniform(0.1, 0.5))
    return with_column(run, "shaft_speed", lambda t, x: np.round(x / step) * step)


# ------------------------------------------------------------------------------------------------ temperatures
def thermocouple_open(run: BenchRun, rng: Rng) -> BenchRun:
    """Broken from some moment on: to the top of the range, or no value."""
    name = str(rng.choice([*PARTS, "coolant_outlet_temp"]))
    level = run.stand.channels[name].high if rng.integers(2) else math.nan
    moment = float(rng.uniform(5.0, run.stream.time_s[-1] - 5.0))
    return with_column(run, name, lambda t, x: np.where(t >= moment, level, x))


def thermocouple_reversed(run: BenchRun, rng: Rng) -> BenchRun:
    name = str(rng.choice([*PARTS, "coolant_outlet_temp"]))
    terminals = float(np.median(run.stream.column("air_temp")))
    return with_column(run, name, lambda t, x: 2.0 * terminals - x)


def thermocouple_type(run: BenchRun, rng: Rng) -> BenchRun:
    """A K wire read as J or N, or J as K or N, terminals at air temperature, coolant at 65 °C."""
    name = str(rng.choice(PARTS))
    T = ThermocoupleType
    wire, read = [(T.K, T.J), (T.K, T.N), (T.J, T.K), (T.J, T.N)][int(rng.integers(4))]
    terminals = np.array([float(np.median(run.stream.column("air_temp")))])

    def change(_t: np.ndarray, x: np.ndarray) -> np.ndarray:
        emf = emf_mv(wire, x) - emf_mv(wire, terminals) + emf_mv(read, terminals)
        return temperature_from_emf(read, emf)

    return with_column(run, name, change)


def gate_noise(run: BenchRun, rng: Rng) -> BenchRun:
    """0.3 to 2 K rms while the shaft turns."""
    name = str(rng.choice(PARTS))
    size = float(rng.uniform(0.4, 2.0))
    on = run.stream.column("electrical_frequency") > 5.0
    return with_column(run, name, lambda t, x: x + size * on * rng.standard_normal(t.size))


def probe_detached(run: BenchRun, rng: Rng) -> BenchRun:
    """Off the part in the first hold, to air temperature with a time constant of 5 to 20 s."""
    name = str(rng.choice(["winding_temp", "stator_temp", "magnet_temp"]))
    a, b = holds_of(run)[0]
    row = int(rng.integers(a + (b - a) // 3, a + 2 * (b - a) // 3))
    tau = float(rng.uniform(5.0, 20.0))
    air = float(np.median(run.stream.column("air_temp")))
    t0 = float(run.stream.time_s[row])
    return with_column(
        run, name, lambda t, x: np.where(t < t0, x, air + (x - air) * np.exp(-np.maximum(0.0, t - t0) / tau))
    )
