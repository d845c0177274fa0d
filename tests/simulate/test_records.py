"""Records in memory: the truth inside the stated accuracy as often as it should be, the same bytes as rows."""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.decode.channel_map import ChannelMap
from benchkit.decode.text import TextDecoder
from benchkit.errors import UsageError
from benchkit.model.samples import Rows
from benchkit.model.sources import text_format_of
from benchkit.model.stand import Stand
from benchkit.simulate.device import Device
from benchkit.simulate.drives import Load
from benchkit.simulate.records import HeatingTruth, heating_record, record_bytes, steady_record

SEEDS = 400
# 95 % coverage in 400 points: standard deviation √(0.95·0.05/400) = 1.1 %, so 93 to 97 % is about two of them.


def calibrated(stand: Stand, rows: Rows) -> dict[str, np.ndarray]:
    channels = stand.channels_of("rack")
    table = ChannelMap(channels, text_format_of(stand.sources["rack"]).value_columns).calibrate(rows.values)
    return {c.name: table[:, k] for k, c in enumerate(channels)}


def relative_u(stand: Stand, name: str, value: float) -> float:
    return stand.channels[name].calibration.accuracy.standard_uncertainty(value) / value


def test_truth_of_the_efficiency_is_inside_its_accuracy(stand: Stand) -> None:
    inside = 0
    for seed in range(SEEDS):
        rows, truth = steady_record(stand, Load.MACHINE, 2500.0, 90.0, seconds=10.0, rate_hz=20.0, seed=seed)
        mean = {name: float(v.mean()) for name, v in calibrated(stand, rows).items()}
        names = ("shaft_torque", "shaft_speed", "dc_voltage", "dc_current")
        measured = mean["shaft_torque"] * mean["shaft_speed"] * np.pi / 30.0
        measured /= mean["dc_voltage"] * mean["dc_current"]
        u = measured * np.sqrt(sum(relative_u(stand, n, mean[n]) ** 2 for n in names))
        inside += abs(measured - truth.drive_efficiency) <= 1.96 * u
    assert 0.93 <= inside / SEEDS <= 0.97


def test_truth_of_ct_is_inside_its_accuracy(stand: Stand) -> None:
    from benchkit.analysis.air import moist_air_density

    assert stand.propeller is not None
    inside = 0
    for seed in range(SEEDS):
        rows, truth = steady_record(stand, Load.PROPELLER, 2800.0, 0.0, seconds=10.0, rate_hz=20.0, seed=seed)
        mean = {name: float(v.mean()) for name, v in calibrated(stand, rows).items()}
        rho = float(moist_air_density(mean["air_temp"], mean["air_pressure"], mean["air_humidity"]))
        n = mean["shaft_speed"] / 60.0
        ct = mean["thrust"] / (rho * n**2 * 1.30**4)
        # u(CT)² = u(T)² + u(ρ)² + (2u(n))² + (4u(D))², relative; of the density pressure, temperature, humidity
        u_rho = np.hypot(30.0 / 100_850.0, 0.2 / 294.65)
        u_rho = np.hypot(u_rho, 0.02 * 0.0088)  # dry 1.204 to saturated 1.194 kg/m³ at 20 °C: 0.88 % per unit
        u = ct * np.sqrt(
            relative_u(stand, "thrust", mean["thrust"]) ** 2
            + u_rho**2
            + (2.0 * relative_u(stand, "shaft_speed", mean["shaft_speed"])) ** 2
            + (4.0 * stand.propeller.u_diameter_m / 1.30) ** 2
        )
        inside += abs(ct - truth.ct) <= 1.96 * u
    assert 0.93 <= inside / SEEDS <= 0.97


def test_a_record_says_what_the_live_device_says(stand: Stand) -> None:
    """Two ways to one point: means of the settled device and of the record agree within noise (same seed)."""
    device = Device(stand, Load.PROPELLER, 21, 0.05)
    device.receive(b"set speed 2600\n")
    for _ in range(30_000):
        device.plant.step(0.05)
    decoder = TextDecoder(stand.sources["rack"].format)
    decoder.feed(b"".join(device.tick() for _ in range(4000)), 0)
    live = decoder.next_event()
    assert isinstance(live, Rows)
    record, _ = steady_record(stand, Load.PROPELLER, 2600.0, 0.0, seconds=200.0, rate_hz=20.0, seed=21)
    # Temperatures of a record have a drift of up to 0.5 K, and the noise of 4000 rows is small against this.
    a, b = calibrated(stand, live), calibrated(stand, record)
    for name in a:
        size = max(1.0, abs(float(a[name].mean())))
        absolute = 0.6 if name.endswith("_temp") else 1e-3 * size + 0.01
        assert a[name].mean() == pytest.approx(b[name].mean(), abs=absolute), name
    for name in ("dc_current", "thrust", "shaft_torque", "winding_temp"):
        tolerance = 0.15 if name != "winding_temp" else 2.0
        assert a[name].std() == pytest.approx(b[name].std(), rel=tolerance), name


def test_bytes_and_rows_are_the_same_record(stand: Stand) -> None:
    rows, _ = steady_record(stand, Load.PROPELLER, 2000.0, 0.0, seconds=2.0, rate_hz=1000.0, seed=4)
    decoder = TextDecoder(stand.sources["rack"].format)
    decoder.feed(record_bytes(stand, rows, seed=4), 0)
    back = decoder.next_event()
    assert isinstance(back, Rows)
    assert decoder.next_event() is None
    np.testing.assert_array_equal(back.values, rows.values)
    np.testing.assert_array_equal(back.counter, rows.counter)
    np.testing.assert_allclose(back.device_time_s, rows.device_time_s, rtol=1e-12)


def test_same_seed_same_record(stand: Stand) -> None:
    def make(seed: int) -> Rows:
        return steady_record(stand, Load.MACHINE, 1500.0, 60.0, seconds=1.0, rate_hz=100.0, seed=seed)[0]

    np.testing.assert_array_equal(make(5).values, make(5).values)
    assert not np.array_equal(make(5).values, make(6).values)


def test_a_heat_run_follows_its_closed_form(stand: Stand) -> None:
    truth = HeatingTruth(start_c=40.0, final_c=110.0, tau_s=120.0, reference_c=40.0)
    rows = heating_record(stand, Load.MACHINE, 2000.0, 120.0, truth=truth, seconds=600.0, rate_hz=10.0, seed=2)
    winding = calibrated(stand, rows)["winding_temp"]
    offset = float(winding[:20].mean()) - 40.5  # calibration offset of this seed; the first 2 s rise by 0.6 K
    # exact: 63.2 % of the rise at one time constant
    at_tau = float(winding[1190:1211].mean()) - offset
    assert at_tau == pytest.approx(40.0 + 70.0 * 0.6321206, abs=0.25)


def test_too_short_a_record_is_refused(stand: Stand) -> None:
    with pytest.raises(UsageError, match="two rows or more"):
        steady_record(stand, Load.MACHINE, 1000.0, 10.0, seconds=0.01, rate_hz=10.0, seed=1)
