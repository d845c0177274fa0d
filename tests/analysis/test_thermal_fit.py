"""Fitted networks: constants found, intervals that hold them, orders by prediction, what a record does not tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchkit.analysis.thermal.extrapolate import hot_spot, predict_steady, remaining_wait_s, running_prediction
from benchkit.analysis.thermal.fit import fit_network
from benchkit.analysis.thermal.memory import memory_of
from benchkit.analysis.thermal.networks import Cauer, Foster, cauer_of, foster_of, respond
from benchkit.analysis.thermal.orders import bootstrap, choose_order, flow_law, left_out_error, predict, profile_tau
from benchkit.analysis.thermal.runs import part_of, thermal_run
from benchkit.analysis.uncertainty import interval
from benchkit.errors import UsageError
from benchkit.model.results import Estimate
from tests.analysis.thermal_drives import COOLANT_C, U_SENSOR_K, drives, heat_runs, load_runs, usual_wait_s

TWO = Foster(np.array([0.02, 0.05]), np.array([60.0, 600.0]))
T = np.arange(0.0, 3600.0, 4.0)
LOSS = np.where(T % 1500.0 < 900.0, 1000.0, 300.0)
COOLANT = 40.0 + np.sin(T / 400.0)


def record(noise=0.05, seed=1, foster=TWO, start=(0.0, 0.0), coolant=COOLANT, loss=LOSS):
    rng = np.random.default_rng(seed)
    temp = respond(foster, T, loss, coolant, np.array(start)) + noise * rng.standard_normal(T.size)
    return thermal_run(T, temp, coolant, loss)


@pytest.fixture(scope="module")
def run():
    return record()


@pytest.fixture(scope="module")
def fit(run):
    return fit_network([run], 2)


class TestFit:
    def test_exact_record_gives_its_constants(self):
        found = fit_network([record(noise=0.0, start=(3.0, 8.0))], 2)
        assert found.tau_s == pytest.approx(TWO.tau_s, rel=1e-6)
        assert found.resistance_k_w[0] == pytest.approx(TWO.resistance_k_w, rel=1e-6)
        assert found.starts[0] == pytest.approx([3.0, 8.0], rel=1e-5)

    def test_covariance_is_that_of_the_same_least_squares_elsewhere(self, run, fit):
        """An independent fit of the same model by scipy's curve_fit, white noise."""
        from scipy.optimize import curve_fit

        def model(_, a, b, r1, r2, s1, s2):
            return respond(Foster(np.array([r1, r2]), np.exp([a, b])), T, LOSS, COOLANT, [s1, s2])

        begin = [np.log(70.0), np.log(500.0), 0.03, 0.04, 0.0, 0.0]
        best, covariance = curve_fit(model, T, run.temp_c, begin)
        assert fit.parameters == pytest.approx(best[:4], rel=1e-4)
        assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(np.sqrt(np.diag(covariance)[:4]), rel=0.1)

    def test_runs_share_their_constants(self, run, fit):
        other = record(seed=2, start=(10.0, 30.0))
        both = fit_network([run, other], 2)
        assert np.all(np.diag(both.covariance) < np.diag(fit.covariance))
        assert both.starts.shape == (2, 2)
        assert both.starts[1] == pytest.approx([10.0, 30.0], abs=0.5)
        # a run that weighs nothing adds nothing
        light = fit_network([run, replace(other, u_temp_k=1e4)], 2)
        assert light.tau_s == pytest.approx(fit.tau_s, rel=1e-4)

    def test_two_losses_each_with_its_own_way(self):
        rng = np.random.default_rng(5)
        iron = np.where(T % 700.0 < 350.0, 400.0, 100.0)
        second = respond(Foster(np.array([0.0, 0.03]), TWO.tau_s), T, iron, 0.0, np.zeros(2))
        first = respond(TWO, T, LOSS, COOLANT, np.zeros(2))
        temp = first + second + 0.02 * rng.standard_normal(T.size)
        found = fit_network([thermal_run(T, temp, COOLANT, np.stack([LOSS, iron], axis=1))], 2)
        assert found.total(0).value == pytest.approx(0.07, rel=0.01)
        assert found.total(1).value == pytest.approx(0.03, rel=0.02)

    def test_missing_readings_are_left_out(self, run, fit):
        holes = run.temp_c.copy()
        holes[100:200] = np.nan
        found = fit_network([replace(run, temp_c=holes)], 2)
        assert found.tau_s == pytest.approx(fit.tau_s, rel=0.02)
        assert np.isnan(found.residuals[0][100:200]).all()

    def test_residuals_that_remember_widen_it(self, run, fit):
        noise = np.convolve(np.random.default_rng(2).standard_normal(T.size + 19), np.ones(20) / 20**0.5, "valid")
        lagged = fit_network([replace(run, temp_c=respond(TWO, T, LOSS, COOLANT, [0.0, 0.0]) + 0.05 * noise)], 2)
        assert lagged.total().u > 2.5 * fit.total().u
        assert lagged.dof < 0.2 * fit.dof

    def test_calibration(self, run):
        # exact: an error of the loss moves every resistance by that share; one of the sensor the end by about itself
        plain, loss = fit_network([run], 2), fit_network([run], 2, u_loss_relative=0.02)
        assert loss.total().u == pytest.approx(np.hypot(plain.total().u, 0.02 * plain.total().value), rel=1e-6)
        sensor = fit_network([run], 2, u_sensor_k=0.5)
        shifted = fit_network([replace(run, temp_c=run.temp_c + 0.5)], 2)
        moved = abs(shifted.total().value - plain.total().value)
        assert sensor.total().u == pytest.approx(np.hypot(plain.total().u, moved), rel=0.02)

    def test_constant_load_does_not_tell_the_resistances_apart(self):
        steady = record(loss=np.full(T.size, 800.0), coolant=np.full(T.size, 40.0))
        found = fit_network([steady], 2)
        assert found.notes == ("1 of 6 parameters follow from the others",)
        assert found.total().value == pytest.approx(0.07, rel=0.01)
        cold = fit_network([replace(steady, from_rest=True)], 2)
        assert cold.is_identifiable
        assert cold.resistance_k_w[0] == pytest.approx(TWO.resistance_k_w, rel=0.02)

    def test_a_loss_that_is_mostly_noise_is_said(self, fit):
        """exact: 0.07 K/W · 1000 W · sqrt(4 s/(2 · 600 s)) = 4 K, of a range of some 70 K."""
        assert fit.notes == ()
        temp = respond(TWO, T, LOSS, 40.0, np.zeros(2))
        noise = 1000.0 * np.random.default_rng(3).standard_normal(T.size)
        choice = choose_order([thermal_run(T, temp, 40.0, LOSS + noise)], (1, 2))
        assert choice.order == 1
        assert not choice.fit.is_identifiable
        assert "the loss is too noisy" in choice.fit.notes[0]
        assert "take longer means, or the current" in choice.rows[0].note

    def test_refusals(self, run):
        with pytest.raises(UsageError, match="one to four nodes"):
            fit_network([run], 5)
        with pytest.raises(UsageError, match="no run"):
            fit_network([], 1)
        with pytest.raises(UsageError, match="loss was not measured all the time"):
            thermal_run(T, run.temp_c, COOLANT, np.where(T == 40.0, np.nan, LOSS))
        with pytest.raises(UsageError, match="too few temperatures"):
            thermal_run(T, np.full(T.size, np.nan), COOLANT, LOSS)
        with pytest.raises(UsageError, match="too few readings for so many nodes"):
            fit_network([part_of(run, slice(0, 20))], 4)
        with pytest.raises(UsageError, match="shapes do not fit"):
            thermal_run(T, run.temp_c[1:], COOLANT, LOSS)
        with pytest.raises(UsageError, match="same kinds of loss"):
            fit_network([run, thermal_run(T, run.temp_c, COOLANT, np.stack([LOSS, LOSS], axis=1))], 1)


def test_memory_of_known_noise():
    """exact: first-order noise with coefficient 0.8 remembers (1 + 0.8)/(1 - 0.8) = 9 readings, gamma_k = 0.8^k."""
    from scipy.signal import lfilter

    e = lfilter([1.0], [1.0, -0.8], np.random.default_rng(3).standard_normal(20_000))
    found = memory_of(e)
    assert found.time == pytest.approx(9.0, rel=0.15)
    assert found.gamma[:4] / found.gamma[0] == pytest.approx(0.8 ** np.arange(4), abs=0.03)
    # exact: the product with the Toeplitz matrix of gamma
    from scipy.linalg import toeplitz

    short = memory_of(e[:300])
    columns = np.random.default_rng(4).standard_normal((300, 3))
    assert short.apply(columns) == pytest.approx(toeplitz(short.gamma) @ columns, rel=1e-9, abs=1e-9)
    assert memory_of(np.zeros(50)).time == 1.0


class TestOrders:
    def test_prediction_chooses_two(self, run):
        choice = choose_order([run], (1, 2, 3))
        assert choice.order == 2
        rows = {row.order: row for row in choice.rows}
        # more nodes always fit better; that is not what chooses
        assert rows[3].fitted_rms_k <= rows[2].fitted_rms_k * (1.0 + 1e-6) < rows[1].fitted_rms_k
        assert rows[2].predicted_rms_k < 0.1 < rows[1].predicted_rms_k

    def test_each_run_left_out(self, run):
        choice = choose_order([run, record(seed=2, start=(5.0, 5.0))], (1, 2))
        assert (choice.order, choice.by) == (2, "each run left out in turn")
        assert float(np.std(left_out_error(choice.fit, record(seed=3)))) < 0.1

    def test_forecast_follows_the_truth(self, fit):
        other = record(noise=0.0, loss=np.where(T < 1800.0, 200.0, 1500.0))
        assert predict(fit, other, np.zeros(2)) == pytest.approx(other.temp_c, abs=0.3)

    def test_bootstrap_agrees_with_the_covariance(self, run, fit):
        drawn = bootstrap([run], fit, draws=60, seed=1)
        assert np.nanstd(drawn, axis=0) == pytest.approx(np.sqrt(np.diag(fit.covariance)), rel=0.35)

    def test_profile_has_its_edge_at_the_interval(self, run, fit):
        low, high = interval(fit.tau(1))
        at = profile_tau([run], fit, 1, [low, fit.tau_s[1], high])
        assert at[1] == pytest.approx(0.0, abs=1e-3)
        assert at[[0, 2]] == pytest.approx([3.84, 3.84], rel=0.3)


def test_law_of_coolant_flow():
    # exact: R = 0.02 + 0.03 (q/8)^-0.8
    q = np.array([4.0, 6.0, 8.0, 12.0, 16.0])
    true = 0.02 + 0.03 * (q / 8.0) ** -0.8
    law = flow_law(q.tolist(), [Estimate(r, 1e-4, "K/W") for r in true])
    assert law.exponent.value == pytest.approx(0.8, rel=1e-3)
    assert law.resistance(10.0).value == pytest.approx(0.02 + 0.03 * (10.0 / 8.0) ** -0.8, rel=1e-4)
    assert 0.0 < law.resistance(10.0).u < 2e-4
    assert np.isnan(law.resistance(3.0).value)
    two = flow_law([4.0, 8.0], [Estimate(true[0], 1e-4, "K/W"), Estimate(true[2], 1e-4, "K/W")])
    assert two.resistance(6.0).value == pytest.approx(true[1], rel=1e-3)
    with pytest.raises(UsageError, match="does not fall with the flow"):
        flow_law([4.0, 8.0], [Estimate(0.05, 1e-4, "K/W"), Estimate(0.06, 1e-4, "K/W")])
    with pytest.raises(UsageError, match="two different flows"):
        flow_law([4.0], [Estimate(0.05, 1e-4, "K/W")])


class TestBeforeTheEnd:
    """Short form of the bench figures over 300 drives."""

    def test_end_at_a_third_of_the_wait(self):
        known = drives(2, 2, 14)
        for drive, test in zip(known, heat_runs(known, 34), strict=True):
            third = part_of(test.run, test.run.time_s <= usual_wait_s(test) / 3.0)
            found = predict_steady(third, reference_c=COOLANT_C, u_sensor_k=U_SENSOR_K)
            assert abs(found.final_c.value - drive.final_c(drive.current_a)) < 1.5
            assert found.remaining_s > 0.0
            assert not found.pays
            assert "would tell little" in found.reason

    def test_the_interval_shrinks_and_the_start_says_nothing(self):
        known = drives(1, 2, 3)
        (test,) = heat_runs(known, 4)
        run, wait = test.run, usual_wait_s(test)
        early, later, late = running_prediction(run, (600.0, 0.35 * wait, wait), u_sensor_k=U_SENSOR_K)
        assert np.isnan(early.final_c.value)
        assert "no end is told from less than 15 min" in early.reason
        assert late.final_c.u < later.final_c.u

    def test_growth_of_the_loss_is_counted(self):
        """Without it the end would be that of the loss now: too low."""
        known = drives(1, 2, 8)
        (test,) = heat_runs(known, 9)
        third = part_of(test.run, test.run.time_s <= usual_wait_s(test) / 3.0)
        true = known[0].final_c(known[0].current_a)
        assert abs(predict_steady(third, reference_c=COOLANT_C).final_c.value - true) < 1.5
        fit = fit_network([third], 2)
        at_the_loss_now = COOLANT_C + fit.total().value * float(third.loss_w[-100:].mean())
        assert at_the_loss_now < true - 1.0

    def test_wait(self):
        # exact: the change over half an hour, half an hour after the criterion is met, is one kelvin
        tau, left = 1500.0, 25.0
        t = remaining_wait_s(left, tau)
        assert left * (np.exp(-(t - 1800.0) / tau) - np.exp(-t / tau)) == pytest.approx(1.0, rel=1e-12)
        assert remaining_wait_s(0.1, tau) == 0.0

    def test_hot_spot(self):
        # exact: 100 + 0.1 * 60
        found = hot_spot(Estimate(100.0, 0.5, "°C"), 40.0, Estimate(0.1, 0.03, "1"))
        assert found.value == pytest.approx(106.0, rel=1e-12)
        assert found.u == pytest.approx(np.hypot(1.1 * 0.5, 60.0 * 0.03), rel=1e-6)


def test_intervals_of_known_drives():
    """Short form: of three drives nearly all intervals hold; the long form is a bench figure."""
    known = drives(3, 2, 40)
    held = []
    for drive, test in zip(known, load_runs(known, 41), strict=True):
        fit = fit_network([test.run], 2, u_sensor_k=U_SENSOR_K, u_loss_relative=0.005)
        truth = foster_of(drive.cauer)
        for estimate, value in [(fit.tau(i), truth.tau_s[i]) for i in range(2)] + [(fit.total(), truth.total_k_w)]:
            low, high = interval(estimate)
            held.append(low <= value <= high)
        found = cauer_of(fit.foster())
        assert isinstance(found, Cauer)
        assert found.capacity_j_k == pytest.approx(drive.cauer.capacity_j_k, rel=0.1)
    assert sum(held) >= len(held) - 2
