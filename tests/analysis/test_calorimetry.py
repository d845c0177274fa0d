"""The loss as heat: balanced by hand, against the simulated stand's own books, and in a study of many runs."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchkit.analysis.calorimetry import balance, calorimetry, drift, rise_parts
from benchkit.cli.coverage_study import stream_of
from benchkit.cli.heat_study import run, study
from benchkit.errors import ProfileError, UsageError
from benchkit.model.results import OperatingPoint
from benchkit.profiles import load_stand, shared_path
from benchkit.simulate.drives import Load
from benchkit.simulate.records import Program, program_record


def test_two_independent_readings_by_hand():
    both = balance([100.0], [104.0], np.diag([4.0, 12.0]))
    # exact: weights 3/4 and 1/4, variance 3, chi² = 16/16
    assert both.values == pytest.approx([101.0])
    assert both.covariance == pytest.approx(np.array([[3.0]]))
    assert both.weights == pytest.approx(np.array([[0.75, 0.25]]))
    assert both.chi2 == pytest.approx(1.0)
    assert both.p_value == pytest.approx(math.erfc(math.sqrt(0.5)))  # exact: chi² of one degree of freedom
    assert both.z == pytest.approx([-1.0])


def test_correlated_readings_by_hand():
    # exact: with covariance c the weight of the first is (v2 - c)/(v1 + v2 - 2 c) = (9 - 3)/(4 + 9 - 6)
    both = balance([10.0], [17.0], [[4.0, 3.0], [3.0, 9.0]])
    assert both.values == pytest.approx([10.0 * 6 / 7 + 17.0 / 7])
    assert both.covariance == pytest.approx(np.array([[(4.0 * 9.0 - 9.0) / 7.0]]))
    assert both.chi2 == pytest.approx(49.0 / 7.0)


def test_a_common_error_is_seen_in_all_points_together():
    """The second way has one unknown offset, u = 10: over 20 points it is found to about 1/sqrt(20)."""
    n = 20
    V = np.diag(np.ones(2 * n))
    V[n:, n:] += 100.0
    both = balance(np.full(n, 50.0), np.full(n, 58.0), V)
    assert both.values == pytest.approx(np.full(n, 50.0), abs=0.1)
    assert both.p_value > 0.05


def test_what_two_sensors_have_in_common_drops_out():
    both, apart = rise_parts(0.1, 0.1, 0.03)
    # exact: u(c)² = 0.01 - 0.0009/4; each sensor alone has u² = u(c)² + u(d)²/4 again
    assert both**2 + apart**2 / 4 == pytest.approx(0.01)
    assert rise_parts(0.1, 0.1, None)[1] == pytest.approx(math.sqrt(0.02))
    with pytest.raises(UsageError, match="less well known than either"):
        rise_parts(0.1, 0.1, 0.5)


def test_both_together_are_better_than_either():
    found = study(12)
    for name in ("rms_error_w", "stated_u_w"):
        assert found[name]["combined"] < 0.8 * min(found[name]["electrical"], found[name]["calorimetric"])
    # what is stated is about what happens: errors are common within a run, so these are 12, not 72; the soak has 200
    for way in ("electrical", "calorimetric", "combined"):
        assert 0.5 < found["rms_error_w"][way] / found["stated_u_w"][way] < 2.0


@pytest.mark.soak
def test_both_together_in_two_hundred_runs():
    found = study(200)
    for name in ("rms_error_w", "stated_u_w"):
        assert found[name]["combined"] < min(found[name]["electrical"], found[name]["calorimetric"])
    assert all(93.0 <= share <= 97.5 for share in found["inside_percent"].values())


def test_an_error_that_nobody_states_contradicts():
    found, _ = run(3, torque_error_nm=1.0)
    assert found.p_value < 1e-3
    assert found.widened > 1.0
    assert "contradict" in found.verdict
    assert "torque zero" in found.verdict
    honest, truths = run(3)
    assert honest.widened == 1.0
    point, truth = honest.points[3], truths[3]
    assert point.calorimetric_efficiency.value == pytest.approx(truth.drive_efficiency, abs=0.01)
    assert point.combined_efficiency.u < min(point.electrical_efficiency.u, point.calorimetric_efficiency.u)
    names = {line.name for line in point.calorimetric_efficiency.budget}
    assert not any(name.startswith(("shaft_torque", "shaft_speed")) for name in names)  # no torque in it
    assert {"coolant sensors apart", "coolant_flow gain", "glycol", "coolant properties"} <= names


@pytest.fixture(scope="module")
def recorded():
    stand = load_stand(shared_path("stands", "airboat.toml")).stand
    program = Program(((1600.0, 0.0), (2400.0, 0.0), (3200.0, 0.0)), hold_s=30.0)
    return stand, stream_of(stand, program_record(stand, Load.PROPELLER, program, rate_hz=10.0, seed=4))


def point_of(stand, stream, first_s, last_s):
    from benchkit.analysis.steady import channel_means

    start, stop = (int(np.searchsorted(stream.time_s, t)) for t in (first_s, last_s))
    means = channel_means(stand, stream, start, stop)
    return OperatingPoint(0, stream.source, start, stop, first_s, last_s, means)


def test_a_recorded_run(recorded):
    stand, stream = recorded
    points = [point_of(stand, stream, 12.0 + 35.0 * k + 18.0, 12.0 + 35.0 * k + 34.0) for k in range(3)]
    (found,), findings = calorimetry(stand, stream, points)
    assert findings == ()
    assert [len(found.points), found.dof] == [3, 3]
    top = found.points[-1]
    assert top.calorimetric_w.value == pytest.approx(top.electrical_w.value, rel=0.05)
    assert top.calorimetric_w.value == top.coolant_w.value + top.air_w.value + top.stored_w.value
    assert top.air_by_difference_w.value == pytest.approx(
        top.electrical_w.value - top.coolant_w.value - top.stored_w.value
    )
    assert abs(drift(stream, points[0], "stator_temp").value) < 0.05
    assert np.isnan(drift(stream, points[0], "no_such").value)


def test_without_bodies_or_balance_nothing_is_said(recorded):
    stand, stream = recorded
    held = point_of(stand, stream, 30.0, 46.0)
    assert calorimetry(replace(stand, coolant=replace(stand.coolant, bodies=())), stream, [held]) == ((), ())
    assert calorimetry(stand, stream, [point_of(stand, stream, 1.0, 11.0)]) == ((), ())  # standstill
    still = replace(stand.coolant, bodies=tuple(replace(b, heat_j_per_k=0.0) for b in stand.coolant.bodies))
    assert calorimetry(replace(stand, coolant=still), stream, [held]) == ((), ())  # no storage, and not shown steady


def test_bodies_of_a_profile_are_checked(tmp_path):
    text = shared_path("stands", "airboat.toml").read_text(encoding="utf-8")
    text = text.replace('limits = "limits/', f'limits = "{shared_path("limits").as_posix()}/')
    path = tmp_path / "stand.toml"
    path.write_text(text.replace('channel = "stator_temp"\nair', 'channel = "shaft_speed"\nair'), encoding="utf-8")
    with pytest.raises(ProfileError, match=r"coolant.bodies.1.channel: not a temperature channel"):
        load_stand(path)
