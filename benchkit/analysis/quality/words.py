"""Every code of a data-quality finding in words: what it sees, its usual cause, and what to do next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Detector:
    """``live`` is True where blocks of samples are enough, so that it could run while recording."""

    topic: str
    sees: str
    cause: str
    action: str
    live: bool = False


_T, _E, _S, _C, _Z, _U, _P, _F = (
    "time and rows",
    "electrical",
    "speed",
    "temperatures",
    "zero",
    "units and channels",
    "physics and steadiness",
    "calibration and firmware",
)

DETECTORS: Mapping[str, Detector] = {
    # ---- physics of results
    "negative_loss": Detector(
        _P,
        "loss below zero (efficiency above 1) by more than two standard uncertainties",
        "a zero or gain error of torque, voltage or current, or powers not taken at the same time",
        "Check the torque zero, then current and voltage against a second instrument; do not use the point.",
    ),
    "fill_values": Detector(
        _P,
        "cells of an efficiency table that no measurement can have given",
        "a table filled up where nothing was measured",
        "Drop them before any fit or average.",
    ),
    # ---- zero
    "zero_offset": Detector(
        _Z,
        "torque or thrust at rest off zero by more than its statement and bearing friction",
        "no tare, a mounting force, a warm bridge, or a brake still on",
        "Release the shaft, tare, and take the run again; a run with a rest before and after can be corrected by hand.",
        live=True,
    ),
    "tare_lost": Detector(
        _Z,
        "at rest the channel shows the zero it had before the tare",
        "the amplifier or the recorder was restarted and its offset is gone",
        "Tare again; add the offset that the tare event holds to the rows named here.",
        live=True,
    ),
    "tare_stale": Detector(
        _Z,
        "the last tare lies more than two hours before the point",
        "a long run, or a tare in the morning for a point in the afternoon",
        "Stop, let the shaft rest and tare; compare both zeros.",
        live=True,
    ),
    "tare_doubled": Detector(
        _Z,
        "at rest the channel shows the old zero turned round",
        "instrument and recorder both take the offset off",
        "Switch one of the two tares off; add the offset once to the rows named here.",
        live=True,
    ),
    "tare_while_turning": Detector(
        _Z,
        "the shaft turned while the tare was taken",
        "tare pressed on a coasting or loaded shaft",
        "Do not use torque and thrust of the rows after it; tare at rest.",
        live=True,
    ),
    "zero_drift": Detector(
        _Z,
        "the zero after running differs from that before",
        "the bridge warmed up, or a cable or flange moved",
        "Let it warm up before the tare; give the torque an uncertainty of half the drift at least.",
    ),
    # ---- time and rows
    "device_offset": Detector(
        _T,
        "two sources show one movement at different times (cross-correlation)",
        "a filter or a buffer in one instrument, or clocks that were laid apart",
        "Measure it on a common edge (benchkit offset) and compare steady points only until then.",
    ),
    "clock_drift": Detector(
        _T,
        "clock of the device against the host, more than 100 ppm",
        "a ceramic or RC oscillator in the instrument, or a wrong clock setting",
        "Sample times follow the host already; do not trust frequencies and speeds timed by that clock.",
        live=True,
    ),
    "arrival_as_time": Detector(
        _T,
        "sample times in bunches",
        "no device clock: the USB adapter hands over bytes every 16 ms",
        "Send a device clock or a counter; use means only, no dynamics.",
        live=True,
    ),
    "time_backward": Detector(
        _T,
        "sample time goes back",
        "device clock set or wrapped, or two files put together",
        "Cut the run there; declare the wrap of the clock.",
        live=True,
    ),
    "time_repeated": Detector(
        _T,
        "one sample time twice",
        "rows sent twice, or a clock coarser than the rate",
        "Look at the counter; use a finer clock.",
        live=True,
    ),
    "dropouts": Detector(
        _T,
        "short spells without a value, or of exact zero, between values far from zero",
        "a loose contact or plug",
        "Shake the cable at rest and watch; exchange it before the next run.",
        live=True,
    ),
    "rows_missing": Detector(
        _T,
        "the counter jumps",
        "a link too slow or a computer too busy",
        "Lower the rate or raise the baud rate.",
        live=True,
    ),
    "rows_repeated": Detector(
        _T, "the counter stands still", "rows sent twice", "Look at the firmware of the instrument.", live=True
    ),
    "time_gap": Detector(
        _T, "intervals five times the usual", "a lost or slow link", "Look at the events of the source.", live=True
    ),
    "not_measured": Detector(
        _T,
        "samples without a value",
        "a sensor off, or out of the range of its curve",
        "Look at the sensor and its curve.",
        live=True,
    ),
    "no_samples": Detector(_T, "an empty stream", "the source never answered", "Look at port, baud rate and columns."),
    "partial_lines": Detector(
        _T,
        "refused lines that are cut or run into each other",
        "bytes lost: overrun, baud rate, or a cable that came out",
        "Check baud rate and flow control; shorten the line.",
        live=True,
    ),
    "damaged_lines": Detector(
        _T,
        "refused lines with wrong check value or characters (also of imported files)",
        "interference on the line, or a file edited or damaged on its way",
        "Screen and earth the cable; fetch the file again and compare its hash.",
        live=True,
    ),
    "saturated": Detector(
        _T,
        "samples rest on an end of the range",
        "range too small, or an amplifier at its stop",
        "Take a larger range; the means are too small.",
        live=True,
    ),
    "out_of_range": Detector(
        _T,
        "samples outside the range of the channel",
        "spikes, a wrong range or unit in the profile",
        "Look at the samples; correct range or unit.",
        live=True,
    ),
    "frozen": Detector(
        _T,
        "one value repeated that changes elsewhere",
        "the instrument hangs, or its last value is repeated",
        "Restart it; drop the rows named here.",
        live=True,
    ),
    # ---- electrical
    "aliased_ripple": Detector(
        _E,
        "a narrow line in an electrical channel that rotation does not explain",
        "ripple of the switching frequency, folded down: no filter before sampling",
        "Put a low-pass before the converter, or average in the instrument over whole switching periods.",
    ),
    "product_of_means": Detector(
        _E,
        "mean of u·i differs from the product of means by more than the uncertainty of the power",
        "voltage and current ripple together (soft supply, load in rhythm)",
        "Have the instrument form the mean of u·i, or sample both at once and fast.",
    ),
    "window_not_whole_periods": Detector(
        _E,
        "a line at a multiple of the electrical frequency, folded",
        "the instrument averages over a window that cuts an electrical period",
        "Synchronise its window to the electrical frequency, or make it long.",
    ),
    "low_power_factor": Detector(
        _E,
        "active below 0.3 of apparent power",
        "no load, field weakening, or a phase voltage and current of different phases",
        "Take the loss from the DC side; check the phase order of the power analyser.",
        live=True,
    ),
    # ---- speed
    "pulses_doubled": Detector(
        _S,
        "single readings of twice the speed",
        "an edge seen twice: noise, no hysteresis",
        "Raise the hysteresis, screen the cable, set the sensor closer.",
        live=True,
    ),
    "pulses_missed": Detector(
        _S,
        "single readings of half the speed",
        "an edge missed: sensor too far, a worn mark",
        "Set the sensor closer, clean the wheel.",
        live=True,
    ),
    "pulses_per_revolution": Detector(
        _S,
        "speed against electrical frequency over pole pairs, more than 0.5 % apart",
        "wrong pulses per revolution in the counter, or wrong pole pairs on the nameplate",
        "Count the marks; check the pole pairs by turning once and counting periods.",
        live=True,
    ),
    "speed_quantised": Detector(
        _S,
        "few speeds, far apart, in a steady point",
        "few pulses in a short gate",
        "Measure periods, not pulses; more marks or a longer gate.",
        live=True,
    ),
    # ---- temperatures
    "thermocouple_open": Detector(
        _C,
        "a temperature at the end of its range, or without a value, for two seconds",
        "a broken wire or a plug out",
        "Measure its resistance; do not run on that limit.",
        live=True,
    ),
    "thermocouple_reversed": Detector(
        _C,
        "a temperature below both coolant and air by 5 K",
        "plus and minus exchanged",
        "Exchange the wires; twice crossed in one cable reads right only by chance.",
        live=True,
    ),
    "thermocouple_type": Detector(
        _C,
        "soaked at rest, a temperature differs from the others by the ratio of two types",
        "input or extension cable of another thermocouple type",
        "Compare the colour of the wire with the setting of the input.",
    ),
    "gate_noise": Detector(
        _C,
        "scatter of a temperature three times that at rest",
        "pick-up of the switching edges, an earthed tip",
        "Screen and twist, an insulated tip, a filter at the input; do not shorten the delay of its limit.",
        live=True,
    ),
    "probe_detached": Detector(
        _C,
        "a part gets colder fast at a load as high as before",
        "the probe came off the part",
        "Stop: the limit on that channel protects nothing. Fix the probe.",
        live=True,
    ),
    # ---- units, signs, places
    "unit_factor": Detector(
        _U,
        "two ways to one quantity differ by a factor from the list of usual unit mistakes",
        "a unit in the profile that is not that of the instrument",
        "Correct the unit in the profile; the raw numbers in the run stay right.",
    ),
    "sign_convention": Detector(
        _U,
        "powers that disagree about their direction",
        "a current clamp turned round, or a sensor that counts the other way",
        "Turn it, or give the calibration a negative gain. Motoring is positive.",
        live=True,
    ),
    "swapped_channels": Detector(
        _U,
        "two channels are right only in each other's place",
        "plugs or columns exchanged",
        "Exchange them; touch one sensor and see which number moves.",
        live=True,
    ),
    # ---- steadiness
    "not_steady": Detector(
        _P,
        "the winding moves by more than 5 K within a point",
        "the point was taken while heating up",
        "Wait longer, or state the efficiency with its temperature.",
        live=True,
    ),
    "mixed_thermal_states": Detector(
        _P,
        "one set-point twice with windings 12 K apart",
        "points taken cold and warm in one map",
        "Repeat them at one temperature; keep the sets apart.",
    ),
    "acceleration": Detector(
        _P,
        "speed drifts within a point",
        "not settled: inertia takes or gives torque",
        "Wait for the speed, or take the power of inertia off.",
        live=True,
    ),
    "recirculation": Detector(
        _P,
        "thrust falls by 2 % at one speed within a point",
        "the jet comes back through the disc in a closed hall",
        "Open the hall, shorten the point, wait between points.",
    ),
    "wind": Detector(
        _P,
        "thrust over speed squared wanders by more than 1 % from second to second",
        "gusts, open gates, people in the inflow",
        "Wait for calm air, average longer, state the scatter.",
        live=True,
    ),
    "density_changed": Detector(
        _P,
        "air density changes by more than 1 % within the run",
        "an air probe in the sun or the warm jet, or a drifting barometer",
        "Shade and move the probe; compare with a second barometer.",
        live=True,
    ),
    "air_out_of_range": Detector(_P, "air outside CIPM-2007", "a hot or high hall", "Use a wider formula, and say so."),
    "figure_of_merit_above_one": Detector(
        _P,
        "figure of merit above 1",
        "thrust, torque, diameter or density wrong",
        "Check the units of thrust and torque.",
    ),
    "rig_resonance": Detector(
        _P,
        "thrust or torque rings at a multiple of the speed or a fixed frequency",
        "a resonance of the cradle, or unbalance",
        "Leave that speed out, stiffen or damp the rig, balance the propeller.",
        live=True,
    ),
    "crosstalk": Detector(
        _P,
        "at one speed the thrust follows the torque",
        "the cell hears the torque: misaligned flexures",
        "Calibrate the thrust with torque applied, and correct by the matrix.",
    ),
    "no_steady_point": Detector(
        _P, "nothing was steady", "ramps only, or bands too narrow", "Hold set-points longer; look at the bands."
    ),
    # ---- calibration, firmware
    "calibration_wrong": Detector(
        _F,
        "two ways to one quantity differ by a factor that no unit explains",
        "the calibration of another sensor",
        "Compare serial number and certificate; apply a known load.",
    ),
    "calibration_twice": Detector(
        _F,
        "a channel is off by just its own calibration",
        "instrument and profile both scale, or neither",
        "Set one of the two to 1.",
    ),
    "calibration_overdue": Detector(
        _F,
        "the certificate was due before the run",
        "an expired calibration",
        "Calibrate and compare before and after; widen the uncertainty until then.",
        live=True,
    ),
    "calibration_after_run": Detector(
        _F,
        "the certificate is younger than the run",
        "profile of another day",
        "Use the profile of the day.",
        live=True,
    ),
    "no_certificate": Detector(
        _F, "no certificate", "never calibrated", "Calibrate it (benchkit calibrate).", live=True
    ),
    "firmware_hash_missing": Detector(
        _F, "no SHA-256 of the firmware", "left out of the profile", "Write it down before the run.", live=True
    ),
    "firmware_changed": Detector(
        _F,
        "one revision with two hashes, or a device that tells another one",
        "firmware was flashed in between, or the profile is old",
        "Do not compare these runs; flash, read back and run again.",
        live=True,
    ),
}
