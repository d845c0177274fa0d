"""Loss model and efficiency map on losses whose law is known; calibration errors that do not average out."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from benchkit.analysis.efficiency_map import efficiency_map, efficiency_maps
from benchkit.analysis.hull import convex_hull, is_inside
from benchkit.analysis.losses import distinct_points, fit_losses, loss_at, u_loss_at
from benchkit.analysis.map_points import map_points
from benchkit.analysis.power import INPUT_ROLES, power_balance
from benchkit.analysis.uncertainty import combine
from benchkit.errors import UsageError
from benchkit.model.results import OperatingPoint
from benchkit.model.stand import Role

N, T = (x.ravel() for x in np.meshgrid(np.linspace(800, 3600, 6), np.linspace(15, 140, 6)))


def motor_loss(n, T):
    return 30.0 + 90.0 * (n / 3000) + 260.0 * (n / 3000) ** 2 + 1100.0 * (T / 140) ** 2


def inverter_loss(n, T):
    return 60.0 + 210.0 * (np.abs(T) / 140) + 160.0 * (T / 140) ** 2 + 0.0 * n


def points(stand, rng, *, scatter=0.0, wrong=None, n=N, T=T):
    """Operating points of that drive as measured: scatter on each mean, and gain errors common to the run."""
    shaft = 2 * math.pi / 60 * n * T
    true = {
        Role.DC_VOLTAGE: np.full(n.shape, 400.0),
        Role.AC_POWER: shaft + motor_loss(n, T),
        Role.SPEED: n,
        Role.TORQUE: T,
    }
    true[Role.DC_CURRENT] = (true[Role.AC_POWER] + inverter_loss(n, T)) / 400.0
    rows = []
    for k in range(n.size):
        means = {}
        for role in INPUT_ROLES:
            channel = stand.channel_for(role)
            accuracy = channel.calibration.accuracy
            value = float(true[role][k])
            u_a = scatter * accuracy.standard_uncertainty(value)
            seen = value + u_a * rng.standard_normal()
            if wrong is not None:
                gain, zero = wrong[role]
                seen += gain * accuracy.of_reading * value + zero * accuracy.constant
            u_b = accuracy.standard_uncertainty(seen)
            means[channel.name] = combine(seen, u_a, 99.0, u_b, unit=channel.unit, name=channel.name)
        rows.append(OperatingPoint(k, "rack", 10 * k, 10 * k + 10, 10.0 * k, 10.0 * k + 9, means))
    return [power_balance(stand, p) for p in rows]


def true_efficiency(n, T):
    shaft = 2 * math.pi / 60 * n * T
    return shaft / (shaft + motor_loss(n, T) + inverter_loss(n, T))


class TestLossFit:
    def test_finds_the_terms_of_an_exact_law(self):
        fit = fit_losses(N, T, motor_loss(N, T), np.full(N.size, 1.0))
        assert set(fit.model.terms) == {"1", "n", "n^2", "T^2"}
        np.testing.assert_allclose(loss_at(fit.model, N, T), motor_loss(N, T), rtol=1e-9)
        assert fit.model.dof == N.size - 4

    def test_uncertainty_is_honest_under_noise(self):
        rng = np.random.default_rng(0)
        z = []
        for _ in range(60):
            fit = fit_losses(N, T, motor_loss(N, T) + 5.0 * rng.standard_normal(N.size), np.full(N.size, 5.0))
            z.append(
                (float(loss_at(fit.model, 2000.0, 80.0)) - motor_loss(2000.0, 80.0))
                / float(u_loss_at(fit.model, 2000.0, 80.0))
            )
        assert 0.7 < np.std(z) < 1.4

    def test_scatter_larger_than_stated_widens_it(self):
        rng = np.random.default_rng(1)
        loss = motor_loss(N, T) + 20.0 * rng.standard_normal(N.size)
        stated = fit_losses(N, T, loss, np.full(N.size, 2.0), terms=["1", "n", "n^2", "T^2"]).model
        fair = fit_losses(N, T, loss, np.full(N.size, 20.0), terms=["1", "n", "n^2", "T^2"]).model
        assert stated.chi2_per_dof > 40
        ratio = float(u_loss_at(stated, 2000.0, 80.0) / u_loss_at(fair, 2000.0, 80.0))
        assert ratio == pytest.approx(1.0, rel=0.35)

    def test_too_few_points(self):
        with pytest.raises(UsageError, match="too few distinct operating points"):
            fit_losses(N[:5], T[:5], motor_loss(N, T)[:5], np.ones(5))

    def test_a_repeated_point_is_not_two(self):
        assert distinct_points(np.repeat(N[:6], 4), np.repeat(T[:6], 4)) == 6
        assert distinct_points([], []) == 0
        with pytest.raises(UsageError, match="too few distinct operating points"):
            fit_losses(np.repeat(N[:5], 4), np.repeat(T[:5], 4), np.repeat(motor_loss(N, T)[:5], 4), np.ones(20))

    def test_points_on_a_propeller_curve_do_not_split_terms(self):
        # T ~ n² everywhere: |T| and n² are the same column; a fit that needs both must be refused
        n = np.linspace(1000, 3000, 12)
        with pytest.raises(UsageError, match="not independent"):
            fit_losses(n, 1e-5 * n**2, motor_loss(n, 1e-5 * n**2), np.ones(12), terms=["1", "n^2", "|T|"])
        with pytest.raises(UsageError, match="on one curve"):
            fit_losses(n, 1e-5 * n**2, motor_loss(n, 1e-5 * n**2), np.ones(12))

    def test_unknown_term(self):
        with pytest.raises(UsageError, match="'n\\^3' is not a loss term"):
            fit_losses(N, T, motor_loss(N, T), np.ones(N.size), terms=["1", "n^3", "T^2"])


class TestMap:
    def test_exact_points_give_the_exact_map(self, stand):
        maps, findings = efficiency_maps(stand, points(stand, np.random.default_rng(0)))
        assert [m.subject for m in maps] == ["drive", "inverter", "motor"]
        assert findings == ()
        drive = maps[0]
        n, t = np.meshgrid(drive.speed_rpm, drive.torque_nm)
        eta = np.array(drive.efficiency)
        inside = ~np.isnan(eta)
        assert inside.mean() > 0.95
        np.testing.assert_allclose(eta[inside], true_efficiency(n, t)[inside], atol=2e-6)
        shaft = 2 * math.pi / 60 * n * t
        inverter, motor = np.array(maps[1].efficiency), np.array(maps[2].efficiency)
        np.testing.assert_allclose((inverter * motor)[inside], eta[inside], atol=4e-6)
        np.testing.assert_allclose(motor[inside], (shaft / (shaft + motor_loss(n, t)))[inside], atol=2e-6)
        best = np.unravel_index(np.nanargmax(eta), eta.shape)
        assert drive.best_efficiency.value == eta[best]
        assert (drive.best_speed_rpm, drive.best_torque_nm) == (drive.speed_rpm[best[1]], drive.torque_nm[best[0]])

    def test_stated_uncertainty_holds_the_truth_under_calibration_errors(self, stand):
        """Each run draws one gain and one zero error per channel, and scatter; the map must know how wrong it is."""
        rng = np.random.default_rng(20)
        inside, z = [], []
        for _ in range(40):
            wrong = {role: (rng.standard_normal(), rng.standard_normal()) for role in INPUT_ROLES}
            balances = points(stand, rng, scatter=0.3, wrong=wrong)
            collected = map_points(stand, [b.point for b in balances], INPUT_ROLES)
            found = efficiency_map(collected, "drive", grid=7)
            row, column = 4, 4
            error = found.efficiency[row][column] - true_efficiency(found.speed_rpm[column], found.torque_nm[row])
            z.append(error / found.u_efficiency[row][column])
            inside.append(abs(z[-1]) <= 1.96)
        assert 0.87 <= np.mean(inside) <= 1.0
        assert 0.7 < np.std(z) < 1.3

    def test_calibration_does_not_average_out(self, stand):
        few = efficiency_maps(stand, points(stand, np.random.default_rng(2)))[0][0]
        n, t = (x.ravel() for x in np.meshgrid(np.linspace(800, 3600, 14), np.linspace(15, 140, 14)))
        many = efficiency_maps(stand, points(stand, np.random.default_rng(2), n=n, T=t))[0][0]
        middle = few.u_efficiency[20][20]
        assert many.u_efficiency[20][20] == pytest.approx(middle, rel=0.1)
        assert few.best_efficiency.budget[0].name in {"shaft_torque gain", "dc_current gain"}

    def test_nothing_outside_the_hull(self, stand):
        keep = 2 * math.pi / 60 * N * T < 25e3  # a power limit cuts the corner
        found = efficiency_maps(stand, points(stand, np.random.default_rng(3), n=N[keep], T=T[keep]))[0][0]
        corner = (found.efficiency[-1][-1], found.u_efficiency[-1][-1], found.loss_w[-1][-1])
        assert all(math.isnan(v) for v in corner)
        assert not math.isnan(found.efficiency[5][5])
        assert found.hull[0] == found.hull[-1]

    def test_too_few_points_leave_a_finding(self, stand):
        maps, findings = efficiency_maps(stand, points(stand, np.random.default_rng(4))[:4])
        assert maps == ()
        assert {f.code for f in findings} == {"no_efficiency_map"}
        assert "too few distinct operating points" in findings[0].message
        assert efficiency_maps(stand, ())[0] == ()

    def test_one_line_of_points_is_no_map(self, stand):
        n = np.linspace(800, 3600, 12)
        maps, findings = efficiency_maps(stand, points(stand, np.random.default_rng(5), n=n, T=n / 30))
        assert maps == ()
        assert any("on one curve" in f.message for f in findings)

    def test_standstill_is_left_out(self, stand):
        n, t = np.append(N, 0.0), np.append(T, 0.0)
        balances = points(stand, np.random.default_rng(6), n=n, T=t)
        assert map_points(stand, [b.point for b in balances], INPUT_ROLES).means[Role.SPEED].size == N.size

    def test_without_ac_power_only_the_drive(self, stand):
        roles = {r: c for r, c in stand.roles.items() if r is not Role.AC_POWER}
        maps, findings = efficiency_maps(
            dataclasses.replace(stand, roles=roles), points(stand, np.random.default_rng(7))
        )
        assert [m.subject for m in maps] == ["drive"]
        assert findings == ()

    def test_unknown_subject(self, stand):
        balances = points(stand, np.random.default_rng(8))
        with pytest.raises(UsageError, match="'gearbox' has no efficiency map"):
            efficiency_map(map_points(stand, [b.point for b in balances], INPUT_ROLES), "gearbox")


class TestHull:
    def test_inside_and_outside(self):
        hull = convex_hull([0, 4000, 4000, 0, 2000], [0, 0, 100, 100, 50])
        assert is_inside(hull, [2000, 4000, 4100, -1], [50, 100, 50, 50]).tolist() == [True, True, False, False]

    def test_same_as_matplotlib(self):
        from matplotlib.path import Path

        rng = np.random.default_rng(0)
        n, t = rng.uniform(0, 4000, 12), rng.uniform(0, 150, 12)
        hull = convex_hull(n, t)
        x, y = rng.uniform(0, 4000, 500), rng.uniform(0, 150, 500)
        theirs = Path(hull).contains_points(np.stack([x, y], axis=1))
        assert np.array_equal(is_inside(hull, x, y), theirs)

    def test_flat(self):
        with pytest.raises(UsageError, match="on one line"):
            convex_hull([1.0, 2.0, 3.0], [5.0, 5.0, 5.0])
