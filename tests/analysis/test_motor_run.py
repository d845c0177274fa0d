"""Motor constants read from the points of a run: the simulated drive's own parameters within the stated intervals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchkit.analysis import motor_constants as mc
from benchkit.analysis.motor_run import motor_of_run
from benchkit.analysis.steady import fold_stream, operating_points
from benchkit.analysis.uncertainty import interval
from benchkit.model.results import Estimate
from benchkit.model.results_motor import MotorConstants
from benchkit.model.stand import Role, Stand
from benchkit.model.stream import Stream
from benchkit.simulate.drives import HERON_60
from tests.analysis.motor_runs import INERTIA, motor_run, motor_stand

POLES = HERON_60.pole_pairs


def motor_of(stand: Stand, stream: Stream) -> MotorConstants | None:
    segments = fold_stream(stand, stream)
    points = operating_points(stand, stream, segments=segments)
    return motor_of_run(stand, stream.source, stream.channels, points, segments)


def constants(found: MotorConstants | None) -> dict[str, Estimate]:
    assert found is not None
    return {one.name: one.estimate for one in found.constants}


@pytest.fixture(scope="module")
def stream() -> Stream:
    return motor_run()


@pytest.fixture(scope="module")
def found(stream: Stream) -> MotorConstants:
    result = motor_of(motor_stand(), stream)
    assert result is not None
    return result


def holds(estimate: Estimate, truth: float, times: float = 1.0) -> bool:
    """True where the 95 % interval, made wider by ``times``, holds the truth."""
    low, high = interval(estimate)
    middle, half = 0.5 * (low + high), 0.5 * times * (high - low)
    return abs(truth - middle) <= half


def test_constants_of_the_simulated_motor(found: MotorConstants) -> None:
    told = constants(found)
    assert holds(told["Flux linkage at 20 °C"], HERON_60.flux_20_wb)
    assert holds(told["Flux with magnet temperature"], HERON_60.flux_per_k)
    emf = float(mc.back_emf_constant(HERON_60.flux_20_wb, POLES))
    assert holds(told["Back-EMF constant at 20 °C, peak line to line"], emf)
    torque = float(mc.torque_constant_of_flux(HERON_60.flux_20_wb, POLES))
    assert holds(told["Torque constant at 20 °C, per peak A"], torque)
    # the iron loss of the load current is in what was taken for torque: a little beyond the scatter
    assert told["Torque constant with magnet temperature"].value == pytest.approx(HERON_60.flux_per_k, rel=0.01)
    assert holds(told["Phase resistance at 20 °C, from losses"], HERON_60.resistance_20_ohm)
    # one seed: two intervals wide is one miss in ten thousand
    assert holds(told["Inertia of all that turned"], INERTIA, times=2.0)
    assert told["Inertia of all that turned"].u < 0.01 * INERTIA


def test_iron_and_friction_come_apart_by_warm_magnets(found: MotorConstants) -> None:
    truth = {
        "dry friction": HERON_60.coulomb_nm,
        "viscous friction": HERON_60.viscous_nms,
        "windage": HERON_60.windage_nms2,
        "hysteresis": POLES * HERON_60.hysteresis_per_h * HERON_60.flux_20_wb**2,
        "eddy currents": POLES**2 * HERON_60.eddy_s_per_h * HERON_60.flux_20_wb**2,
    }
    assert {part.name for part in found.drag_parts} == set(truth)
    assert all(holds(part.coefficient, truth[part.name], times=2.0) for part in found.drag_parts)
    assert len(found.drag_points) == 14
    assert all(point.is_driven for point in found.drag_points)


def test_one_magnet_temperature_gives_sums_and_an_assumption(stream: Stream) -> None:
    half = stream.rows(0, len(stream) * 2 // 5)
    found = motor_of(motor_stand(), half)
    assert found is not None
    assert [part.name for part in found.drag_parts][2:] == ["windage"]
    assert any("usual for NdFeB" in note for note in found.notes)
    assert any("does not tell hysteresis" in note for note in found.notes)
    assert "Flux with magnet temperature" not in constants(found)
    assert holds(constants(found)["Flux linkage at 20 °C"], HERON_60.flux_20_wb)


def test_without_the_voltage_there_is_no_flux_and_phase_current_serves(stream: Stream) -> None:
    stand = motor_stand()
    dropped = {Role.PHASE_VOLTAGE, Role.Q_CURRENT}
    stand = replace(stand, roles={role: name for role, name in stand.roles.items() if role not in dropped})
    found = motor_of(stand, stream)
    assert found is not None
    names = set(constants(found))
    assert not any("Flux" in name or "EMF" in name for name in names)
    assert any("below base speed" in note for note in found.notes)
    torque = float(mc.torque_constant_of_flux(HERON_60.flux_20_wb, POLES))
    assert holds(constants(found)["Torque constant at 20 °C, per peak A"], torque)


def test_idle_points_by_their_own_current(stream: Stream) -> None:
    """The same drag, shown as the AC power of a motor that idles with a free shaft end."""
    stand = motor_stand()
    values = stream.values.copy()
    at = {name: stream.channels.index(name) for name in ("shaft_torque", "shaft_speed", "ac_power", "phase_u_current")}
    idle = values[:, at["phase_u_current"]] == 0.0
    drag = -values[idle, at["shaft_torque"]]
    values[idle, at["ac_power"]] = drag * values[idle, at["shaft_speed"]] * 2.0 * np.pi / 60.0
    values[idle, at["shaft_torque"]] = 0.0
    values[idle, at["phase_u_current"]] = 1.5
    found = motor_of(stand, replace(stream, values=values))
    assert found is not None
    assert not any(point.is_driven for point in found.drag_points)
    assert found.drag_points[0].drag_nm.value == pytest.approx(0.847, abs=0.02)  # exact: the simulated drag at 500 rpm
    assert any("copper loss of that current" in note for note in found.notes)


def test_a_run_of_loads_alone_says_nothing(stream: Stream) -> None:
    stand = motor_stand()
    current = stream.channels.index("phase_u_current")
    values = stream.values.copy()
    values[:, current] = 60.0
    assert motor_of(stand, replace(stream, values=values)) is None


def test_few_idle_points_are_told(stream: Stream) -> None:
    found = motor_of(motor_stand(), stream.rows(0, 3 * 14 * 20))
    assert found is not None
    assert not found.drag_parts
    assert any("3 idling point(s)" in note for note in found.notes)
