"""Motor constants and no-load losses: exact cases, and the simulated drive's parameters within the stated intervals."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.analysis import motor_constants as mc
from benchkit.analysis.no_load import RPM, coast_down, iron_by_difference, separate_no_load
from benchkit.analysis.uncertainty import interval
from benchkit.errors import UsageError
from benchkit.model.results import Estimate
from benchkit.simulate import pmsm
from benchkit.simulate.drives import HERON_60
from benchkit.simulate.plant import Mode
from tests.analysis.plants import drive_with_machine

POLES = HERON_60.pole_pairs
SPEEDS = np.linspace(400.0, 4000.0, 10)


class TestResistance:
    def test_winding_temperature_by_resistance_turned_round(self):
        # published there as 83.625 °C: 80 -> 100 ohm from 20 °C
        assert mc.copper_resistance(80.0, 20.0, 83.625) == pytest.approx(100.0)
        # exact: (234.5 + 120)/(234.5 + 20)
        assert mc.copper_resistance(1.0, 20.0, 120.0) == pytest.approx(354.5 / 254.5)

    def test_there_and_back(self):
        there = mc.copper_resistance([0.01, 0.02], [-20.0, 95.0], 40.0)
        np.testing.assert_allclose(mc.copper_resistance(there, 40.0, [-20.0, 95.0]), [0.01, 0.02], rtol=1e-14)

    def test_nothing_outside(self):
        assert np.isnan(mc.copper_resistance([-1.0, 0.0, 1.0], [20.0, 20.0, -240.0], 20.0)).all()

    def test_phase_is_half_of_line(self):
        hot = float(mc.copper_resistance(2 * HERON_60.resistance_20_ohm, 20.0, 65.0))
        found = mc.phase_resistance(Estimate(hot, 2e-5, "Ω"), Estimate(65.0, 1.0, "°C"))
        assert found.value == pytest.approx(HERON_60.resistance_20_ohm)
        # exact: u_R/2 · 254.5/299.5; R/(K + t)
        parts = (1e-5 * 254.5 / 299.5, found.value / 299.5)
        assert found.u == pytest.approx(math.hypot(*parts), rel=1e-3)


class TestFlux:
    def test_exact(self):
        n, t = np.array([1000.0, 2000.0, 3000.0, 2000.0]), np.array([20.0, 40.0, 60.0, 80.0])
        psi = 0.05 * (1 - 0.0011 * (t - 20))
        found = mc.flux_from_emf(n, POLES * n * RPM * psi, t, POLES)
        assert (found.at_20.value, found.per_k.value) == pytest.approx((0.05, -0.0011))
        assert found.at(60.0).value == pytest.approx(0.05 * (1 - 0.044))

    def test_the_simulated_motor_spun_with_the_contactor_open(self):
        rng, inside = np.random.default_rng(3), 0
        for _ in range(40):
            n, e, t = [], [], []
            for magnet in (25.0, 90.0):
                plant = drive_with_machine()
                plant.temps.magnet_c = magnet
                spin_up(plant, 3000.0)
                plant.demand.contactor_open = True
                for _ in range(5):
                    plant.step(0.5)
                    n.append(plant.state.speed_rpm)
                    e.append(plant.state.phase_voltage_v + rng.normal(0.0, 0.2))
                    t.append(plant.temps.magnet_c)
            found = mc.flux_from_emf(n, e, t, POLES, np.full(len(e), 0.2))
            inside += within(found.at_20, HERON_60.flux_20_wb) + within(found.per_k, HERON_60.flux_per_k)
        assert inside >= 68  # of 80 at 95 %: 76 expected, P(< 68) = 0.1 %

    def test_one_temperature_says_nothing_about_the_coefficient(self):
        n, t = np.array([1000.0, 2000.0, 3000.0]), np.array([58.0, 60.0, 62.0])
        emf = POLES * n * RPM * 0.05 * (1 - 0.001 * (t - 20))
        with pytest.raises(UsageError, match=r"not determined.*span 4\.0 K"):
            mc.flux_from_emf(n, emf, t, POLES)
        found = mc.flux_from_emf(n, emf, t, POLES, per_k=Estimate(-0.001, 1e-4, "1/K"))
        assert found.at_20.value == pytest.approx(0.05)
        # exact: fast points weigh with n², so it is brought over (38 + 4·40 + 9·42)/14 = 41.14 K with u(alpha) 1e-4;
        # back near 60 °C hardly anything of that is left
        assert found.at_20.u == pytest.approx(0.05 * 41.143 * 1e-4 / (1 - 0.041143), rel=2e-3)
        assert found.at(60.0).value == pytest.approx(0.048)
        assert found.at(60.0).u < 1e-5

    def test_gain_of_the_voltmeter_is_common(self):
        found = mc.with_gain(Estimate(0.05, 1e-5, "Wb"), 1e-3, "voltage gain")
        assert found.u == pytest.approx(math.hypot(1e-5, 5e-5))
        assert found.budget[0].name == "voltage gain"


class TestTorqueConstant:
    def test_the_simulated_motor_warm_and_cold(self):
        rng, inside = np.random.default_rng(5), 0
        for _ in range(30):
            i_q, torque, magnet = [], [], []
            for temp in (30.0, 85.0):
                for load in (30.0, 80.0, 130.0):
                    psi = pmsm.magnet_flux(HERON_60, temp)
                    drag = pmsm.friction_torque(HERON_60, 200.0) + pmsm.iron_torque(HERON_60, 0.0, 0.0, 200.0, psi)
                    i_q.append((load + drag) / (1.5 * POLES * psi))
                    torque.append(load + drag + rng.normal(0.0, 0.1))
                    magnet.append(temp)
            found = mc.torque_constant(i_q, torque, magnet, np.full(6, 0.1))
            truth = float(mc.torque_constant_of_flux(HERON_60.flux_20_wb, POLES))
            inside += within(found.at_20, truth) + within(found.per_k, HERON_60.flux_per_k)
        assert inside >= 50  # of 60: 57 expected

    def test_of_flux_and_emf_agree(self):
        # exact: power balance: 3/2 E i_q = T w at any speed
        psi, w, i = 0.0548, 250.0, 100.0
        torque = float(mc.torque_constant_of_flux(psi, POLES)) * i
        assert 1.5 * POLES * w * psi * i == pytest.approx(torque * w)
        assert float(mc.back_emf_constant(psi, POLES)) / RPM == pytest.approx(math.sqrt(3) * POLES * psi)


def within(estimate, truth):
    low, high = interval(estimate)
    return low <= truth <= high


def spin_up(plant, speed):
    plant.demand.speed_rpm = speed
    for _ in range(round(speed / 400.0 / 0.05) + 40):
        plant.step(0.05)


def drag_of_motor(n, flux=1.0):
    """Truth: friction and iron of the simulated motor at idle, current aside."""
    w = n * RPM
    psi = HERON_60.flux_20_wb * flux
    return pmsm.friction_torque(HERON_60, w) + pmsm.iron_torque(HERON_60, 0.0, 0.0, w, psi)


TRUE_PARTS = {
    "dry friction": HERON_60.coulomb_nm,
    "viscous friction": HERON_60.viscous_nms,
    "windage": HERON_60.windage_nms2,
    "hysteresis": POLES * HERON_60.hysteresis_per_h * HERON_60.flux_20_wb**2,
    "eddy currents": POLES**2 * HERON_60.eddy_s_per_h * HERON_60.flux_20_wb**2,
}


class TestNoLoad:
    def test_sums_of_one_sweep(self):
        found = separate_no_load(SPEEDS, [drag_of_motor(n) for n in SPEEDS])
        # exact: what speed alone can tell
        expected = (
            TRUE_PARTS["dry friction"] + TRUE_PARTS["hysteresis"],
            TRUE_PARTS["viscous friction"] + TRUE_PARTS["eddy currents"],
            TRUE_PARTS["windage"],
        )
        assert [p.coefficient.value for p in found.parts] == pytest.approx(expected, rel=1e-6)
        assert found.parts[0].name == "hysteresis and dry friction"
        power = found.power_w(2000.0)
        assert sum(power.values()) == pytest.approx(drag_of_motor(2000.0) * 2000.0 * RPM)

    def test_parts_come_apart_by_flux(self):
        n, f = np.tile(SPEEDS, 3), np.repeat([1.0, 0.93, 0.0], SPEEDS.size)
        found = separate_no_load(n, [drag_of_motor(a, b) for a, b in zip(n, f, strict=True)], flux_ratio=f)
        assert {p.name: p.coefficient.value for p in found.parts} == pytest.approx(TRUE_PARTS, rel=1e-6)

    def test_stated_intervals_hold_the_parts(self):
        rng, inside = np.random.default_rng(7), 0
        n, f = np.tile(SPEEDS, 2), np.repeat([1.0, 0.0], SPEEDS.size)
        truth = np.array([drag_of_motor(a, b) for a, b in zip(n, f, strict=True)])
        u = np.full(n.size, 0.01)
        for _ in range(100):
            found = separate_no_load(n, truth + rng.normal(0, 0.01, n.size), u, flux_ratio=f)
            inside += sum(within(p.coefficient, TRUE_PARTS[p.name]) for p in found.parts)
        assert (
            455 <= inside <= 499
        )  # of 500 at 95 %; parts of one fit are correlated, u is never taken below its stated value

    def test_what_is_not_identified_says_so(self):
        rng = np.random.default_rng(8)
        narrow = np.linspace(1900.0, 2100.0, 8)
        truth = np.array([drag_of_motor(n) for n in narrow])
        found = separate_no_load(narrow, truth + rng.normal(0, 0.02, 8), np.full(8, 0.02))
        assert not any(p.is_identified for p in found.parts)
        # ... though their sum at the speeds that were run is known all the same
        assert found.torque_nm(2000.0) == pytest.approx(drag_of_motor(2000.0), abs=4 * float(found.u_torque_nm(2000.0)))
        assert found.u_torque_nm(2000.0) < 0.02
        wide = separate_no_load(SPEEDS, [drag_of_motor(n) for n in SPEEDS], np.full(SPEEDS.size, 0.001))
        assert [p.is_identified for p in wide.parts][:2] == [True, True]

    def test_iron_is_the_difference_to_a_rotor_without_magnets(self):
        a = separate_no_load(SPEEDS, [drag_of_motor(n) for n in SPEEDS], np.full(SPEEDS.size, 0.01))
        b = separate_no_load(SPEEDS, [drag_of_motor(n, 0.0) for n in SPEEDS], np.full(SPEEDS.size, 0.01))
        hysteresis, eddy = iron_by_difference(a, b)
        assert hysteresis.coefficient.value == pytest.approx(TRUE_PARTS["hysteresis"], rel=1e-6)
        assert eddy.coefficient.value == pytest.approx(TRUE_PARTS["eddy currents"], rel=1e-6)
        assert hysteresis.coefficient.u == pytest.approx(math.sqrt(2) * a.parts[0].coefficient.u)

    @pytest.mark.parametrize(
        ("speeds", "flux", "text"),
        [
            ([0.0, 1.0, 2.0, 3.0], None, "above zero"),
            ([], None, "above zero"),
            ([1.0, 2.0, 3.0, 4.0], [1.0, 1.0, 1.01, 1.0], "cannot be told apart"),
            ([1.0, 2.0], None, "fewer observations"),
        ],
    )
    def test_refusals(self, speeds, flux, text):
        with pytest.raises(UsageError, match=text):
            separate_no_load(speeds, np.ones(len(speeds)), flux_ratio=flux)


class TestCoastDown:
    def test_closed_form_of_constant_and_linear_drag(self):
        # exact: T = a + b w: w(t) = (w0 + a/b) exp(-b t/J) - a/b
        a, b, J, w0 = 0.5, 4e-3, 0.155, 400.0
        n = np.linspace(200.0, 4200.0, 12)
        drag = separate_no_load(n, a + b * n * RPM)
        t = np.linspace(0.0, 25.0, 500)
        w = (w0 + a / b) * np.exp(-b * t / J) - a / b
        found = coast_down(t, w / RPM, drag)
        assert found.inertia_kgm2.value == pytest.approx(J, rel=1e-6)
        assert found.residual_rms_rpm < 1e-3

    def idle(self, rng, u):
        """Drag of the line, from electrical power less copper loss while the motor idles at ten speeds."""
        speeds, drags, warm = [], [], []
        for speed in np.linspace(400.0, 3600.0, 10):  # above that the field is weakened, and the iron loss with it
            plant = drive_with_machine()
            spin_up(plant, float(speed))
            s = plant.state
            omega = s.speed_rpm * RPM
            speeds.append(s.speed_rpm)
            drags.append((s.ac_power_w - s.copper_loss_w) / omega + rng.normal(0.0, u))
            warm.append(plant.temps.magnet_c)
        assert np.ptp(warm) < 1.0
        return separate_no_load(speeds, drags, np.full(len(speeds), u))

    def test_the_simulated_line_after_stop_gates(self):
        rng, inside, relative = np.random.default_rng(11), 0, []
        plant = drive_with_machine()
        spin_up(plant, 3400.0)
        plant.demand.mode = Mode.GATES_OFF
        rows = []
        while plant.state.speed_rpm > 600.0:
            plant.step(0.05)
            rows.append((plant.state.time_s, plant.state.speed_rpm))
        t, n = np.array(rows).T
        truth = HERON_60.inertia_kgm2 + plant.drive.load_machine.inertia_kgm2
        perfect = self.idle(rng, 1e-9)
        assert coast_down(t, n, perfect).inertia_kgm2.value == pytest.approx(truth, rel=3e-3)
        for _ in range(8):
            drag = self.idle(rng, 0.02)
            found = coast_down(t, n + rng.normal(0.0, 0.5, n.size), drag, u_drag_gain=0.002)
            inside += within(found.inertia_kgm2, truth)
            relative.append(found.inertia_kgm2.u / truth)
            assert found.inertia_kgm2.budget[0].name == "drag"
        assert inside >= 6  # of 8 at 95 %: P(< 6) = 0.6 %
        assert max(relative) < 0.02

    def test_refusals(self):
        drag = separate_no_load(SPEEDS, 1.0 - 1e-2 * SPEEDS * RPM)
        t = np.linspace(0.0, 10.0, 50)
        with pytest.raises(UsageError, match="not positive"):
            coast_down(t, 3000.0 - 100.0 * t, drag)
        with pytest.raises(UsageError, match="no coast-down"):
            coast_down(t, np.full(50, 3000.0), drag)
        with pytest.raises(UsageError, match="no coast-down"):
            coast_down([], [], drag)
