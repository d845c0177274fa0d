"""A set point moved while a run is recorded: only what the profile names, never looser, and what is held counts."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchkit.errors import RefusedError
from benchkit.model.alarms import AlarmRules
from benchkit.model.events import EventKind
from benchkit.model.interlock import State, Trigger
from benchkit.model.limits import ByPhase, LimitKind
from benchkit.protect.configuration import check_limits
from benchkit.protect.outcomes import Command
from benchkit.protect.protection import Protection
from benchkit.protect.start_configuration import start_cautions

MS = 1_000_000


def row(subject, ms, temp, speed=100.0):
    return subject.feed("rack", np.array([ms * MS]), np.array([[temp, speed]]), ms * MS)


@pytest.fixture
def movable(stand):
    return replace(stand, alarm_rules=AlarmRules(tightened_live=("hot", "warm")))


def running(stand):
    subject = Protection(stand, 0)
    row(subject, 1, 20.0)
    subject.request(Trigger.ARM, MS, "Ada")
    subject.request(Trigger.START, MS, "Ada")
    return subject


def test_a_stricter_set_point_trips_what_the_profile_would_not(movable):
    subject = running(movable)
    (told,) = subject.set_limit("hot", 130.0, 2 * MS, "Ada", "first run")
    assert (told.kind, told.message) == (EventKind.LIMIT_SET, "hot: set point 140 to 130 °C by Ada: first run")
    assert told.data == {
        "limit": "hot", "set_point": 130.0, "before": 140.0, "profile": 140.0, "unit": "°C", "reason": "first run",
        "who": "Ada",
    }  # fmt: skip
    assert subject.tightened == {"hot": 130.0}
    row(subject, 3, 130.0)
    assert subject.state is State.RUNNING  # equality does not count
    outcomes = row(subject, 4, 130.5)
    assert isinstance(outcomes[0], Command)
    assert subject.state is State.TRIPPED


def test_what_is_held_is_looked_at_at_once(movable):
    subject = running(movable)
    row(subject, 2, 125.0)
    outcomes = subject.set_limit("hot", 124.0, 3 * MS, "Ada")
    assert isinstance(outcomes[0], Command), "a command goes before what is told"
    assert subject.state is State.TRIPPED
    assert subject.first_out.limits == ("hot",)


def test_back_to_the_profile_and_no_further(movable):
    subject = running(movable)
    subject.set_limit("hot", 130.0, 2 * MS, "Ada")
    subject.set_limit("hot", 140.0, 3 * MS, "Ada")
    assert subject.tightened == {}
    row(subject, 4, 139.0)
    assert subject.state is State.RUNNING
    with pytest.raises(RefusedError, match=r"looser than the profile.*141 °C.*at most 140 °C"):
        subject.set_limit("hot", 141.0, 5 * MS, "Ada")
    row(subject, 6, 140.5)
    assert subject.state is State.TRIPPED, "a refusal leaves the limit where it was"


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("fast", 4000.0, "the profile does not let this limit be moved.*one of: hot, warm"),
        ("hod", 100.0, "no limit of that name.*Did you mean 'hot'"),
        ("hot", math.nan, "not a number"),
    ],
)
def test_refusals_say_why(movable, name, value, text):
    with pytest.raises(RefusedError, match=text):
        running(movable).set_limit(name, value, 2 * MS, "Ada")


def test_a_name_is_asked_for(movable):
    with pytest.raises(RefusedError, match="no name given"):
        running(movable).set_limit("hot", 130.0, 2 * MS, "")


def test_a_stand_that_asks_for_proven_limits_moves_none(movable):
    proven = replace(movable, start_conditions=replace(movable.start_conditions, limit_set_proven=True))
    with pytest.raises(RefusedError, match="a set point that was moved is not proven"):
        Protection(proven, 0).set_limit("hot", 130.0, MS, "Ada")


def test_below_is_stricter_upwards(movable):
    hot, warm, fast = movable.limit_set.limits
    low = replace(warm, name="warm", kind=LimitKind.BELOW, set_point=10.0)
    stand = replace(movable, limit_set=replace(movable.limit_set, limits=(hot, low, fast)))
    subject = running(stand)
    with pytest.raises(RefusedError, match=r"looser than the profile.*at least 10 °C"):
        subject.set_limit("warm", 9.0, 2 * MS, "Ada")
    outcomes = subject.set_limit("warm", 21.0, 2 * MS, "Ada")
    assert [x.kind for x in outcomes] == [EventKind.LIMIT_SET, EventKind.CAUTION]


def test_the_profile_is_checked(movable):
    hot, warm, fast = movable.limit_set.limits
    moving = replace(hot, course=ByPhase(140.0, 140.0, 140.0, 140.0))
    limit_set = replace(movable.limit_set, limits=(moving, warm, fast), starting_time_s=1.0)
    (problem,) = [str(p) for p in check_limits(replace(movable, limit_set=limit_set)) if "tightened" in str(p)]
    assert "its set point follows the phase" in problem
    unknown = replace(movable, alarm_rules=AlarmRules(tightened_live=("hod",)))
    assert check_limits(unknown) == []
    assert "Did you mean 'hot'" in str(start_cautions(unknown)[0])
