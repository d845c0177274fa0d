"""Each flag is raised by its fault, and a clean run raises none."""

from __future__ import annotations

import dataclasses
import math
from datetime import date

import numpy as np
import pytest

from benchkit.analysis.power import power_balance
from benchkit.analysis.propeller import static_thrust
from benchkit.analysis.quality import (
    check_acceleration,
    check_air,
    check_balance,
    check_calibrations,
    check_results,
    check_stream,
    check_thrust,
)
from benchkit.model.results import Estimate, OperatingPoint

T = np.arange(0.0, 60.0, 0.05)


def clean(seed=0):
    rng = np.random.default_rng(seed)
    return {
        "shaft_speed": 2000.0 + rng.standard_normal(T.size),
        "shaft_torque": 50.0 + 0.2 * rng.standard_normal(T.size),
        "phase_u_current": 0.3 * rng.standard_normal(T.size),  # standstill scatters round zero, below the range too
    }


def codes(findings):
    return {f.code for f in findings}


def test_clean_is_clean(stand, stream_of):
    assert check_stream(stand, stream_of(T, clean())) == ()


def test_no_samples(stand, stream_of):
    assert codes(check_stream(stand, stream_of(T[:0], {}))) == {"no_samples"}


def test_time(stand, stream_of):
    back, twice = T.copy(), T.copy()
    back[500:] -= 10.0
    twice[7] = twice[6]
    (finding,) = check_stream(stand, stream_of(T, clean(), time_s=back))
    assert (finding.code, finding.severity, finding.row_start) == ("time_backward", "error", 499)
    (finding,) = check_stream(stand, stream_of(T, clean(), time_s=twice))
    assert (finding.code, finding.row_start, finding.row_stop) == ("time_repeated", 6, 8)


def test_counter(stand, stream_of):
    counter = (np.arange(T.size) + 65000) % 65536  # runs over the modulus without a gap
    assert check_stream(stand, stream_of(T, clean(), counter=counter)) == ()
    lost = np.arange(T.size)
    lost[300:] += 4
    (finding,) = check_stream(stand, stream_of(T, clean(), counter=lost))
    assert finding.code == "rows_missing"
    assert finding.message.startswith("4 rows are missing (0.33%), in one place")
    twice = np.arange(T.size)
    twice[300:] -= 1
    assert codes(check_stream(stand, stream_of(T, clean(), counter=twice))) == {"rows_repeated"}


def test_gap_without_a_counter(stand, stream_of):
    t = np.where(T > 30.0, T + 5.0, T)
    (finding,) = check_stream(stand, stream_of(t, clean(), counter=np.full(T.size, -1)))
    assert finding.code == "time_gap"
    assert "the longest 5.05 s" in finding.message


@pytest.mark.parametrize(("count", "severity"), [(6, "note"), (100, "caution"), (600, "error")])
def test_missing_samples(stand, stream_of, count, severity):
    columns = clean()
    columns["shaft_torque"][100 : 100 + count] = np.nan
    found = [f for f in check_stream(stand, stream_of(T, columns)) if f.code == "not_measured"]
    assert [(f.severity, f.channel, f.row_start, f.row_stop) for f in found] == [
        (severity, "shaft_torque", 100, 100 + count)
    ]


def test_range_and_saturation(stand, stream_of):
    columns = clean()
    columns["shaft_torque"][10] = 400.0
    columns["shaft_speed"][200:260] = 5000.0
    found = {f.code: f for f in check_stream(stand, stream_of(T, columns))}
    assert set(found) == {"out_of_range", "saturated"}
    assert "worst 400 N·m" in found["out_of_range"].message
    assert (found["saturated"].channel, found["saturated"].row_start) == ("shaft_speed", 200)


def test_frozen(stand, stream_of):
    columns = clean()
    columns["shaft_torque"][400:700] = columns["shaft_torque"][400]
    (finding,) = check_stream(stand, stream_of(T, columns))
    assert (finding.code, finding.channel) == ("frozen", "shaft_torque")
    assert (finding.row_start, finding.row_stop) == (400, 700)
    # a slow channel in coarse steps is not frozen
    columns = clean() | {"air_pressure": np.round(1013.0 + 0.02 * np.arange(T.size) / 60.0, 1) * 100.0}
    assert check_stream(stand, stream_of(T, columns)) == ()


def test_calibration_dates(stand):
    name = "shaft_torque"
    certificate = stand.channels[name].calibration.certificate
    assert check_calibrations(stand, certificate.due, [name]) == ()
    late = date.fromordinal(certificate.due.toordinal() + 1)
    assert codes(check_calibrations(stand, late, [name])) == {"calibration_overdue"}
    early = date.fromordinal(certificate.date.toordinal() - 1)
    assert codes(check_calibrations(stand, early, [name])) == {"calibration_after_run"}
    assert codes(check_calibrations(stand, certificate.due, ["d_current", "nobody"])) == {"no_certificate"}


def point(**changes):
    values = {
        "dc_voltage": (400.0, 0.12, "V"),
        "dc_current": (100.0, 0.07, "A"),
        "ac_power": (39200.0, 20.0, "W"),
        "shaft_speed": (3000.0, 0.2, "rpm"),
        "shaft_torque": (120.0, 0.07, "N·m"),
        "thrust": (820.0, 1.0, "N"),
        "air_temp": (22.0, 0.2, "°C"),
        "air_pressure": (100200.0, 30.0, "Pa"),
        "air_humidity": (0.5, 0.02, "1"),
    } | changes
    return OperatingPoint(0, "rack", 0, T.size, 0.0, 60.0, {k: Estimate(*v) for k, v in values.items()})


def test_impossible_losses(stand):
    assert check_balance(power_balance(stand, point())) == []
    (finding,) = check_balance(power_balance(stand, point(ac_power=(40500.0, 20.0, "W"))))
    assert (finding.code, finding.severity) == ("negative_loss", "error")
    assert "efficiency 1.0125" in finding.message
    (finding,) = check_balance(power_balance(stand, point(ac_power=(40010.0, 20.0, "W"))))
    assert (finding.code, finding.severity) == ("loss_not_resolved", "note")


def test_impossible_merit(stand):
    assert check_thrust(static_thrust(stand, point())) == []
    (finding,) = check_thrust(static_thrust(stand, point(thrust=(1800.0, 1.0, "N"))))
    assert (finding.code, finding.severity) == ("figure_of_merit_above_one", "error")


def test_air_range(stand):
    assert check_air(stand, point()) == []
    assert codes(check_air(stand, point(air_temp=(31.0, 0.2, "°C")))) == {"air_out_of_range"}
    assert check_air(stand, point(air_temp=(math.nan, math.nan, "°C"))) == []


def test_acceleration(stand, stream_of):
    columns = clean()
    assert check_acceleration(stand, stream_of(T, columns), point()) == []
    columns["shaft_speed"] = columns["shaft_speed"] + 0.15 * T
    (finding,) = check_acceleration(stand, stream_of(T, columns), point())
    assert finding.code == "acceleration"
    assert "+0.15 rpm/s" in finding.message


def test_no_point_is_said(stand, stream_of):
    assert codes(check_results(stand, stream_of(T, clean()), (), (), ())) == {"no_steady_point"}


def test_unknown_channels_are_left_alone(stand, stream_of):
    stream = stream_of(T, clean())
    renamed = dataclasses.replace(stream, source="other", channels=tuple("x" + c for c in stream.channels))
    assert check_stream(stand, renamed) == ()
