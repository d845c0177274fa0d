"""When a map that grows is certain: the last maps say what all of them say, and nothing is certain outside."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.analysis.map_certainty import EDGE, LOOKED_AT, Watched, replayed, verdict
from benchkit.analysis.map_points import MapPoints
from benchkit.analysis.next_point import FIRST_POINTS, LAST_CHOSEN, Places
from benchkit.errors import UsageError
from tests.analysis.map_benches import EVEN, Bench

INSIDE = Places(np.array([1000.0, 2000.0, 3000.0]), np.array([30.0, 60.0, 90.0]))


@pytest.fixture(scope="module")
def growing() -> list[MapPoints]:
    """The points of every third place of the even grid after each of them, from the first nine on."""
    bench, found = Bench(1), []
    for n, T in zip(EVEN.speed_rpm[::3], EVEN.torque_nm[::3], strict=True):
        bench.measure(float(n), float(T))
        if len(bench.rows) >= FIRST_POINTS:
            found.append(bench.points)
    return found


@pytest.fixture(scope="module")
def watched(growing: list[MapPoints]) -> Watched:
    return replayed("drive", INSIDE, growing)


def test_the_last_maps_say_what_all_of_them_say(growing: list[MapPoints], watched: Watched) -> None:
    assert len(watched.history) == len(growing) == 12
    assert len(watched.surprises) == 11
    last = replayed("drive", INSIDE, growing[-LOOKED_AT:])
    assert last.history == watched.history[-LOOKED_AT:]
    assert last.surprises == watched.surprises[-LAST_CHOSEN:]
    for wanted in (1e-6, watched.history[-1], 1.0):
        assert verdict(last, wanted, INSIDE) == verdict(watched, wanted, INSIDE)


def test_what_it_hangs_on_is_told(growing: list[MapPoints], watched: Watched) -> None:
    found = verdict(watched, 1.0, INSIDE)
    assert (found.u, found.u_before) == (watched.history[-1], watched.history[-2])
    assert found.off_rms == pytest.approx(math.sqrt(sum(z * z for z in watched.surprises[-6:]) / 6.0))
    young = verdict(replayed("drive", INSIDE, growing[:1]), 1.0, INSIDE)
    assert math.isnan(young.u_before)
    assert math.isnan(young.off_rms)
    assert not young.is_certain


def test_a_place_on_the_edge_counts_and_one_beyond_it_does_not(watched: Watched) -> None:
    n, T = (np.asarray(watched.fit.hull)[:-1, k] for k in (0, 1))
    middle = n.mean(), T.mean()

    def outside(share: float) -> int:
        places = Places(middle[0] + share * (n - middle[0]), middle[1] + share * (T - middle[1]))
        return verdict(watched, 1.0, places).outside

    assert outside(1.0 + 0.9 * EDGE) == 0
    assert outside(1.0 + 1.1 * EDGE) == n.size  # exact: corners of the larger polygon lie on it at 1 + EDGE


def test_no_point_is_no_map() -> None:
    with pytest.raises(UsageError, match="there is no point yet"):
        replayed("drive", INSIDE, [])
