"""A run of the simulated stand, from its bytes to the results, against the closed-form answer of its physics."""

from __future__ import annotations

import ast
import inspect
from datetime import date

import numpy as np
import pytest

from benchkit.analysis import pipeline
from benchkit.analysis.pipeline import analyse
from benchkit.analysis.uncertainty import interval
from benchkit.decode.channel_map import ChannelMap
from benchkit.decode.text import TextDecoder
from benchkit.model.events import Event, EventKind
from benchkit.model.samples import Rows
from benchkit.model.stream import Stream
from benchkit.profiles import load_stand, shared_path
from benchkit.simulate.device import Device
from benchkit.simulate.drives import Load, drive_of
from benchkit.simulate.truth import truth_at

RATE = 10.0


def run(profile, load, steps, seed):
    """Commands with the seconds they are held -> stand, stream, events, temperatures row by row, device."""
    stand = load_stand(shared_path("stands", profile)).stand
    device = Device(stand, load, seed, 1.0 / RATE)
    source = next(iter(stand.sources.values()))
    decoder = TextDecoder(source.format)
    blocks, events, temps, n = [], [], [], 0
    for commands, seconds in steps:
        for command in commands:
            assert b"refused" not in device.receive(command.encode() + b"\n")
            events.append(Event((n + 0.5) / RATE, EventKind.SET_POINT, command))
        for _ in range(round(seconds * RATE)):
            n += 1
            decoder.feed(device.tick(), round(n / RATE * 1e9))
            t = device.plant.temps
            temps.append((t.winding_c, t.magnet_c, t.junction_c))
        while (event := decoder.next_event()) is not None:
            assert isinstance(event, Rows)
            blocks.append(event)
    raw = np.concatenate([b.values for b in blocks])
    device_time = np.concatenate([b.device_time_s for b in blocks])
    channels = stand.channels_of(source.name)
    stream = Stream(
        source=source.name,
        channels=tuple(c.name for c in channels),
        units=tuple(c.unit for c in channels),
        time_s=device_time - device_time[0],
        arrival_s=np.concatenate([b.arrival_ns for b in blocks]) * 1e-9,
        device_time_s=device_time,
        counter=np.concatenate([b.counter for b in blocks]),
        values=ChannelMap(channels, decoder.columns).calibrate(raw),
    )
    return stand, stream, events, np.array(temps), device


SET_POINTS = [(n, T) for n in (1200, 2200, 3200) for T in (20, 60, 100, 130)]


@pytest.fixture(scope="module")
def map_run():
    steps = [((f"set speed {n}", f"set torque {T}"), 17) for n, T in SET_POINTS]
    return run("airboat_map.toml", Load.MACHINE, [*steps, (("set speed 2500", "set torque 120"), 500)], seed=3)


@pytest.fixture(scope="module")
def map_result(map_run):
    stand, stream, events, _, _ = map_run
    return analyse(stand, stream, events, run_date=date(2026, 6, 1))


class TestMapRun:
    def test_every_set_point_is_a_point(self, map_run, map_result):
        stand, stream, _, _, _ = map_run
        result = map_result
        found = [(b.speed_rpm.value, b.torque_nm.value) for b in result.balances]
        expected = [*SET_POINTS, (2500, 120)]
        assert len(found) == len(expected)
        np.testing.assert_allclose([n for n, _ in found], [n for n, _ in expected], atol=2.0)
        np.testing.assert_allclose([T for _, T in found], [T for _, T in expected], atol=0.5)
        without = analyse(stand, stream)
        assert len(without.points) == len(expected)

    def test_efficiencies_against_the_truth(self, map_run, map_result):
        stand, _, _, temps, _ = map_run
        drive = drive_of(stand)
        for b in map_result.balances:
            rows = slice(b.point.row_start, b.point.row_stop)
            winding, magnet, junction = temps[rows].mean(axis=0)
            truth = truth_at(
                drive,
                b.speed_rpm.value,
                b.torque_nm.value,
                winding_c=winding,
                magnet_c=magnet,
                junction_c=junction,
            )
            for ours, theirs in (
                (b.drive_efficiency, truth.drive_efficiency),
                (b.motor_efficiency, truth.motor_efficiency),
                (b.inverter_efficiency, truth.inverter_efficiency),
                (b.drive_loss_w, truth.drive_loss_w),
            ):
                # one run has one set of calibration errors, so points err together: 3.3 u is 0.1 %
                low, high = interval(ours, 0.999)
                assert low <= theirs <= high

    def test_every_point_has_a_heat_balance_and_the_settled_one_closes(self, map_run, map_result):
        device, result = map_run[-1], map_result
        assert [row.point for row in result.heat_balances] == list(result.points)
        last = result.heat_balances[-1]  # ... but for the slow heating that its 500 s are too short for
        low, high = interval(last.residual_w, 0.999)
        assert low <= device.plant.state.air_heat_w <= high + 0.05 * last.loss_w.value
        assert "linear_uncertainty_fails" not in {f.code for f in result.findings}

    def test_map_against_the_truth(self, map_run, map_result):
        stand, _, _, temps, _ = map_run
        result = map_result
        assert [m.subject for m in result.maps] == ["drive", "inverter", "motor"]
        drive, usual = drive_of(stand), temps[: round(200 * RATE)].mean(axis=0)
        found = result.maps[0]
        z = []
        for i in range(4, 40, 8):
            for j in range(4, 40, 8):
                truth = truth_at(
                    drive,
                    found.speed_rpm[j],
                    found.torque_nm[i],
                    winding_c=usual[0],
                    magnet_c=usual[1],
                    junction_c=usual[2],
                )
                z.append((found.efficiency[i][j] - truth.drive_efficiency) / found.u_efficiency[i][j])
        assert np.isfinite(z).all()
        assert np.max(np.abs(z)) < 3.3

    def test_heat_run_ends_where_the_plant_ends(self, map_run, map_result):
        device, result = map_run[-1], map_result
        fits = {f.channel: f for f in result.heating}
        winding = fits["winding_temp"]
        assert winding.time_start_s > 17 * len(SET_POINTS) - 1
        # let the plant itself go on for an hour at the same load
        for _ in range(7200):
            device.plant.step(0.5)
        assert winding.final_c.value == pytest.approx(device.plant.temps.winding_c, abs=4 * winding.final_c.u)
        assert {r.channel for r in result.ratings} >= {"winding_temp"}

    def test_clean_run_has_no_errors(self, map_run, map_result):
        stand, stream, events, _, _ = map_run
        result = map_result
        assert [f for f in result.findings if f.severity == "error"] == []
        assert "calibration_overdue" not in {f.code for f in result.findings}
        late = analyse(stand, stream, events, run_date=date(2028, 6, 1))
        assert "calibration_overdue" in {f.code for f in late.findings}


@pytest.fixture(scope="module")
def propeller_run():
    steps = [((f"set speed {n}",), 18) for n in (1400, 2000, 2600, 3000)]
    stand, stream, events, _, device = run("airboat.toml", Load.PROPELLER, steps, seed=9)
    return analyse(stand, stream, events), device


class TestPropellerRun:
    def test_coefficients_against_the_truth(self, propeller_run):
        result, device = propeller_run
        assert len(result.thrust) == 4
        true = device.plant.propeller
        for row in result.thrust:
            for ours, theirs in ((row.ct, true.ct), (row.cp, true.cp)):
                low, high = interval(ours, 0.999)
                assert low <= theirs <= high

    def test_a_propeller_curve_makes_no_map(self, propeller_run):
        result, _ = propeller_run
        assert result.maps == ()
        assert [f.code for f in result.findings if f.code == "no_efficiency_map"] == ["no_efficiency_map"]


class TestOddStreams:
    def test_nothing_at_all(self, stand, stream_of):
        result = analyse(stand, stream_of(np.empty(0), {}))
        assert result.points == ()
        assert {f.code for f in result.findings} >= {"no_samples", "no_steady_point"}

    def test_all_missing(self, stand, stream_of):
        t = np.arange(0.0, 60.0, 0.1)
        names = [c.name for c in stand.channels_of("rack")]
        result = analyse(stand, stream_of(t, dict.fromkeys(names, np.nan)))
        assert result.points == ()
        assert {f.severity for f in result.findings if f.code == "not_measured"} == {"error"}

    def test_one_channel_missing_loses_only_what_needs_it(self, stand, stream_of):
        t = np.arange(0.0, 40.0, 0.1)
        rng = np.random.default_rng(0)
        columns = {
            "shaft_speed": 2000.0 + rng.standard_normal(t.size),
            "shaft_torque": 50.0 + 0.1 * rng.standard_normal(t.size),
            "dc_voltage": 400.0 + 0.1 * rng.standard_normal(t.size),
            "dc_current": np.full(t.size, np.nan),
            "ac_power": 10800.0 + rng.standard_normal(t.size),
        }
        (balance,) = analyse(stand, stream_of(t, columns)).balances
        assert balance.motor_efficiency.is_measured
        assert not balance.drive_efficiency.is_measured
        assert not balance.dc_power_w.is_measured


def test_the_pipeline_has_no_algorithm_of_its_own():
    tree = list(ast.walk(ast.parse(inspect.getsource(pipeline))))
    imported = {node.module for node in tree if isinstance(node, ast.ImportFrom)}
    assert not any(name.startswith(("numpy", "scipy")) for name in imported)
    operators = [node.op for node in tree if isinstance(node, ast.BinOp)]
    assert all(isinstance(op, ast.BitOr) for op in operators)  # only in ``date | None``
