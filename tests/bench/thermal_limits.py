"""Thermal networks against drives whose networks are known, and how long fits and live estimates take.

Reference of the fit, in the same run: ``scipy.optimize.least_squares`` over the same model, stepped by
``scipy.signal.lsim``, from the same start on the same record.

Of 300 drives every :data:`WATCHED`-th is watched until the wait no longer pays. Where all figures are taken together,
every thirtieth is. ``python -m
tests.bench.thermal_limits 0 150`` watches all of those from one place to another and prints what it counted as JSON;
``--sum FILE ...`` gives the figures of several such portions.
"""

from __future__ import annotations

import json
import math
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from benchkit.analysis.thermal.extrapolate import predict_steady
from benchkit.analysis.thermal.fit import fit_network
from benchkit.analysis.thermal.live import live_model, start, step, time_to_limit_s
from benchkit.analysis.thermal.loss_law import fit_loss_law
from benchkit.analysis.thermal.networks import Foster, foster_of, respond
from benchkit.analysis.thermal.ratings import Part, continuous_current
from benchkit.analysis.thermal.runs import ThermalRun, part_of, thermal_run
from benchkit.analysis.uncertainty import interval
from benchkit.model.results import Estimate
from tests.analysis.thermal_drives import (
    COOLANT_C,
    LIMIT_C,
    SAMPLES,
    U_LOSS,
    U_SENSOR_K,
    Drive,
    Test,
    drives,
    heat_runs,
    load_runs,
    usual_wait_s,
)
from tests.bench.cores import on_all_cores
from tests.bench.figure import Figure, at_least, at_most, between

FloatArray = npt.NDArray[np.float64]
NAMES = (
    "coverage_thermal_tau",
    "coverage_thermal_resistance",
    "coverage_thermal_final",
    "thermal_rating_error_median_pct",
    "steady_within_1_5_k_pct",
    "steady_error_p95_k",
    "bench_time_saved_median_pct",
    "bench_time_saved_median_min",
    "thermal_fit_s",
    "thermal_fit_over_lsim_pct",
    "thermal_live_us",
)
DRIVES = 300
WATCHED = 6
"""Every so many of the drives the bench watches: fixed, so that each bench watches the same ones."""
SHORT_WATCHED = 30
"""The same where all figures are taken: as many with two nodes as with three."""
WITHIN_K = 1.5
LOOKS = (0.15, 0.2, 0.25, 1.0 / 3.0, 0.4, 0.5, 0.65, 0.8, 1.0)
"""Shares of the usual wait at which a watch would look."""
HOURS = 8.0
GOAL_PCT = 100.0 * 3.0 / 20.0
"""Three times a twentieth of the time of the reference."""
LIVE_STEPS = 20_000


@dataclass
class Tally:
    """What a study of many drives counts."""

    tau: list[bool] = field(default_factory=list)
    resistance: list[bool] = field(default_factory=list)
    final: list[bool] = field(default_factory=list)
    rating: list[float] = field(default_factory=list)
    error_k: list[float] = field(default_factory=list)
    saved_share: list[float] = field(default_factory=list)
    saved_s: list[float] = field(default_factory=list)

    def add(self, other: Mapping[str, list[Any]]) -> None:
        for name, values in other.items():
            getattr(self, name).extend(values)


def holds(estimate: Estimate, truth: float) -> bool:
    low, high = interval(estimate)
    return bool(low <= truth <= high)


def study(places: Sequence[int], watched: Sequence[int], seed: int = 12) -> Tally:
    """Some of the :data:`DRIVES` drives, the first half with two nodes, the others with three; a load run and a heat
    run each, and a watch on some of the heat runs."""
    tally = Tally()
    half = DRIVES // 2
    for nodes in (2, 3):
        known = drives(half, nodes, seed + nodes)
        loads, heats = load_runs(known, seed + 10 + nodes), heat_runs(known, seed + 20 + nodes)
        for i, (drive, load, heat) in enumerate(zip(known, loads, heats, strict=True)):
            place = i + half * (nodes - 2)
            if place in places:
                judge_network(tally, drive, load)
                judge_end(tally, drive, heat)
            if place in watched:
                judge_wait(tally, heat)
    return tally


def judge_network(tally: Tally, drive: Drive, test: Test) -> None:
    """Time constants, resistances and the continuous current from one load run."""
    truth = foster_of(drive.cauer)
    order = truth.tau_s.size
    fit = fit_network([test.run], order, u_sensor_k=U_SENSOR_K, u_loss_relative=U_LOSS)
    tally.tau += [holds(fit.tau(i), float(truth.tau_s[i])) for i in range(order)]
    tally.resistance += [holds(fit.resistance(i), float(truth.resistance_k_w[i])) for i in range(order)]
    tally.resistance.append(holds(fit.total(), truth.total_k_w))
    law = fit_loss_law(test.current_a, np.full(SAMPLES, 3000.0), test.run.temp_c, test.run.loss_w[:, 0])
    part = Part("winding", Estimate(LIMIT_C, 0.0, "°C"), fit, law)
    current = continuous_current(part, Estimate(COOLANT_C, 0.0, "°C"), 3000.0)
    tally.rating.append(abs(current.value / drive.continuous_a() - 1.0))


def judge_end(tally: Tally, drive: Drive, test: Test) -> None:
    """End of a heat run from the first third of the usual wait."""
    third = part_of(test.run, test.run.time_s <= usual_wait_s(test) / 3.0)
    found = predict_steady(third, reference_c=COOLANT_C, u_sensor_k=U_SENSOR_K)
    truth = drive.final_c(drive.current_a)
    tally.error_k.append(abs(found.final_c.value - truth))
    tally.final.append(bool(found.final_c.is_measured and holds(found.final_c, truth)))


def judge_wait(tally: Tally, test: Test) -> None:
    """Time until a watch that looks now and then says that the rest of the wait does not pay."""
    wait = usual_wait_s(test)
    for share in LOOKS:
        seen = part_of(test.run, test.run.time_s <= share * wait)
        if not predict_steady(seen, reference_c=COOLANT_C, u_sensor_k=U_SENSOR_K).pays or share == 1.0:
            tally.saved_share.append(1.0 - share)
            tally.saved_s.append((1.0 - share) * wait)
            return


def measure() -> Iterator[Figure]:
    """Coverage and errors over 300 drives, then times."""
    yield from figures(_study(WATCHED))
    yield from _times()


def measure_short() -> Iterator[Figure]:
    """The same with fewer of them watched, where all figures are taken."""
    yield from figures(_study(SHORT_WATCHED))
    yield from _times()


def _study(every: int) -> Tally:
    """All drives, of which every so many are watched; every other drive in one piece."""
    tally = Tally()
    for part in on_all_cores(_part, [(range(k, DRIVES, 2), range(0, DRIVES, every)) for k in range(2)]):
        tally.add(asdict(part))
    return tally


def _part(places: tuple[range, range]) -> Tally:
    own, watched = places
    return study(own, [place for place in watched if place in own])


def figures(tally: Tally) -> Iterator[Figure]:
    """Shares and errors of a study."""
    yield between("coverage_thermal_tau", 100.0 * float(np.mean(tally.tau)), "% inside", 93.0, 97.0)
    yield between("coverage_thermal_resistance", 100.0 * float(np.mean(tally.resistance)), "% inside", 93.0, 97.0)
    yield between("coverage_thermal_final", 100.0 * float(np.mean(tally.final)), "% inside", 93.0, 97.0)
    yield at_most("thermal_rating_error_median_pct", 100.0 * float(np.median(tally.rating)), "%", 2.0)
    errors = np.nan_to_num(np.array(tally.error_k), nan=np.inf)
    yield at_least("steady_within_1_5_k_pct", 100.0 * float(np.mean(errors <= WITHIN_K)), "% of drives", 95.0)
    yield Figure("steady_error_p95_k", float(np.quantile(errors, 0.95)), "K")
    yield Figure("bench_time_saved_median_pct", 100.0 * float(np.median(tally.saved_share)), "%")
    yield Figure("bench_time_saved_median_min", float(np.median(tally.saved_s)) / 60.0, "min")


# ---------------------------------------------------------------------------------------------------------- times
def long_run() -> tuple[ThermalRun, Foster]:
    """Eight hours at 1 Hz of a network of four nodes under a changing load."""
    foster = Foster(np.array([0.010, 0.015, 0.025, 0.030]), np.array([12.0, 90.0, 600.0, 3600.0]))
    rng = np.random.default_rng(4)
    t = np.arange(0.0, HOURS * 3600.0)
    loss = 400.0 + 900.0 * (np.floor(t / 1500.0) * 0.618 % 1.0)
    coolant = 40.0 + 2.0 * np.sin(t / 2500.0)
    temp = respond(foster, t, loss, coolant, np.zeros(4)) + 0.05 * rng.standard_normal(t.size)
    return thermal_run(t, temp, coolant, loss), foster


def fit_by_lsim(run: ThermalRun, tau_s: FloatArray, R_k_w: FloatArray) -> tuple[FloatArray, int]:
    """Parameters (ln tau, R, starts) by least squares with ``lsim`` of the same model; and the calls it took."""
    from scipy.optimize import least_squares
    from scipy.signal import lsim

    n = tau_s.size
    calls = 0
    rise = run.temp_c

    def residuals(p: FloatArray) -> FloatArray:
        nonlocal calls
        calls += 1
        tau = np.exp(np.clip(p[:n], -5.0, 15.0))
        weights = np.array([np.prod([a / (a - b) for b in tau if b != a]) for a in tau])
        # two inputs (loss, coolant) into n states each
        A = np.diag(np.concatenate([-1.0 / tau, -1.0 / tau]))
        B = np.zeros((2 * n, 2))
        B[:n, 0], B[n:, 1] = 1.0 / tau, 1.0 / tau
        C = np.concatenate([p[n : 2 * n], weights])[None, :]
        x0 = np.concatenate([p[2 * n :] / p[n : 2 * n], np.full(n, run.reference_c[0])])
        _, y, _ = lsim(
            (A, B, C, np.zeros((1, 2))), np.stack([run.loss_w[:, 0], run.reference_c], axis=1), run.time_s, x0
        )
        return np.asarray(y - rise)

    begin = np.concatenate([np.log(tau_s), R_k_w, np.zeros(n)])
    found = least_squares(residuals, begin, x_scale=np.maximum(np.abs(begin), 1.0), xtol=1e-9, ftol=1e-11, max_nfev=60)
    return np.asarray(found.x), calls


def _times() -> Iterator[Figure]:
    run, truth = long_run()
    begin = truth.tau_s * np.array([1.5, 0.7, 1.4, 0.7])
    fit_network([run], 4, start_tau_s=begin.tolist())  # modules are loaded, caches warm
    t0 = time.process_time()
    ours = fit_network([run], 4, start_tau_s=begin.tolist())
    own_s = time.process_time() - t0
    t0 = time.process_time()
    theirs, _ = fit_by_lsim(run, begin, truth.resistance_k_w * np.array([1.4, 0.8, 0.8, 1.2]))
    lsim_s = time.process_time() - t0
    same = float(np.max(np.abs(np.sort(theirs[:4]) - ours.parameters[:4])))
    yield Figure("thermal_fit_s", own_s, "s processor")
    yield at_most("thermal_fit_over_lsim_pct", 100.0 * own_s / lsim_s if same < 0.2 else math.nan, "%", GOAL_PCT)
    yield at_most("thermal_live_us", _live_us(truth), "us a step", 50.0)


def _live_us(foster: Foster) -> float:
    model = live_model(foster, sd_k=0.1, memory_s=10.0)
    state = start(model, 0.0, 40.0, 40.0)
    t0 = time.process_time()
    for k in range(1, LIVE_STEPS):
        state = step(model, state, 0.1 * k, 1500.0, 40.0, 40.0)
        time_to_limit_s(model, state, 140.0)
    return 1e6 * (time.process_time() - t0) / LIVE_STEPS


def main(arguments: Sequence[str]) -> None:
    if arguments and arguments[0] == "--sum":
        tally = Tally()
        for name in arguments[1:]:
            tally.add(json.loads(Path(name).read_text()))
        print(f"{len(tally.final)} drives, {len(tally.saved_share)} watched")
        for figure in figures(tally):
            print(figure.line())
        return
    first, last = (int(x) for x in arguments) if arguments else (0, DRIVES)
    print(json.dumps(asdict(study(range(first, last), range(first, last)))))


if __name__ == "__main__":
    main(sys.argv[1:])
