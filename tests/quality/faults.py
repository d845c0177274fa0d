"""The faults that the suite puts into clean runs, one for each code, each of a size that benches see.

A fault is a function of run and random numbers that gives the run with the fault in it; moment, channel and size within
the stated bounds are random. The text says the size.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from benchkit.simulate.drives import Load
from tests.quality import result_faults as r
from tests.quality import signal_faults as s
from tests.quality.runs import ANY, BenchRun, Wish
from tests.quality.tools import Rng

Inject = Callable[[BenchRun, Rng], BenchRun]


@dataclass(frozen=True)
class Fault:
    """``code`` must come at caution or error; ``names`` are texts of which the finding must hold one, where given."""

    code: str
    size: str
    inject: Inject
    wish: Wish = ANY
    says: Callable[[BenchRun], str] | None = None


MACHINE, PROPELLER = Wish(load=Load.MACHINE), Wish(load=Load.PROPELLER)
TARED, PLAIN = Wish(tared=True), Wish(tared=False)
FAULTS: tuple[Fault, ...] = (
    Fault("negative_loss", "torque or AC power 12 … 25 % high", r.negative_loss),
    Fault("zero_offset", "0.4 … 0.8 % of the range of torque or thrust", s.torque_zero, PLAIN),
    Fault("tare_lost", "1 … 2.5 N·m, 6 … 15 N, gone at any moment", s.tare_lost, TARED),
    Fault("tare_stale", "tare 2.5 … 6 h old", s.tare_stale, TARED),
    Fault("tare_doubled", "1 … 2.5 N·m, 6 … 15 N, taken off twice", s.tare_doubled, TARED),
    Fault("tare_while_turning", "tared in a hold", s.tare_turning, TARED),
    Fault("zero_drift", "0.2 … 0.5 % of the range over the run", s.zero_drift, PLAIN),
    Fault("device_offset", "0.1 … 0.6 s between two sources", s.device_offset),
    Fault("clock_drift", "180 … 400 ppm, arrivals jittering or in portions of 16 ms", s.clock_drift),
    Fault("arrival_as_time", "portions of 16, 32 or 50 ms at 200 samples/s", s.arrival_as_time, Wish(rate_hz=200.0)),
    Fault("time_backward", "once, 0.02 … 30 s", s.time_backward),
    Fault("time_repeated", "1 … 20 rows", s.time_repeated),
    Fault("aliased_ripple", "0.5 … 3 % of the DC current at 16 kHz", s.aliased_ripple),
    Fault("product_of_means", "3 … 6 % of voltage and 8 … 20 % of current at 2 … 12 Hz", s.product_of_means),
    Fault("window_not_whole_periods", "0.5 … 3 % at twice the electrical frequency", s.whole_periods),
    Fault("low_power_factor", "power factor 0.2", s.same, Wish(power_factor=0.2)),
    Fault("pulses_doubled", "2 % of the readings", s.pulses_doubled),
    Fault("pulses_missed", "2 % of the readings", s.pulses_missed),
    Fault("pulses_per_revolution", "1000 for 1024, 60 for 64, 8 for 10 pole pairs, …", s.pulses_per_revolution),
    Fault("speed_quantised", "60 pulses in a gate of 0.1 … 0.5 s", s.speed_quantised),
    Fault("saturated", "range 0.5 … 5 % too small", s.saturated),
    Fault("frozen", "6 … 25 s", s.frozen),
    Fault("thermocouple_open", "broken at any moment", s.thermocouple_open),
    Fault("thermocouple_reversed", "as is", s.thermocouple_reversed),
    Fault(
        "thermocouple_type", "K read as J or N, J as K or N, soaked at 65 °C", s.thermocouple_type, Wish(inlet_c=65.0)
    ),
    Fault("gate_noise", "0.4 … 2 K rms", s.gate_noise),
    Fault("probe_detached", "to air with 5 … 20 s in a hold with no higher load before", s.probe_detached),
    Fault("dropouts", "6 … 30 spells of 1 … 5 samples", s.dropouts),
    Fault("rows_missing", "5 … 20 bursts of 10 … 40 rows", s.rows_missing),
    Fault("partial_lines", "6 … 30 of 600 lines cut", s.partial_lines),
    Fault("damaged_lines", "one character in 6 … 30 of 600 lines", s.damaged_lines),
    Fault(
        "unit_factor",
        f"one of {len(r.FACTORS)}: 1.356, 9.81, 9.55, 1000, 4.448, 6.895 …",
        r.unit_factor,
        PROPELLER,
        lambda run: r.TOLD[id(run)],
    ),
    Fault("sign_convention", "torque, DC current, AC power or thrust turned round", r.sign_convention, PROPELLER),
    Fault("swapped_channels", "coolant in/out, DC voltage/current, torque/thrust", r.swapped_channels, PROPELLER),
    Fault("not_steady", "winding 8 … 20 K in a hold", r.not_steady),
    Fault(
        "mixed_thermal_states",
        "one set-point 15 … 40 K apart",
        r.mixed_states,
        Wish(load=Load.MACHINE, steps=((2140.0, 80.0), (2630.0, 80.0), (2140.0, 80.0))),
    ),
    Fault("acceleration", "7 … 9 rpm in 30 s", r.acceleration),
    Fault("recirculation", "thrust down by 6 … 12 %, 15 … 40 s", r.recirculation, PROPELLER),
    Fault("wind", "gusts of 2 … 5 %, 2 … 4 s", r.wind, PROPELLER),
    Fault("density_changed", "air probe 5 … 12 K up", r.density),
    Fault("rig_resonance", "5 … 20 % at once or twice the speed", r.resonance, PROPELLER),
    Fault(
        "crosstalk",
        "8 … 20 % of full scale for full torque",
        r.crosstalk,
        Wish(load=Load.MACHINE, steps=((1730.0, 50.0), (1730.0, 110.0))),
    ),
    Fault("calibration_wrong", "gain of the torque a half, a fifth, two or five times", r.calibration_wrong),
    Fault("calibration_overdue", "1 … 400 days", r.expired),
    Fault("calibration_twice", "torque (100) or thrust (500)", r.calibration_twice, PROPELLER),
    Fault("firmware_hash_missing", "empty, zeros, cut short, a word", r.hash_missing),
    Fault("firmware_changed", "between runs or within one", r.hash_changed),
)
