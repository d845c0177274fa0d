"""Do the linear and the Monte Carlo 95 % intervals agree, where a formula hardly bends within its uncertainty?"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from benchkit.analysis.linear_checks import BALANCE_FIELDS, BENDS, COEFFICIENT_FIELDS
from benchkit.analysis.monte_carlo import bending, propagate_distributions, validate_linear
from benchkit.analysis.power import INPUT_ROLES, balance_arrays, balance_inputs, power_balance
from benchkit.analysis.propeller import coefficient_formulas, diameter_of, static_thrust
from benchkit.analysis.steady import channel_means
from benchkit.cli.coverage_study import stream_of
from benchkit.model.results import Estimate, OperatingPoint
from benchkit.profiles import load_stand, shared_path
from benchkit.simulate.drives import Load
from benchkit.simulate.records import steady_record
from tests.bench.figure import Figure, at_most

NAMES = ("monte_carlo_vs_linear_pct", "monte_carlo_flags_wrong")
POINTS = 12


def measure() -> Iterator[Figure]:
    """Largest distance of the ends, over the half-width, of all results at seeded points of the simulated stand."""
    worst, compared, bent = 0.0, 0, 0
    for seed in range(1, POINTS + 1):
        for function, inputs, shown in (_drive(seed), _propeller(seed)):
            bends = bending(function, inputs)
            trials = propagate_distributions(function, inputs, seed=seed, fraction=0.05, most_trials=400_000)
            for k, estimate in enumerate(shown):
                if bends[k] > BENDS:
                    bent += 1
                    continue
                worst = max(worst, validate_linear(estimate, trials[k]).largest_share)
                compared += 1
    yield at_most("monte_carlo_vs_linear_pct", 100.0 * worst, f"% of U, of {compared}", 5.0)
    yield at_most("monte_carlo_flags_wrong", float(bent), "healthy results called bent", 0.0)


def _drive(seed: int):
    stand = load_stand(shared_path("stands", "airboat_map.toml")).stand
    rng = np.random.default_rng([seed, 41])
    point = _point(stand, Load.MACHINE, float(rng.uniform(900.0, 3400.0)), float(rng.uniform(20.0, 130.0)), seed)
    balance, inputs = power_balance(stand, point), balance_inputs(stand, point)
    return balance_arrays, [inputs[role] for role in INPUT_ROLES], [getattr(balance, name) for name in BALANCE_FIELDS]


def _propeller(seed: int):
    stand = load_stand(shared_path("stands", "airboat.toml")).stand
    speed = float(np.random.default_rng([seed, 42]).uniform(1200.0, 3200.0))
    row = static_thrust(stand, _point(stand, Load.PROPELLER, speed, math.nan, seed))
    assert row is not None
    inputs: list[Estimate] = [row.thrust_n, row.torque_nm, row.speed_rpm, diameter_of(stand), row.density_kgm3]
    return coefficient_formulas, inputs, [getattr(row, name) for name in COEFFICIENT_FIELDS]


def _point(stand, load, speed, torque, seed):
    rows, _ = steady_record(stand, load, speed, torque, seconds=20.0, rate_hz=20.0, seed=seed)
    stream = stream_of(stand, rows)
    means = channel_means(stand, stream, 0, len(stream))
    return OperatingPoint(0, stream.source, 0, len(stream), 0.0, 20.0, means)
