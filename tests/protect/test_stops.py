"""Stop sequences: order, delays, repeats, escalation, lost links, and which of two stops wins."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchkit.errors import RefusedError
from benchkit.model.events import EventKind
from benchkit.model.interlock import State, Trigger
from benchkit.model.stops import StopAction, StopStep
from benchkit.protect.outcomes import Command, Happened, StopStatus
from benchkit.protect.protection import Protection
from benchkit.protect.stops import StopBook

MS = 1_000_000
RAMP = StopStep("rack", "stop ramp", "ok stop ramp", 0.5, 1)
TORQUE = StopStep("rack", "stop torque", "ok stop torque", 0.5, 1)
GATES = StopStep("rack", "gates off", "ok gates off", 0.2, 0)
CONTACTOR = StopStep("relays", "contactor open", "ok contactor open", 0.2, 0)


def book(*actions):
    return StopBook({action.name: action for action in actions})


def sent(outcomes):
    return [outcome.text for outcome in outcomes if isinstance(outcome, Command)]


def told(outcomes, kind=None):
    return [o.message for o in outcomes if isinstance(o, Happened) and kind in (None, o.kind)]


def start(stops, name, at_ms=0, limit="hot"):
    return stops.command(name, f"{limit} (trip)", [(limit, at_ms * MS)], at_ms * MS)


def test_steps_go_in_order_each_after_the_answer_and_its_delay():
    stops = book(StopAction("shut", (RAMP, replace(GATES, delay_s=2.0), replace(CONTACTOR, delay_s=0.1))))
    assert sent(start(stops, "shut")) == ["stop ramp"]
    assert sent(stops.tick(400 * MS)) == []
    outcomes, was_orderly = stops.reply("rack", "ok stop ramp", 450 * MS)
    assert (sent(outcomes), was_orderly) == ([], False)
    assert told(outcomes) == ["shut, step 1 of 3: acknowledged by rack"]
    assert stops.under_way == (StopStatus("shut", 2, 3, 0, "rack"),)
    assert sent(stops.tick(2449 * MS)) == []
    outcomes = stops.tick(2450 * MS)
    assert sent(outcomes) == ["gates off"]
    assert told(outcomes) == ["shut, step 2 of 3: 'gates off' to rack (hot (trip))"]
    stops.reply("rack", "ok gates off", 2500 * MS)
    assert sent(stops.tick(2600 * MS)) == ["contactor open"]
    outcomes, _ = stops.reply("relays", "ok contactor open", 2610 * MS)
    assert told(outcomes) == ["shut, step 3 of 3: acknowledged by relays"]
    assert stops.unacknowledged == ()


def test_an_answer_before_its_step_was_sent_counts_for_nothing():
    stops = book(StopAction("shut", (RAMP, replace(GATES, delay_s=2.0))))
    start(stops, "shut")
    assert stops.reply("rack", "ok gates off", 10 * MS) == ([], False)
    stops.reply("rack", "ok stop ramp", 20 * MS)
    assert stops.reply("rack", "ok gates off", 30 * MS) == ([], False)
    assert sent(stops.tick(2020 * MS)) == ["gates off"]


def test_a_delay_before_the_first_step_is_kept():
    stops = book(StopAction("shut", (replace(RAMP, delay_s=1.0),)))
    assert start(stops, "shut") == []
    assert sent(stops.tick(999 * MS)) == []
    assert sent(stops.tick(1000 * MS)) == ["stop ramp"]


ESCALATING = (
    StopAction("ramp_down", (replace(RAMP, attempts=3),), "gates_off"),
    StopAction("gates_off", (replace(GATES, attempts=2),), "contactor_open"),
    StopAction("contactor_open", (CONTACTOR,)),
)


def test_what_is_not_answered_is_retried_then_escalated_and_the_last_is_repeated_for_ever():
    """Timeouts 0.5, 0.2, 0.2 s: ramp at 0, 0.5, 1.0; gates at 1.5, 1.7; contactor from 1.9 on, ten repeats of 0.2 s
    after the first, then one every 2 s."""
    stops = book(*ESCALATING)
    seen = [(0, text) for text in sent(start(stops, "ramp_down"))]
    escalated = []
    for ms in range(1, 12_000):
        outcomes = stops.tick(ms * MS)
        seen += [(ms, text) for text in sent(outcomes)]
        escalated += told(outcomes, EventKind.STOP_ESCALATED)
    ramp, gates, contactor = (
        [ms for ms, text in seen if text == wanted] for wanted in ("stop ramp", "gates off", "contactor open")
    )
    assert ramp == [0, 500, 1000]
    assert gates == [1500, 1700]
    assert contactor == [1900 + 200 * n for n in range(11)] + [5900, 7900, 9900, 11_900]
    assert escalated == [
        "ramp_down: 'stop ramp' not acknowledged by rack after 3 attempts; escalated to gates_off",
        "gates_off: 'gates off' not acknowledged by rack after 2 attempts; escalated to contactor_open",
    ]
    assert stops.unacknowledged == ("contactor_open",)
    assert stops.under_way[0].escalated_from == "gates_off"
    assert stops.reactions[0].acknowledged_ns is None


def test_the_reaction_is_that_of_the_action_that_was_answered():
    stops = book(*ESCALATING)
    (command,) = (o for o in start(stops, "ramp_down") if isinstance(o, Command))
    stops.written(command, 1 * MS)
    for ms in (500, 1000, 1500):
        stops.tick(ms * MS)
    outcomes, _ = stops.reply("rack", "ok gates off", 1510 * MS)
    (event,) = (o for o in outcomes if o.kind is EventKind.STOP_ACKNOWLEDGED)
    assert event.data["action"] == "gates_off"
    assert event.data["command"] == "gates off"
    assert event.data["reactions"][0]["limit"] == "hot"
    assert event.data["reactions"][0]["sample_to_acknowledged_s"] == 1.51
    assert stops.unacknowledged == ()


def test_a_late_answer_to_what_was_given_up_ends_nothing():
    stops = book(*ESCALATING)
    start(stops, "ramp_down")
    for ms in (500, 1000, 1500):
        stops.tick(ms * MS)
    assert stops.reply("rack", "ok stop ramp", 1510 * MS) == ([], False)
    assert stops.unacknowledged == ("gates_off",)


def test_a_limit_that_chatters_does_not_put_the_escalation_off():
    stops = book(*ESCALATING)
    start(stops, "ramp_down")
    for ms in range(1, 1500):
        assert sent(start(stops, "ramp_down", ms)) == ["stop ramp"]
        stops.tick(ms * MS)
    assert sent(stops.tick(1500 * MS)) == ["gates off"]


def test_escalation_into_an_action_that_is_under_way_joins_it():
    stops = book(*ESCALATING)
    start(stops, "ramp_down")
    start(stops, "contactor_open", 1400, "smoke")
    for ms in (500, 1000, 1500, 1700, 1900):
        stops.tick(ms * MS)
    assert stops.unacknowledged == ("contactor_open",)
    outcomes, _ = stops.reply("relays", "ok contactor open", 1950 * MS)
    (event,) = outcomes
    assert [record["limit"] for record in event.data["reactions"]] == ["smoke", "hot"]


def test_a_lost_link_holds_its_step_back_and_the_other_links_go_on():
    stops = book(StopAction("shut", (RAMP, replace(TORQUE, delay_s=0.1), replace(CONTACTOR, delay_s=0.2))))
    stops.source_lost("rack", 0)
    outcomes = start(stops, "shut")
    assert sent(outcomes) == []
    assert told(outcomes) == ["shut, step 1 of 3: 'stop ramp' cannot be sent, rack is lost; sent when it is back"]
    assert sent(stops.tick(199 * MS)) == []
    assert sent(stops.tick(200 * MS)) == ["contactor open"]
    stops.reply("relays", "ok contactor open", 210 * MS)
    assert sent(stops.tick(5000 * MS)) == []
    assert sent(stops.source_back("rack", 6000 * MS)) == ["stop ramp"]
    stops.reply("rack", "ok stop ramp", 6010 * MS)
    assert sent(stops.tick(6110 * MS)) == ["stop torque"]
    stops.reply("rack", "ok stop torque", 6120 * MS)
    assert stops.unacknowledged == ()


def test_a_link_lost_under_way_lets_the_other_links_go_on_at_once():
    stops = book(StopAction("shut", (RAMP, CONTACTOR)))
    start(stops, "shut")
    assert sent(stops.source_lost("rack", 10 * MS)) == ["contactor open"]


def test_a_step_that_is_held_escalates_without_its_link():
    stops = book(
        StopAction("ramp_down", (replace(RAMP, attempts=3),), "contactor_open"),
        StopAction("contactor_open", (CONTACTOR,)),
    )
    stops.source_lost("rack", 0)
    start(stops, "ramp_down")
    for ms in (500, 1000):
        assert stops.tick(ms * MS) == []
    outcomes = stops.tick(1500 * MS)
    assert sent(outcomes) == ["contactor open"]
    assert told(outcomes, EventKind.STOP_ESCALATED) == [
        "ramp_down: 'stop ramp' held back, rack is lost; escalated to contactor_open"
    ]
    assert stops.source_back("rack", 2000 * MS) == []


BOTH = (StopAction("ramp_down", (RAMP,)), StopAction("zero_torque", (TORQUE,)), StopAction("gates_off", (GATES,)))


def test_the_more_urgent_stop_is_never_undone_by_a_milder_one():
    stops = book(*BOTH)
    start(stops, "gates_off")
    outcomes = start(stops, "ramp_down", 1, "warm")
    assert sent(outcomes) == []
    assert told(outcomes, EventKind.STOP_PASSED_OVER) == [
        "ramp_down: 'stop ramp' (stop category 1) is not sent to rack, gates_off (stop category 0) has been commanded "
        "to it (warm (trip))"
    ]
    stops.reply("rack", "ok gates off", 5 * MS)
    assert sent(start(stops, "zero_torque", 10)) == []
    assert stops.unacknowledged == ()
    stops.forget_urgency()
    assert sent(start(stops, "ramp_down", 20)) == ["stop ramp"]


def test_a_milder_stop_under_way_is_not_repeated_when_a_more_urgent_one_is_commanded():
    stops = book(*BOTH)
    start(stops, "ramp_down", 0, "hot")
    outcomes = start(stops, "gates_off", 1, "fast")
    assert sent(outcomes) == ["gates off"]
    assert len(told(outcomes, EventKind.STOP_PASSED_OVER)) == 1
    for ms in range(2, 3000):
        assert "stop ramp" not in sent(stops.tick(ms * MS))
    outcomes, _ = stops.reply("rack", "ok gates off", 3000 * MS)
    # the cause of the milder stop is answered by the urgent one
    assert [record["limit"] for record in outcomes[0].data["reactions"]] == ["fast", "hot"]


def test_stops_of_one_category_and_stops_on_different_sources_all_run():
    stops = book(*BOTH, StopAction("contactor_open", (CONTACTOR,)))
    assert sent(start(stops, "contactor_open")) == ["contactor open"]
    assert sent(start(stops, "ramp_down")) == ["stop ramp"]
    assert sent(start(stops, "zero_torque")) == ["stop torque"]
    assert stops.unacknowledged == ("contactor_open", "ramp_down", "zero_torque")


def test_of_two_stops_held_on_a_lost_link_only_the_urgent_one_goes_out():
    stops = book(*BOTH)
    stops.source_lost("rack", 0)
    start(stops, "ramp_down")
    start(stops, "gates_off", 1)
    assert sent(stops.source_back("rack", 100 * MS)) == ["gates off"]


# ---------------------------------------------------------------------- through the whole of protection


@pytest.fixture
def escalating(stand):
    """Hot ramps down, fast blocks the gates; an unanswered ramp escalates to blocking the gates."""
    hot, warm, fast = stand.limit_set.limits
    limits = (hot, warm, replace(fast, action="gates_off"))
    actions = {
        "ramp_down": StopAction("ramp_down", (replace(RAMP, attempts=2),), "gates_off"),
        "gates_off": StopAction("gates_off", (GATES,)),
    }
    return replace(stand, stop_actions=actions, limit_set=replace(stand.limit_set, limits=limits))


def feed(subject, ms, temp=20.0, speed=100.0):
    return subject.feed("rack", np.array([ms * MS]), np.array([[temp, speed]]), ms * MS)


def running(stand):
    subject = Protection(stand, 0)
    feed(subject, 1)
    subject.request(Trigger.ARM, MS, "Ada")
    subject.request(Trigger.START, MS, "Ada")
    return subject


def test_two_trips_in_one_row_command_the_urgent_one_alone(escalating):
    outcomes = feed(running(escalating), 2, temp=141.0, speed=4400.0)
    assert sent(outcomes) == ["gates off"]
    assert len(told(outcomes, EventKind.STOP_PASSED_OVER)) == 1


def test_an_orderly_stop_that_is_not_answered_is_a_trip_with_the_escalation(escalating):
    subject = running(escalating)
    subject.request(Trigger.STOP, 2 * MS, "Ada")
    outcomes = []
    for ms in range(3, 1003):
        feed(subject, ms)
        outcomes = subject.tick(ms * MS)
    assert subject.state is State.TRIPPED
    assert sent(outcomes) == ["gates off"]
    assert isinstance(outcomes[0], Command)
    assert subject.first_out.limits == ("orderly stop ramp_down not answered",)
    assert subject.unacknowledged_stops == ("gates_off",)
    subject.reply("rack", "ok gates off", 1003 * MS)
    subject.request(Trigger.RESET, 1004 * MS, "Ada")
    assert subject.state is State.READY


def test_an_orderly_stop_does_not_stand_against_the_trip_that_takes_over(stand):
    """The trip's own action is category 2, the orderly stop category 1: the trip's action is commanded."""
    actions = {
        "ramp_down": StopAction("ramp_down", (RAMP,)),
        "zero_torque": StopAction("zero_torque", (replace(TORQUE, stop_category=2),)),
    }
    subject = running(replace(stand, stop_actions=actions))
    subject.request(Trigger.STOP, 2 * MS, "Ada")
    assert sent(feed(subject, 3, speed=4400.0)) == ["stop torque"]


def test_reset_is_refused_until_the_last_step_is_answered(escalating):
    subject = running(escalating)
    feed(subject, 2, temp=141.0)
    feed(subject, 3)
    for ms in range(4, 1100):
        feed(subject, ms)
        subject.tick(ms * MS)
    with pytest.raises(RefusedError, match="RESET is refused in TRIPPED: unacknowledged gates_off still stands"):
        subject.request(Trigger.RESET, 1100 * MS, "Ada")
    subject.reply("rack", "ok gates off", 1101 * MS)
    subject.request(Trigger.RESET, 1102 * MS, "Ada")
    # after the reset the milder stop is possible again
    feed(subject, 1103)
    assert sent(feed(subject, 1104, temp=141.0)) == ["stop ramp"]
