"""Maps of motoring and generating, conditions of the points, contours, and maps of the simulated stand's truth."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from benchkit.analysis.efficiency_map import (
    contours,
    efficiency_map,
    efficiency_maps,
    efficiency_of,
    fit_map,
    losses_over,
)
from benchkit.analysis.hull import is_inside
from benchkit.analysis.losses import fit_losses, loss_at
from benchkit.analysis.map_points import MapPoints, map_points, off_usual
from benchkit.analysis.power import INPUT_ROLES, power_balance
from benchkit.model.stand import Role
from tests.analysis.map_truths import OMEGA, OTHER_FORMS, measure, other_pool, stand_pool
from tests.analysis.test_duty import both_ways
from tests.analysis.test_losses_and_map import N, T, inverter_loss, motor_loss, points


class TestGenerating:
    def test_efficiency_by_hand(self):
        # 1000 W at the shaft, 100 W lost, 900 W arrive; at 50 W both sides feed the losses
        assert efficiency_of([900.0, -1000.0, -50.0, 0.0], 100.0).round(12).tolist()[:2] == [0.9, 0.9]
        assert np.isnan(efficiency_of([-50.0, 0.0], 100.0)).all()

    @pytest.mark.parametrize("subject", ["drive", "motor", "inverter"])
    def test_exact_points_give_the_exact_map(self, subject):
        found = efficiency_map(both_ways(), subject)
        n, t = np.meshgrid(found.speed_rpm, found.torque_nm)
        eta = np.array(found.efficiency)
        shaft, lost = OMEGA * n * t, motor_loss(n, np.abs(t))
        a = {"drive": shaft + lost + inverter_loss(n, np.abs(t)), "motor": shaft + lost}
        a["inverter"] = a["drive"]
        b = shaft + lost if subject == "inverter" else shaft
        with np.errstate(divide="ignore"):
            true = np.where(a[subject] * b > 0, np.where(b > 0, b / a[subject], a[subject] / b), np.nan)
        both = np.isfinite(eta) & np.isfinite(true)
        assert both.sum() > 0.8 * eta.size
        np.testing.assert_allclose(eta[both], true[both], atol=1e-5)
        assert np.nanmax(eta) < 1.0
        assert found.best_generating is not None
        assert found.best_generating.torque_nm < 0.0 < found.best_torque_nm

    def test_where_both_sides_feed_the_losses_there_is_a_loss_and_no_efficiency(self):
        loss = losses_over(fit_map(both_ways(), "drive"), "drive", [900.0], [-0.5]).loss_w
        # 47 W from the shaft; 30 + 27 + 23.4 + 60 + 0.8 W are lost
        assert loss[0] == pytest.approx(motor_loss(900.0, 0.5) + inverter_loss(900.0, 0.5), rel=1e-5)
        assert np.isnan(efficiency_of([OMEGA * 900.0 * -0.5], loss)).all()

    def test_terms_with_a_sign_take_the_current_that_friction_asks_for(self):
        """Friction torque adds to the current while motoring and saves it while generating."""
        n, t = (x.ravel() for x in np.meshgrid(np.linspace(800, 3600, 6), np.linspace(-140, 140, 8)))
        loss = 50.0 + 0.05 * n + 0.06 * (t + 4.0) ** 2
        model = fit_losses(n, t, loss, np.ones(n.size)).model
        assert set(model.terms) == {"1", "n", "T^2", "T"}
        np.testing.assert_allclose(loss_at(model, n, t), loss, rtol=1e-9)
        assert "T" not in fit_losses(n[t > 0], t[t > 0], loss[t > 0], np.ones((t > 0).sum())).model.terms

    def test_regeneration_of_the_simulated_stand_within_its_uncertainty(self):
        pool = stand_pool(-130.0, -20.0)
        inside, eta_inside = [], []
        for seed in range(12):
            run = measure(pool, seed)
            found = losses_over(
                fit_map(run.points, "drive"), "drive", pool.speed[run.held_out], pool.torque[run.held_out]
            )
            good = np.isfinite(found.loss_w)
            error = found.loss_w - pool.drive_loss[run.held_out]
            inside.append(np.abs(error[good]) < 1.96 * found.u_w[good])
            shaft = OMEGA * pool.speed[run.held_out] * pool.torque[run.held_out]
            eta = efficiency_of(shaft, found.loss_w)[good]
            true = efficiency_of(shaft, pool.drive_loss[run.held_out])[good]
            eta_inside.append(np.abs(eta - true) < 1.96 * found.u_w[good] / np.abs(shaft[good]))
        # runs share their calibration, so 12 runs are 12 draws and not 480: the bench has the large number
        assert np.mean(np.concatenate(inside)) > 0.85
        assert np.mean(np.concatenate(eta_inside)) > 0.85

    def test_balances_carry_regeneration_into_the_maps(self, stand):
        n, t = (x.ravel() for x in np.meshgrid(np.linspace(800, 3600, 5), np.linspace(-140, -20, 5)))
        balances = points(stand, np.random.default_rng(1), n=n, T=t)
        # points() adds the losses with T², which is the same while generating
        assert all(0.0 < b.drive_efficiency.value < 1.0 for b in balances)
        maps, findings = efficiency_maps(stand, balances)
        assert [m.subject for m in maps] == ["drive", "inverter", "motor"]
        assert findings == ()
        assert maps[0].best_torque_nm < 0.0
        assert maps[0].best_generating is None

    def test_above_one_is_never_silent(self, stand):
        balances = points(stand, np.random.default_rng(2))
        worse = []
        for b in balances:
            means = dict(b.point.means)
            current = means["dc_current"]
            means["dc_current"] = dataclasses.replace(current, value=0.9 * current.value)
            worse.append(power_balance(stand, dataclasses.replace(b.point, means=means)))
        _, findings = efficiency_maps(stand, worse)
        assert {(f.severity, f.code) for f in findings} == {("error", "map_efficiency_above_one")}
        assert "a measurement is wrong" in findings[0].message

    def test_the_other_rotation_is_left_out_and_said(self, stand):
        n, t = np.append(N, -N[:4]), np.append(T, -T[:4])
        maps, findings = efficiency_maps(stand, points(stand, np.random.default_rng(3), n=n, T=t))
        assert len(maps[0].point_loss_w) == N.size
        assert [f.code for f in findings] == ["map_one_rotation"]


class TestHull:
    def test_no_value_outside_for_any_truth(self):
        for pool in (stand_pool(), *(other_pool(name) for name in OTHER_FORMS)):
            fit = fit_map(measure(pool, 1).points, "drive")
            n, t = (x.ravel() for x in np.meshgrid(np.linspace(0, 5000, 40), np.linspace(-50, 200, 40)))
            loss = losses_over(fit, "drive", n, t).loss_w
            assert np.array_equal(np.isfinite(loss), is_inside(fit.hull, n, t))

    def test_the_surface_carries_what_the_terms_do_not_describe(self):
        pool = other_pool("a resonance")
        run = measure(pool, 2, calibrated=0.0)
        found = efficiency_map(run.points, "drive", grid=9)
        assert found.lack_of_fit is not None
        assert found.lack_of_fit.p_value < 0.01
        assert found.lack_of_fit.beyond_model_w > 5.0
        fit = fit_map(run.points, "drive")
        n, t = pool.speed[run.held_out], pool.torque[run.held_out]
        shown = losses_over(fit, "drive", n, t).loss_w
        terms = loss_at(fit.parts["drive"].fit.model, n, t)
        good = np.isfinite(shown)
        rms = [np.sqrt(np.mean((x - pool.drive_loss[run.held_out])[good] ** 2)) for x in (shown, terms)]
        assert rms[0] < 0.6 * rms[1]


class TestConditions:
    def test_off_usual_keeps_what_the_load_does_not_explain(self):
        temp = 40.0 + 0.01 * N + 0.002 * T**2
        np.testing.assert_allclose(off_usual(temp, N, T), 0.0, atol=1e-9)
        warm = np.where(np.arange(N.size) % 2, 5.0, -5.0)
        assert np.corrcoef(off_usual(temp + warm, N, T), warm)[0, 1] > 0.95

    def test_a_winding_off_its_usual_temperature_is_taken_out(self):
        rng = np.random.default_rng(4)
        off = rng.uniform(-15.0, 15.0, N.size)
        base = 60.0 + 0.09 * N + 0.07 * T**2
        loss = base + 0.0039 * 0.07 * T**2 * off + 2.0 * rng.standard_normal(N.size)
        model = fit_losses(N, T, loss, np.full(N.size, 2.0), conditions={"winding_temp": off}).model
        assert "T^2*winding_temp" in model.terms
        np.testing.assert_allclose(loss_at(model, N, T), base, atol=6.0)
        blind = fit_losses(N, T, loss, np.full(N.size, 2.0)).model
        assert blind.cross_validated_rms_w > 3.0 * model.cross_validated_rms_w

    def test_from_the_points_of_a_run(self, stand):
        rng = np.random.default_rng(5)
        balances = points(stand, rng, scatter=0.1)
        name = stand.roles[Role.WINDING_TEMP]
        moved = []
        for b in balances:
            means = dict(b.point.means)
            means[name] = dataclasses.replace(means["shaft_torque"], value=80.0 + float(rng.uniform(-9, 9)), unit="°C")
            moved.append(dataclasses.replace(b.point, means=means))
        found = map_points(stand, moved, INPUT_ROLES)
        assert set(found.conditions) == {"winding_temp"}
        assert abs(float(np.mean(found.conditions["winding_temp"]))) < 1e-9


class TestData:
    def test_contours_lie_on_their_level(self):
        n, t = np.linspace(500, 3500, 60), np.linspace(10, 140, 60)
        mesh_n, mesh_t = np.meshgrid(n, t)
        eta = 0.95 - ((mesh_n - 2000) / 6000) ** 2 - ((mesh_t - 80) / 300) ** 2
        eta[mesh_n / 25 + mesh_t > 240] = np.nan
        lines = contours(n, t, eta, [0.9, 0.94])
        assert {line.level for line in lines} == {0.9, 0.94}
        for line in lines:
            x, y = np.array(line.speed_rpm), np.array(line.torque_nm)
            on = 0.95 - ((x - 2000) / 6000) ** 2 - ((y - 80) / 300) ** 2
            np.testing.assert_allclose(on, line.level, atol=3e-4)
            assert np.all(x / 25 + y < 240 + 1e-9)

    def test_a_map_carries_its_points_layers_and_tests(self, stand):
        found = efficiency_maps(stand, points(stand, np.random.default_rng(6), scatter=0.3))[0][0]
        assert len(found.point_loss_w) == N.size
        loss, u, model = (np.array(v) for v in (found.loss_w, found.u_loss_w, found.model_loss_w))
        assert loss.shape == u.shape == model.shape == (len(found.torque_nm), len(found.speed_rpm))
        good = np.isfinite(loss)
        assert np.array_equal(good, np.isfinite(u))
        assert np.all(u[good] > 0.0)
        assert np.median(np.abs(loss - model)[good]) < np.median(u[good])
        assert found.contours
        assert found.lack_of_fit is not None
        assert found.lack_of_fit.method == "stated scatter"
        assert found.hysteresis is not None
        names = {line.name for line in found.best_efficiency.budget}
        assert {"scatter", "lack of fit", "shaft_torque gain"} <= names
        total = math.sqrt(sum(line.u**2 for line in found.best_efficiency.budget))
        assert total == pytest.approx(found.best_efficiency.u, rel=1e-9)

    def test_common_errors_alone_do_not_make_a_map_narrower_than_they_are(self):
        pool = stand_pool()
        run = measure(pool, 3)
        with_common = fit_map(run.points, "drive")
        without = fit_map(MapPoints(run.points.means, run.points.u_loss_w, {}), "drive")
        n, t = pool.speed[run.held_out], pool.torque[run.held_out]
        a, b = (losses_over(f, "drive", n, t).u_w for f in (with_common, without))
        # a torque gain of 0.05 % alone is 0.05 % of the shaft power
        assert np.all(a**2 - b**2 > (0.8 * 0.0005 * OMEGA * n * t) ** 2)
