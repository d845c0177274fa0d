"""A run of the simulated drive on its load machine that tells its motor constants. SIMULATED.

Driven with the gates off at several speeds, magnets cold, then warm; loaded points; a coast-down at the end.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchkit.model.stand import Role, Stand
from benchkit.model.stream import Stream
from benchkit.simulate import pmsm
from benchkit.simulate.drives import HERON_60
from benchkit.simulate.plant import Mode
from tests.analysis.plants import drive_with_machine
from tests.quality.runs import bench

RATE_HZ = 20.0
RPM = 2.0 * np.pi / 60.0
INERTIA = HERON_60.inertia_kgm2 + drive_with_machine().drive.load_machine.inertia_kgm2
NOISE = {"shaft_torque": 0.05, "shaft_speed": 0.2, "phase_voltage": 0.05, "ac_power": 2.0, "q_current": 0.05}


def motor_stand() -> Stand:
    """The airboat stand with the phase voltage of its power analyser and the current of its control."""
    stand = bench()
    return replace(stand, roles={**stand.roles, Role.Q_CURRENT: "q_current"})


def motor_run(seed: int = 1, speeds: int = 7) -> Stream:
    """Rows at 20 Hz: the idle sweep cold, loaded points cold and warm, the idle sweep warm, a coast-down."""
    rows: list[dict[str, float]] = []
    for magnet_c in (25.0, 80.0):
        for n in np.linspace(500.0, 3400.0, speeds):
            rows += [_driven(float(n), magnet_c)] * round(14.0 * RATE_HZ)
        for n, torque in ((800.0, 40.0), (800.0, 120.0), (1600.0, 60.0), (1600.0, 130.0)):
            rows += [_loaded(n, torque, magnet_c)] * round(14.0 * RATE_HZ)
    rows += _coast()
    stand, rng = motor_stand(), np.random.default_rng(seed)
    names = [c.name for c in stand.channels_of("rack")]
    values = np.array([[row.get(name, 20.0) for name in names] for row in rows])
    for name, s in NOISE.items():
        values[:, names.index(name)] += rng.normal(0.0, s, len(rows))
    t = np.arange(len(rows)) / RATE_HZ
    units = tuple(stand.channels[name].unit for name in names)
    counter = np.arange(len(rows), dtype=np.int64) % 65536
    return Stream("rack", tuple(names), units, t, t, t, counter, values)


def _driven(n: float, magnet_c: float) -> dict[str, float]:
    """Gates off below the speed at which the diodes conduct: the load machine turns the motor."""
    w, psi = n * RPM, pmsm.magnet_flux(HERON_60, magnet_c)
    drag = pmsm.friction_torque(HERON_60, w) + pmsm.iron_torque(HERON_60, 0.0, 0.0, w, psi)
    return {
        "shaft_speed": n,
        "shaft_torque": -drag,
        "phase_voltage": HERON_60.pole_pairs * w * psi / np.sqrt(2.0),
        **dict.fromkeys(("ac_power", "dc_current", "q_current", "d_current", "thrust", "phase_u_current"), 0.0),
        "magnet_temp": magnet_c,
        "winding_temp": magnet_c,
        "dc_voltage": 400.0,
        "electrical_frequency": HERON_60.pole_pairs * n / 60.0,
    }


def _loaded(n: float, torque: float, magnet_c: float) -> dict[str, float]:
    w, psi = n * RPM, pmsm.magnet_flux(HERON_60, magnet_c)
    i_q = torque / (1.5 * HERON_60.pole_pairs * psi)
    for _ in range(20):  # the iron loss goes with the current
        drag = pmsm.friction_torque(HERON_60, w) + pmsm.iron_torque(HERON_60, 0.0, i_q, w, psi)
        i_q = (torque + drag) / (1.5 * HERON_60.pole_pairs * psi)
    ohm = pmsm.copper_resistance(HERON_60.resistance_20_ohm, magnet_c)
    power = (torque + drag) * w + pmsm.copper_loss(0.0, i_q, ohm)
    return _driven(n, magnet_c) | {
        "shaft_torque": torque,
        "q_current": i_q,
        "phase_u_current": i_q / np.sqrt(2.0),
        "ac_power": power,
        "dc_current": (power + 200.0) / 400.0,
        "phase_voltage": pmsm.phase_voltage(HERON_60, 0.0, i_q, w, resistance_ohm=ohm, flux_wb=psi) / np.sqrt(2.0),
    }


def _coast() -> list[dict[str, float]]:
    plant = drive_with_machine()
    plant.temps.magnet_c = 80.0
    plant.demand.speed_rpm = 3350.0
    for _ in range(400):
        plant.step(0.05)
    plant.demand.mode = Mode.GATES_OFF
    rows = []
    while plant.state.speed_rpm > 600.0:
        plant.step(1.0 / RATE_HZ)
        n = plant.state.speed_rpm
        rows.append(_driven(n, plant.temps.magnet_c) | {"shaft_torque": plant.state.torque_nm})
    return rows
