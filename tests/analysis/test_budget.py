"""What would halve an uncertainty: the answer, put back into the budget, gives half of it."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.analysis.budget import LEAST_FACTOR, in_words, what_would_reduce
from benchkit.analysis.uncertainty import combine, propagate
from benchkit.model.results import Contribution, Estimate


def with_budget(*parts):
    lines = tuple(Contribution(f"part {i}", u) for i, u in enumerate(parts))
    return Estimate(100.0, math.hypot(*parts), "W", budget=lines)


@settings(deadline=None)
@given(st.lists(st.floats(1e-3, 1e3), min_size=1, max_size=8), st.floats(0.2, 0.9))
def test_reduced_lines_give_the_aim(parts, to):
    estimate = with_budget(*parts)
    found = what_would_reduce(estimate, to)
    assert found
    left = {line.name: line.u for line in estimate.budget} | {r.name: r.to_u for r in found}
    assert math.hypot(*left.values()) == pytest.approx(to * estimate.u, rel=1e-9)
    assert all(LEAST_FACTOR <= r.factor < 1.0 for r in found)
    # the fewest: with one line less, even a tenth of the others is too much
    smaller = {line.name: line.u for line in estimate.budget} | {r.name: LEAST_FACTOR * r.from_u for r in found[:-1]}
    assert math.hypot(*smaller.values()) > to * estimate.u * (1.0 - 1e-9)


def test_one_alone_where_possible():
    # exact: 3² + 1² = 10; a quarter is 2.5 = x² + 1 -> x = √1.5
    (one,) = what_would_reduce(with_budget(3.0, 1.0))
    assert (one.name, one.to_u) == ("part 0", pytest.approx(math.sqrt(1.5)))
    # four equal ones: all but none can stay: 4 f² = 1, f = 1/2
    assert [r.factor for r in what_would_reduce(with_budget(1.0, 1.0, 1.0, 1.0))] == pytest.approx([0.5] * 4)
    # exact: 1.1² + 1 + 1 = 3.21, a quarter 0.8025: two cannot do it (1 stays)
    assert len(what_would_reduce(with_budget(1.1, 1.0, 1.0))) == 3


@pytest.mark.parametrize(
    "estimate",
    [
        Estimate(1.0, 0.1, "1"),
        Estimate(1.0, math.nan, "1", budget=(Contribution("x", math.nan),)),
        Estimate(1.0, 0.1, "1", budget=(Contribution("x", 0.1), Contribution("y", 0.1))),  # correlated: no sum
        Estimate(1.0, 0.0, "1", budget=()),
    ],
)
def test_nothing_is_said_where_nothing_can_be(estimate):
    assert what_would_reduce(estimate) == ()
    assert in_words((), {}, estimate) == ""


def test_in_words():
    torque = combine(80.0, 0.02, 30.0, 0.08, unit="N·m", name="shaft_torque")
    speed = combine(2400.0, 0.1, 30.0, 0.5, unit="rpm", name="shaft_speed")
    power = propagate(lambda t, n: t * n * 2 * math.pi / 60, [torque, speed], names=["torque", "speed"], unit="W")
    words = in_words(what_would_reduce(power), {"shaft_torque": torque, "shaft_speed": speed}, power)
    # 0.08/80 = 0.1 %; exact: rest² = (0.025² + 0.0208² + 0.0042²) %², aim 0.25·(0.1² + rest²): 0.0409
    assert words == "shaft_torque calibration, 0.1 % → 0.041 % of reading"
    assert in_words(what_would_reduce(power), {}, power) == (
        "shaft_torque calibration, its part 0.1 % → 0.041 % of the result"
    )
    bare = propagate(lambda d: d**4, [Estimate(1.3, 0.0013, "m")], names=["diameter"])
    assert in_words(what_would_reduce(bare), {"diameter": Estimate(1.3, 0.0013, "m")}, bare) == (
        "diameter, 0.1 % → 0.05 % of reading"
    )
