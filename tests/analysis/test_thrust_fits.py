"""Line against n², lack of fit, zero, corrections, recirculation, hysteresis, two propellers."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from benchkit.analysis.propeller import disc_loading, figure_of_merit, power_loading, thrust_per_watt
from benchkit.analysis.propeller_compare import compare_propellers
from benchkit.analysis.square_law import fit_square_law, fit_test
from benchkit.analysis.thrust_fits import thrust_fits
from benchkit.analysis.thrust_tests import (
    Correction,
    ZeroLine,
    corrected,
    corrected_for_zero,
    hysteresis,
    recirculation,
)
from benchkit.analysis.uncertainty import combine
from benchkit.errors import UsageError
from benchkit.model.results import Estimate, OperatingPoint
from benchkit.model.stand import Role
from tests.analysis.plants import drive_with_propeller

RPM = np.array([1000.0, 1400.0, 1800.0, 2200.0, 2600.0, 3000.0])


class TestSquareLaw:
    def test_exact_line(self):
        # exact: 3·(n/60)² + 2
        y = 3.0 * (RPM / 60.0) ** 2 + 2.0
        fit = fit_square_law(RPM, y, unit="N", with_offset=True)
        assert (fit.slope.value, fit.offset.value) == pytest.approx((3.0, 2.0), rel=1e-9)
        assert fit.slope.unit == "N·s²"
        assert fit.at(600.0) == pytest.approx(302.0)
        assert fit.band(RPM).max() < 1e-8

    def test_band_holds_the_line_in_95_of_100(self):
        rng = np.random.default_rng(2)
        truth = 0.25 * (RPM / 60.0) ** 2
        inside = np.zeros(RPM.size)
        for _ in range(1000):
            fit = fit_square_law(RPM, truth + rng.normal(0.0, 2.0, RPM.size), unit="N", with_offset=True)
            inside += np.abs(fit.at(RPM) - truth) <= fit.band(RPM)
        assert np.all((inside > 930) & (inside < 970))

    def test_false_alarms_of_both_tests_are_as_many_as_stated(self):
        rng = np.random.default_rng(3)
        n = np.repeat(RPM, 3)
        truth = 0.25 * (n / 60.0) ** 2
        alarms = {"F": 0, "chi2": 0}
        for _ in range(1000):
            y = truth + rng.normal(0.0, 2.0, n.size)
            fit = fit_square_law(n, y, np.full(n.size, 2.0), unit="N")
            alarms["F"] += fit_test(y, fit.at(n), 1, groups=n.tolist()).is_significant()
            alarms["chi2"] += fit_test(y, fit.at(n), 1, u=np.full(n.size, 2.0)).is_significant()
        assert all(32 <= count <= 70 for count in alarms.values()), alarms  # 50 ± 3 √47.5

    def test_a_coefficient_that_changes_with_speed_is_seen(self):
        rng = np.random.default_rng(4)
        n = np.repeat(RPM, 3)
        y = 0.25 * (n / 60.0) ** 2 * (1.0 + 0.05 * (n - 2000.0) / 1000.0) + rng.normal(0.0, 2.0, n.size)
        fit = fit_square_law(n, y, unit="N")
        by_f = fit_test(y, fit.at(n), 1, groups=n.tolist())
        assert by_f.kind == "F"
        assert by_f.dof == (5, 12)
        assert by_f.is_significant()
        # independent: F from the textbook sums over groups
        means = y.reshape(6, 3).mean(axis=1)
        pure = np.sum((y.reshape(6, 3) - means[:, None]) ** 2) / 12
        lof = 3 * np.sum((means - fit.at(RPM)) ** 2) / 5
        assert by_f.statistic == pytest.approx(lof / pure)
        assert by_f.p == pytest.approx(stats.f.sf(lof / pure, 5, 12))
        by_chi = fit_test(y, fit.at(n), 1, u=np.full(n.size, 2.0))
        assert by_chi.p == pytest.approx(stats.chi2.sf(np.sum(((y - fit.at(n)) / 2) ** 2), 17))

    @pytest.mark.parametrize(
        ("kwargs", "text"),
        [
            ({}, "cannot be judged"),
            ({"u": [1.0]}, "no degree of freedom"),
            ({"groups": [1, 1]}, "no degree of freedom"),
        ],
    )
    def test_refusals(self, kwargs, text):
        y = [1.0] if "u" in kwargs else [1.0, 2.0]
        with pytest.raises(UsageError, match=text):
            fit_test(y, [1.0] * len(y), 1, **kwargs)


class TestZero:
    LINE = ZeroLine(Estimate(0.4, 0.05, "N", 20.0), Estimate(1.2, 0.05, "N", 20.0), 10.0, 210.0)

    def test_line_between_the_two(self):
        zero, u = self.LINE.at([10.0, 110.0, 210.0, 9.0, 211.0])
        assert zero[:3] == pytest.approx([0.4, 0.8, 1.2])
        # exact: at an end that of the end, in the middle 1/√2 of it
        assert u[:3] == pytest.approx([0.05, 0.05 / math.sqrt(2), 0.05])
        assert np.isnan(zero[3:]).all()
        assert self.LINE.drift.value == pytest.approx(0.8)
        assert self.LINE.has_moved
        assert not replace(self.LINE, after=Estimate(0.45, 0.05, "N", 20.0)).has_moved

    def test_budget_says_what_the_zero_adds(self):
        found = corrected_for_zero(Estimate(100.0, 0.01, "N"), 110.0, self.LINE)
        assert found.value == pytest.approx(99.2)
        assert found.budget[0].name == "zero"
        assert math.isnan(corrected_for_zero(Estimate(100.0, 0.01, "N"), 300.0, self.LINE).value)


class TestCorrections:
    def test_none_by_default(self):
        thrust = Estimate(100.0, 0.5, "N")
        assert corrected(thrust, []) is thrust

    def test_named_factor_enters_value_and_budget(self):
        blockage = Correction("blockage", Estimate(1.02, 0.01, "1"), "own survey with and without fairing")
        found = corrected(Estimate(100.0, 0.5, "N"), [blockage])
        assert found.value == pytest.approx(102.0)
        assert found.u == pytest.approx(math.hypot(1.0, 0.51))  # exact: 100·0.01 and 1.02·0.5
        assert found.budget[0].name == "correction blockage"

    @pytest.mark.parametrize(
        ("name", "factor", "source"), [("", 1.0, "x"), ("blockage", 1.0, " "), ("blockage", 0.0, "x")]
    )
    def test_nothing_without_a_source(self, name, factor, source):
        with pytest.raises(UsageError, match="a name, a source and a positive factor"):
            corrected(Estimate(1.0, 0.1, "N"), [Correction(name, Estimate(factor, 0.0, "1"), source)])


class TestRecirculation:
    def held(self, closed, seconds=120.0):
        plant = drive_with_propeller()
        plant.demand.speed_rpm = 2000.0
        for _ in range(200):
            plant.step(0.05)
        plant.demand.recirculation = closed
        rows = []
        rng = np.random.default_rng(1)
        for _ in range(round(seconds / 0.1)):
            plant.step(0.1)
            rows.append((plant.state.time_s, plant.state.thrust_n + rng.normal(0, 0.5), plant.state.speed_rpm))
        return np.array(rows).T

    def test_a_closed_hall_is_seen_and_an_open_one_is_not(self):
        found = recirculation(*self.held(True))
        assert found.falls
        # exact: built-up share 1 - exp(-t/60): means over the first and last 24 s of 120 s, times 12 %
        built = [1 - 60 / 24 * (math.exp(-a / 60) - math.exp(-(a + 24) / 60)) for a in (0.0, 96.0)]
        assert found.change.value == pytest.approx((1 - 0.12 * built[1]) / (1 - 0.12 * built[0]) - 1, abs=3e-3)
        assert not recirculation(*self.held(False)).falls

    def test_too_short(self):
        with pytest.raises(UsageError, match="too few rows"):
            recirculation(np.arange(20.0), np.ones(20), np.ones(20))
        with pytest.raises(UsageError, match="too few rows"):
            recirculation([], [], [])


def cts(values, u=1e-4):
    return [Estimate(v, u, "1") for v in values]


class TestHysteresis:
    def test_same_both_ways(self):
        rng = np.random.default_rng(6)
        alarms = 0
        for _ in range(500):
            up, down = (cts(0.125 + rng.normal(0, 1e-4, 6)) for _ in range(2))
            alarms += hysteresis(RPM.tolist(), up, RPM.tolist(), down).is_significant
        assert 10 <= alarms <= 42  # 25 ± 3.5 √24

    def test_a_gap_is_found_and_measured(self):
        found = hysteresis(RPM.tolist(), cts([0.125] * 6), RPM[::-1].tolist(), cts([0.1235] * 6))
        assert found.is_significant
        assert found.mean.value == pytest.approx(-0.0015)
        assert found.mean.u == pytest.approx(1e-4 * math.sqrt(2 / 6))

    def test_only_speeds_that_both_ways_share(self):
        found = hysteresis([1000.0, 2000.0, 3000.0], cts([0.125] * 3), [2500.0, 1500.0], cts([0.124, 0.126]))
        assert found.speeds_rpm == (2000.0,)
        assert found.mean.value == pytest.approx(0.0)
        assert hysteresis([1000.0], cts([0.1]), [2000.0, 1500.0], cts([0.1, 0.1])) is None


def static_rows(stand, speeds, ct=0.125, cp=0.055, noise=0.0, seed=1, scale=None):
    """Static points of the example stand as its own formulas make them, scatter and calibration apart."""
    from benchkit.analysis.propeller import power_from_cp, static_thrust, thrust_from_ct

    rng = np.random.default_rng(seed)
    rows = []
    for k, n in enumerate(speeds):
        factor = 1.0 if scale is None else scale[k]
        thrust = float(thrust_from_ct(ct, n, 1.3, 1.19931)) * factor * (1 + noise * rng.standard_normal())
        torque = (
            float(power_from_cp(cp, n, 1.3, 1.19931)) / (2 * math.pi * n / 60) * (1 + noise * rng.standard_normal())
        )
        values = {
            Role.SPEED: (n, 1e-5 * n, 0.2), Role.TORQUE: (torque, noise * torque, 0.1),
            Role.THRUST: (thrust, noise * thrust, 0.5), Role.AIR_TEMP: (20.0, 1e-4, 0.2),
            Role.AIR_PRESSURE: (101325.0, 0.1, 30.0), Role.AIR_HUMIDITY: (0.5, 1e-4, 0.02),
        }  # fmt: skip
        means = {
            stand.roles[r]: combine(v, a, 30.0, b, unit="1", name=stand.roles[r]) for r, (v, a, b) in values.items()
        }
        rows.append(static_thrust(stand, OperatingPoint(k, "rack", 10 * k, 10 * k + 9, 0.0, 1.0, means)))
    return rows


class TestRuns:
    def test_straight_run(self, stand):
        laws, findings = thrust_fits(static_rows(stand, RPM, noise=1e-3))
        assert [law.quantity for law in laws] == ["thrust", "torque"]
        assert findings == ()
        thrust = laws[0]
        # exact: k = CT rho D⁴
        assert thrust.slope.value == pytest.approx(0.125 * 1.19931 * 1.3**4, rel=2e-3)
        assert (thrust.test, thrust.points, thrust.is_curved) == ("chi2", 6, False)
        assert {line.name for line in thrust.slope.budget} == {"slope scatter", "slope calibration"}

    def test_curved_run_with_replicates(self, stand):
        speeds = np.concatenate([RPM, RPM + 2.0])
        bend = 1.0 + 0.04 * (speeds - 2000.0) / 1000.0
        laws, _ = thrust_fits(static_rows(stand, speeds, noise=1e-3, scale=bend))
        assert (laws[0].test, laws[0].is_curved) == ("F", True)
        assert not laws[1].is_curved

    def test_hysteresis_is_a_finding(self, stand):
        speeds = np.concatenate([RPM, RPM[-2::-1]])
        down = np.where(np.arange(speeds.size) > 5, 0.98, 1.0)
        _, findings = thrust_fits(static_rows(stand, speeds, noise=1e-3, scale=down))
        assert [f.code for f in findings] == ["thrust_hysteresis"]
        assert "-1." in findings[0].message or "-2." in findings[0].message
        assert thrust_fits(static_rows(stand, speeds, noise=1e-3))[1] == ()

    def test_too_few_points_say_nothing(self, stand):
        assert thrust_fits(static_rows(stand, RPM[:2], noise=1e-3)) == ((), ())

    def test_points_without_scatter_are_not_judged(self, stand):
        assert thrust_fits(static_rows(stand, RPM, noise=0.0))[0] != ()  # speed scatters still
        rows = [replace(r, thrust_n=replace(r.thrust_n, u=0.0, budget=())) for r in static_rows(stand, RPM)]
        rows = [replace(r, speed_rpm=replace(r.speed_rpm, u=0.0, budget=())) for r in rows]
        assert thrust_fits(rows)[0] == ()

    def test_loadings_of_a_point(self, stand):
        row = static_rows(stand, RPM)[3]
        area = math.pi / 4 * 1.3**2
        power = row.torque_nm.value * row.speed_rpm.value * 2 * math.pi / 60
        assert row.disc_loading_nm2 == pytest.approx(row.thrust_n.value / area)
        assert row.power_loading_wm2 == pytest.approx(power / area)
        assert row.thrust_per_watt == pytest.approx(row.thrust_n.value / power)
        # (13), momentum theory
        assert row.thrust_per_watt == pytest.approx(row.figure_of_merit.value / row.induced_velocity_mps)


def test_loadings_broadcast_and_refuse():
    assert disc_loading([10.0, 20.0], 1.0).shape == (2,)
    assert np.isnan(power_loading(10.0, 0.0))
    assert np.isnan(thrust_per_watt(10.0, [0.0, -1.0])).all()


class TestComparison:
    def test_difference_and_budget(self, stand):
        a, b = static_rows(stand, RPM, noise=2e-4), static_rows(stand, RPM + 50.0, ct=0.1275, noise=2e-4, seed=2)
        found = compare_propellers(a, b, repeatability=0.002, u_diameter=(0.0, 0.0))
        ct = [d for d in found if d.coefficient == "ct"]
        assert [d.speed_rpm for d in ct] == RPM[1:].tolist()  # the first lies below the speeds of B
        for d in ct:
            assert d.relative == pytest.approx(0.02, abs=2e-3)
            assert d.is_significant
            # exact: two mountings of 0.2 % each, scatter small beside
            assert d.difference.u == pytest.approx(0.002 * math.hypot(d.a.value, d.b.value), rel=0.05)
            assert d.difference.budget[0].name == "mounting"
        assert not any(d.is_significant for d in found if d.coefficient == "cp")
        merit = next(d for d in found if d.coefficient == "figure_of_merit")
        assert merit.a.value == pytest.approx(float(figure_of_merit(0.125, 0.055)), rel=2e-3)

    def test_the_same_propeller_again_differs_in_5_of_100(self, stand):
        rng = np.random.default_rng(9)
        alarms = 0
        for seed in range(60):
            factors = 1.0 + 0.002 * rng.standard_normal(2)
            a, b = (
                static_rows(stand, RPM[2:4], ct=0.125 * f, noise=2e-4, seed=100 + 2 * seed + k)
                for k, f in enumerate(factors)
            )
            d = next(
                x for x in compare_propellers(a, b, repeatability=0.002, u_diameter=(0, 0)) if x.coefficient == "ct"
            )
            alarms += d.is_significant
        assert alarms <= 9  # 3 expected of 60; P(>9) = 0.1 %

    def test_diameters_enter_with_their_powers(self, stand):
        rows = static_rows(stand, RPM, noise=1e-6)
        found = compare_propellers(rows, rows, repeatability=0.0, u_diameter=(1e-3, 0.0))
        for name, k in (("ct", 4.0), ("cp", 5.0), ("figure_of_merit", 1.0)):
            d = next(x for x in found if x.coefficient == name)
            assert d.difference.u == pytest.approx(k * 1e-3 * d.a.value, rel=1e-2)
        with pytest.raises(UsageError, match="not negative"):
            compare_propellers(rows, rows, repeatability=-1.0, u_diameter=(0.0, 0.0))
