"""The tests of static thrust on the points of a run, on simulated runs of the airboat's propeller."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchkit.analysis.pipeline import analyse
from benchkit.analysis.propeller_compare import compare_of_runs
from benchkit.analysis.quality.row_facts import gathered
from benchkit.analysis.thrust_run import thrust_tests_of
from benchkit.cli.coverage_study import stream_of
from benchkit.model.events import Event, EventKind
from benchkit.model.results import RunResult
from benchkit.model.results_thrust import ThrustTests
from benchkit.model.stand import Stand
from benchkit.model.stream import Stream
from benchkit.profiles import load_stand, shared_path
from benchkit.simulate.drives import Load
from benchkit.simulate.records import Program, program_record

SPEEDS = (1200.0, 1600.0, 2000.0, 2400.0, 2800.0, 2600.0, 1800.0)


@pytest.fixture(scope="module")
def stand() -> Stand:
    return load_stand(shared_path("stands", "airboat.toml")).stand


@pytest.fixture(scope="module")
def stream(stand: Stand) -> Stream:
    program = Program(tuple((n, 0.0) for n in SPEEDS), hold_s=22.0)
    return stream_of(stand, program_record(stand, Load.PROPELLER, program, rate_hz=25.0, seed=3))


@pytest.fixture(scope="module")
def result(stand: Stand, stream: Stream) -> RunResult:
    return analyse(stand, stream)


def with_thrust(stream: Stream, added: np.ndarray) -> Stream:
    values = stream.values.copy()
    values[:, stream.channels.index("thrust")] += added
    return replace(stream, values=values)


def checked(stand: Stand, stream: Stream, result: RunResult, events: tuple[Event, ...] = ()) -> ThrustTests:
    found = thrust_tests_of(stand, stream, events, result.thrust, gathered(stand, stream).rest)
    assert found is not None
    return found


def test_a_clean_run_shows_nothing(stand: Stand, stream: Stream, result: RunResult) -> None:
    (tests,) = result.thrust_tests
    assert [zero.channel for zero in tests.zeros] == ["thrust", "shaft_torque"]
    assert not any(zero.has_moved for zero in tests.zeros)
    assert tests.zeroed == ()
    assert len(tests.recirculation) == len(SPEEDS)
    assert not any(one.falls for one in tests.recirculation)
    assert tests.up_and_down is not None
    assert tests.up_and_down.speeds == 2  # 1600 and 2000, 2400 rpm lie within 1800 … 2600
    assert [(o.coefficient, o.is_outlier) for o in tests.outliers] == [("CT", False), ("CP", False)]
    assert not result.motor  # a propeller run has no idling points


def test_a_drifting_zero_is_measured_and_drawn_straight(stand: Stand, stream: Stream, result: RunResult) -> None:
    drift = 20.0
    drifted = with_thrust(stream, drift * stream.time_s / stream.time_s[-1])
    again = analyse(stand, drifted)
    (tests,) = again.thrust_tests
    thrust, torque = tests.zeros
    assert (thrust.has_moved, torque.has_moved) == (True, False)
    # exact: between the middles of the two rests lies nearly all of the run
    lever = 1.0 - (gathered(stand, stream).rest[0][1] / len(stream))
    assert thrust.drift.value == pytest.approx(drift * lever, abs=4.0 * thrust.drift.u + 0.3)
    for plain, zeroed in zip(result.thrust, tests.zeroed, strict=True):
        assert zeroed.thrust_n is not None
        assert zeroed.thrust_n.value == pytest.approx(plain.thrust_n.value, abs=1.5)
    assert any(
        abs(a.thrust_n.value - b.thrust_n.value) > 10.0 for a, b in zip(again.thrust, result.thrust, strict=True)
    )


def test_a_tare_between_the_rests_parts_them(stand: Stand, stream: Stream, result: RunResult) -> None:
    tare = Event(100.0, EventKind.TARE, "tared", "rack", data={"from_row": len(stream) // 2, "channels": {}})
    assert checked(stand, stream, result, (tare,)).zeros == ()


def test_an_outlier_is_named_and_stays(stand: Stand, stream: Stream, result: RunResult) -> None:
    third = result.thrust[2]
    wrong = replace(third, ct=replace(third.ct, value=1.05 * third.ct.value))
    rows = (*result.thrust[:2], wrong, *result.thrust[3:])
    tests = checked(stand, stream, replace(result, thrust=rows))
    ct, cp = tests.outliers
    assert (ct.is_outlier, ct.point.index) == (True, third.point.index)
    assert not cp.is_outlier


def test_air_that_comes_back_is_seen(stand: Stand, stream: Stream, result: RunResult) -> None:
    point = result.thrust[4].point
    column = stream.column("thrust")
    fall = np.zeros(len(stream))
    rows = slice(point.row_start, point.row_stop)
    fall[rows] = -0.04 * column[rows] * np.linspace(0.0, 1.0, point.row_stop - point.row_start)
    tests = checked(stand, with_thrust(stream, fall), result)
    assert [one.point.index for one in tests.recirculation if one.falls] == [point.index]


def test_no_points_no_tests(stand: Stand, stream: Stream) -> None:
    assert thrust_tests_of(stand, stream, (), (), gathered(stand, stream).rest) is None


def test_two_propellers_side_by_side(stand: Stand, result: RunResult) -> None:
    """The same points with 2 % more CT: seen as that where the diameters are known, in order of speed."""
    more = tuple(replace(t, ct=replace(t.ct, value=1.02 * t.ct.value)) for t in result.thrust)
    rows = compare_of_runs(stand, result.thrust, stand, more)
    ct = [row for row in rows if row.coefficient == "ct"]
    assert [row.speed_rpm for row in ct] == sorted(row.speed_rpm for row in ct)
    assert [row.relative for row in ct] == pytest.approx([0.02] * len(SPEEDS), abs=1e-3)
    assert all(row.is_significant for row in ct)
    assert not any(row.is_significant for row in rows if row.coefficient == "cp")
    # another propeller: its diameter counts; without one there is nothing to compare
    assert stand.propeller is not None
    other = replace(stand, propeller=replace(stand.propeller, id="REED-128", u_diameter_m=0.01))
    wide = [row for row in compare_of_runs(stand, result.thrust, other, more) if row.coefficient == "ct"]
    assert not any(row.is_significant for row in wide)
    assert compare_of_runs(stand, result.thrust, replace(stand, propeller=None), more) == ()


def test_excluded_points_are_not_compared(stand: Stand, result: RunResult) -> None:
    first = result.thrust[0]
    left_out = replace(first, point=replace(first.point, excluded_reason="hall gate open", excluded_by="M. Reed"))
    rows = compare_of_runs(stand, (left_out, *result.thrust[1:]), stand, result.thrust)
    assert min(row.speed_rpm for row in rows) > 1500.0
