"""Zero at rest, offsets from events, and the drift of a zero over a run."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.analysis.tare import Zero, drift_findings, judge_drift, offsets_after, offsets_of_rows, zero_of
from benchkit.model.calibration import Accuracy, Calibration
from benchkit.model.events import Event, EventKind
from benchkit.model.stand import Channel
from benchkit.units import Quantity

THRUST = Channel(
    "thrust", "Thrust", Quantity.FORCE, "rack", "f", -100.0, 900.0, Calibration(accuracy=Accuracy(0.0, 0.3))
)


def tare(time_s: float, before: float, mean: float, u: float = 0.05, row: int = 0, name: str = "thrust") -> Event:
    entry = {"unit": "N", "before": before, "after": before - mean, "mean": mean, "u": u, "rows": 100}
    return Event(time_s, EventKind.TARE, "", "rack", data={"channels": {name: entry}, "from_row": row})


def running(time_s: float) -> Event:
    return Event(time_s, EventKind.STATE, "", data={"from": "ARMED", "to": "RUNNING"})


def test_mean_and_batches() -> None:
    # exact: ten batches with the means 1 … 10: mean 5.5, sd sqrt(55/6), over sqrt(10)
    zero = zero_of(np.repeat(np.arange(1.0, 11.0), 7))
    assert (zero.mean, zero.rows) == (5.5, 70)
    assert zero.u == pytest.approx(math.sqrt(55.0 / 6.0 / 10.0), rel=1e-14)
    # exact: two readings a and b, sd |a - b|/sqrt(2), over sqrt(2)
    assert zero_of(np.array([1.0, 3.0])) == Zero(2.0, 1.0, 2)


def test_alike_neighbours_are_not_counted_as_many_readings() -> None:
    """First-order noise of correlation 0.95 (theory: the variance of the mean is 39 times that of white noise)."""
    rng = np.random.default_rng(3)
    means, stated = [], []
    for _ in range(400):
        steps = rng.normal(0.0, 1.0, 1000)
        values = np.empty(1000)
        values[0] = steps[0] / math.sqrt(1.0 - 0.95**2)
        for i in range(1, 1000):
            values[i] = 0.95 * values[i - 1] + steps[i]
        zero = zero_of(values)
        means.append(zero.mean)
        stated.append(zero.u)
    spread = float(np.std(means))
    # batches of 100 rows against a memory of 39: a little short; white noise would state a sixth
    assert float(np.sqrt(np.mean(np.square(stated)))) == pytest.approx(spread, rel=0.2)


def test_offsets_follow_the_events() -> None:
    names = ("speed", "thrust")
    first, second = tare(1.0, 0.0, 4.0, row=3), tare(9.0, -4.0, -0.5, row=5)
    assert offsets_after(first, names, None).tolist() == [0.0, -4.0]
    assert offsets_after(second, names, np.array([7.0, -4.0])).tolist() == [7.0, -3.5]
    got = offsets_of_rows([running(0.5), first, tare(2.0, 0.0, 1.0, row=4, name="torque"), second], "rack", names, 7)
    assert got[:, 0].tolist() == [0.0] * 7
    assert got[:, 1].tolist() == [0.0] * 3 + [-4.0] * 2 + [-3.5] * 2
    assert not offsets_of_rows([first], "other", names, 4).any()


@pytest.mark.parametrize(
    ("moved", "severity", "words"),
    [
        # covered: 2 sqrt(0.05² + 0.05² + 0.3²) = 0.6164 N
        (0.61, "note", "within its accuracy"),
        (-0.61, "note", "within its accuracy"),
        (0.62, "caution", r"more than the 0\.62 N"),
        (-5.0, "caution", r"moved by -5 N"),
        (math.nan, "caution", "nan"),
    ],
)
def test_drift_is_judged_against_its_uncertainty_and_the_accuracy(moved: float, severity: str, words: str) -> None:
    finding = judge_drift(Zero(2.0, 0.05, 100), Zero(2.0 + moved, 0.05, 100), 0.3, "thrust", "N")
    assert (finding.severity, finding.code, finding.channel) == (severity, "zero_drift", "thrust")
    with pytest.raises(AssertionError, match=words):
        raise AssertionError(finding.message)


def test_only_tares_with_running_between_them_are_compared() -> None:
    before, after = tare(1.0, 0.0, 4.0), tare(99.0, -4.0, 1.5)
    assert drift_findings([before, tare(2.0, -4.0, 0.1)], [THRUST]) == ()
    # exact: the zero went from 4.0 to -(-4.0) + 1.5 = 5.5 N
    (finding,) = drift_findings([before, running(5.0), after], [THRUST])
    assert finding.severity == "caution"
    assert "+1.5 N" in finding.message
    (alone,) = drift_findings([before, running(5.0)], [THRUST])
    assert alone.code == "no_tare_after"
    assert drift_findings([running(5.0), after], [THRUST]) == ()
