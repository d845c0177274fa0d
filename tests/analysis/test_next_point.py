"""The choice of the next point of a map: against refits, and on simulated benches against an even grid."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from benchkit.analysis import surface as smooth
from benchkit.analysis.efficiency_map import fit_map
from benchkit.analysis.next_point import (
    Places,
    _with_one_more,
    first_points,
    is_certain,
    map_uncertainty,
    next_point,
    next_points,
    surprise,
)
from benchkit.errors import UsageError
from tests.analysis.map_benches import ASKED, EVEN, NODES, Bench, adapt, walk


@pytest.fixture(scope="module")
def bench():
    """A drive of which every third point of the even grid has been measured."""
    return walk(Bench(3, "a resonance"), Places(EVEN.speed_rpm[::3], EVEN.torque_nm[::3]))


@pytest.fixture(scope="module")
def fit(bench):
    return bench.fit()


def test_variance_taken_is_that_of_a_refit_with_the_point_in_it():
    rng = np.random.default_rng(5)
    P = rng.uniform(0, 1, (20, 2))
    X, at = np.column_stack([np.ones(20), P]), rng.uniform(0, 1, (7, 2))
    asked, u = rng.uniform(0, 1, (4, 2)), np.array([0.1, 0.2, 0.3, 0.4])
    weight = rng.uniform(0.5, 2.0, 7)
    members = (smooth.Member((0.4, 0.8), 1.3, 1.2, 0.7), smooth.Member((0.2, 0.2), 0.6, 1.0, 0.3))
    surface = smooth.Surface(X, P, rng.standard_normal(20), np.full(20, 0.2), members)
    taken = smooth.variance_taken(
        surface, (np.column_stack([np.ones(7), at]), at), (np.column_stack([np.ones(4), asked]), asked), u, weight
    )
    for k in range(4):
        expected = 0.0
        for member in members:  # exact: the variance knows no reading, so any value will do
            alone = replace(surface, members=(replace(member, weight=1.0),))
            place = asked[k : k + 1]
            more = smooth.Surface(
                np.vstack([X, np.column_stack([[1.0], place])]),
                np.vstack([P, place]),
                np.append(alone.y, 0.0),
                np.append(alone.u, u[k]),
                alone.members,
            )
            nodes = np.column_stack([np.ones(7), at]), at
            fallen = smooth.predict(alone, *nodes).variance - smooth.predict(more, *nodes).variance
            expected += member.weight * float(weight @ fallen)
        assert taken[k] == pytest.approx(expected, rel=1e-9)


def test_the_cheapest_of_equals_is_chosen_and_heat_has_a_price(fit):
    two = Places(np.array([1500.0, 1500.0]), np.array([45.0, 45.0]))
    assert next_point(fit, "drive", NODES, two, [2.0, 1.0], [0.0, 0.0]).index == 1
    assert next_point(fit, "drive", NODES, two, [1.5, 1.0], [0.0, 20.0], 0.1).index == 0
    assert next_point(fit, "drive", NODES, two, [1.5, 1.0], [0.0, -20.0], 0.1).index == 1  # cooling earns nothing


def test_it_promises_what_comes(bench, fit):
    cost = np.ones(len(ASKED)), np.zeros(len(ASKED))
    chosen = next_point(fit, "drive", NODES, ASKED, *cost)
    assert chosen.u_now == pytest.approx(map_uncertainty(fit, "drive", NODES), rel=1e-12)
    assert chosen.u_then < chosen.u_now
    assert (chosen.speed_rpm, chosen.torque_nm) == (ASKED.speed_rpm[chosen.index], ASKED.torque_nm[chosen.index])
    # where the efficiency hangs most on a watt: little power
    assert chosen.speed_rpm * chosen.torque_nm < 0.5 * 3400.0 * 130.0


def test_a_block_is_worth_more_than_its_first_point_and_goes_the_short_way(bench, fit):
    def minutes(k):
        n, T = bench.at if k is None else (ASKED.speed_rpm[k], ASKED.torque_nm[k])
        return 0.5 + np.abs(ASKED.speed_rpm - n) / 3000.0 + np.abs(ASKED.torque_nm - T) / 200.0

    block = next_points(fit, "drive", NODES, ASKED, minutes, np.zeros(len(ASKED)), 5)
    alone = next_point(fit, "drive", NODES, ASKED, minutes(None), np.zeros(len(ASKED)))
    assert alone.index in [point.index for point in block]
    assert min(point.u_then for point in block) < alone.u_then
    # what the block promises is what a fit with these members says after it, whatever the readings
    more = fit
    for point in block:
        more = _with_one_more(more, "drive", ASKED, point.index)
    assert map_uncertainty(more, "drive", NODES) == pytest.approx(min(p.u_then for p in block), rel=0.02)
    away = [float(minutes(a.index)[b.index]) for a, b in pairwise(block)]
    assert sum(away) < 5 * 1.5


def test_a_surprise_is_told_in_standard_uncertainties(bench, fit):
    more = Bench(bench.seed, bench.form, rows=[*bench.rows])
    more.measure(1800.0, 60.0)
    as_it_is = surprise(fit, "drive", more.points)
    assert abs(as_it_is) < 4.0
    points = more.points
    moved = replace(points, means={**points.means})
    shift = np.zeros(len(more.rows))
    shift[-1] = 1.0  # one ampere of current is 400 W of loss
    role = next(r for r in moved.means if r.value == "dc_current")
    moved.means[role] = moved.means[role] + shift  # type: ignore[index]
    assert surprise(fit, "drive", moved) > as_it_is + 3.0


def test_certain_takes_two_looks_and_points_that_came_as_expected():
    calm = [0.1, -0.5, 1.0, 0.3, -1.2, 0.8]
    assert is_certain([1.0, 1.0, 1.0, 1.0, 0.4, 0.4], calm, 0.5)
    assert not is_certain([1.0, 1.0, 1.0, 1.0, 0.6, 0.4], calm, 0.5)
    assert not is_certain([0.4] * 6, calm[:5], 0.5)
    assert not is_certain([0.4] * 6, [*calm[:5], 4.0], 0.5)


def test_first_points_spread():
    chosen = first_points(ASKED, 5)
    corners = {(900.0, 20.0), (3400.0, 20.0), (900.0, 130.0), (3400.0, 130.0)}
    assert corners == {(ASKED.speed_rpm[k], ASKED.torque_nm[k]) for k in chosen[:4]}
    assert len(first_points(Places(np.array([1.0, 2.0]), np.array([1.0, 1.0])), 9)) == 2


def test_wrong_use(fit):
    none, one = Places(np.empty(0), np.empty(0)), Places(np.array([1500.0]), np.array([45.0]))
    with pytest.raises(UsageError, match="no set-point to choose from"):
        next_point(fit, "drive", NODES, none, [], [])
    with pytest.raises(UsageError, match="no set-point to choose from"):
        first_points(none)
    with pytest.raises(UsageError, match="a point takes time"):
        next_point(fit, "drive", NODES, one, [0.0], [0.0])
    with pytest.raises(UsageError, match="'gearbox' was not fitted"):
        map_uncertainty(fit, "gearbox", NODES)


def test_the_inverter_is_asked_with_the_motor_behind_it(bench):
    both = fit_map(bench.points, "inverter")
    u = map_uncertainty(both, "inverter", NODES)
    assert 0.0 < u < 0.01
    assert math.isfinite(next_point(both, "inverter", NODES, ASKED, np.ones(468), np.zeros(468)).u_then)


def test_a_drive_is_mapped_in_less_time_than_by_an_even_grid():
    even = walk(Bench(0), Bench(0).allowed(EVEN))
    wanted = map_uncertainty(even.fit(), "drive", NODES)
    found = adapt(Bench(0), wanted)
    assert map_uncertainty(found.fit(), "drive", NODES) <= wanted
    assert found.minutes < 0.6 * even.minutes
    assert found.error(NODES) < 3.0 * wanted
    assert found.winding_c <= 140.0 + 1e-9


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_fifty_drives():
    from tests.bench.adaptive_map import shares

    found = shares(range(50))
    print(
        f"time of the even grid: {np.median(found.adaptive):.2f} chosen, {np.median(found.random):.2f} in any order; "
        f"error {np.median(found.error):.2f} of the grid's, {np.median(found.error_over_u):.2f} of what is stated"
    )
    assert np.median(found.adaptive) <= 0.6
