"""Seeded faults of the simulated stand, through decoder and protection: nothing missed, nothing wrong, nothing false.

What has to trip is worked out of the delivered rows by a second, plain way, and what has to come first by physics.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchkit.model.limits import Limit
from benchkit.model.stand import Stand
from benchkit.protect import protection
from benchkit.protect.limits import LimitEngine
from tests.protect.scenarios import cases
from tests.protect.scenarios.cases import FAULTS, case_of, clean, play
from tests.protect.scenarios.judge import Make, Verdict, judge, stand, tally, verdict


def names(make: Make) -> str:
    return make.__name__


@pytest.mark.parametrize("make", FAULTS, ids=names)
def test_no_trip_is_missed_and_the_first_cause_is_named(make: Make) -> None:
    found = tally(make, 3)
    assert found.faults == []
    assert found.tripped > 0 or make in (cases.nan_burst, cases.late_frames, cases.sensor_open)


def test_runs_without_a_fault_do_not_trip() -> None:
    found = tally(clean, 8)
    assert found.faults == []
    assert found.tripped == 0


@pytest.mark.soak
@pytest.mark.parametrize("make", FAULTS, ids=names)
def test_a_hundred_scenarios_of_each_fault(make: Make) -> None:
    found = tally(make, 100, jobs=2)
    assert found.faults == []
    assert found.tripped >= 10


@pytest.mark.soak
def test_a_thousand_runs_without_a_fault_do_not_trip() -> None:
    found = tally(clean, 1000, jobs=2)
    assert found.faults == []
    assert found.tripped == 0


# ---------------------------------------------------------------- the judge sees what is wrong


def with_limits(stand: Stand, **changes: dict[str, object]) -> Stand:
    """The stand with single limits changed."""

    def changed(limit: Limit) -> Limit:
        return replace(limit, **changes.get(limit.name, {}))  # type: ignore[arg-type]

    limits = tuple(changed(x) for x in stand.limit_set.limits)
    return replace(stand, limit_set=replace(stand.limit_set, limits=limits))


def played_on(other: Stand, make: Make, seed: int) -> Verdict:
    """The scenario with the limits of ``other`` in protection, judged by those of the stand."""
    case = case_of(make, stand(), seed)
    bench = play(case, other)
    bench.stand = stand()
    return verdict(case, bench)


def flow_seen() -> int:
    """A seed of a coolant loss that the flow meter shows."""
    return next(s for s in range(20) if case_of(cases.coolant_loss, stand(), s).first == {"coolant_stands"})


def test_the_judge_sees_a_limit_that_does_not_act() -> None:
    deaf = with_limits(stand(), speed_climbs={"set_point": 9000.0}, over_speed={"set_point": 4990.0})
    assert any("speed_climbs at" in text for text in played_on(deaf, cases.runaway_speed, 0).missed)


def test_the_judge_sees_a_limit_that_acts_too_soon() -> None:
    hasty = with_limits(stand(), coolant_stands={"on_delay_s": 0.3})
    found = played_on(hasty, cases.coolant_loss, flow_seen())
    assert any("early" in text for text in found.false)


def test_the_judge_sees_a_limit_that_acts_too_late() -> None:
    slow = with_limits(stand(), coolant_stands={"on_delay_s": 0.7})
    found = played_on(slow, cases.coolant_loss, flow_seen())
    assert any("late" in text for text in found.missed)


def test_the_judge_sees_a_false_trip() -> None:
    narrow = with_limits(stand(), vibration_high={"set_point": 0.1, "deadband": 0.01})
    found = played_on(narrow, clean, 0)
    assert any("vibration_high" in text for text in found.false)
    assert found.wrong_first_out


def test_the_judge_sees_a_wrong_first_cause(monkeypatch: pytest.MonkeyPatch) -> None:
    add = protection.add_cause
    monkeypatch.setattr(protection, "add_cause", lambda _known, cause, interval: add(None, cause, interval))
    assert judge(cases.cable_out, 0).wrong_first_out


def test_the_judge_sees_silence_that_nobody_looks_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(LimitEngine, "tick", lambda *_: [])
    is_silent = (s for s in range(20) if "speed_lost" not in case_of(cases.cable_out, stand(), s).first)
    assert judge(cases.cable_out, next(is_silent)).late


def test_the_judge_sees_a_stop_that_is_not_sent(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(protection.StopBook, "command", lambda *_args, **_more: [])
    found = judge(cases.runaway_speed, 0)
    assert any("not commanded with the trip" in text for text in found.missed)
    assert any("not stopped" in text for text in found.missed)


def test_the_judge_sees_that_nothing_is_escalated(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(protection.StopBook, "_escalate", lambda *_args: [])
    seeds = [seed for seed in range(3) if judge(cases.not_acknowledging, seed).missed]
    assert seeds
