"""The whole of protection: what goes in, what comes out, and in which words."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchkit.errors import ProfileError, RefusedError, UsageError
from benchkit.model.events import EventKind
from benchkit.model.interlock import State, Trigger
from benchkit.model.limits import ByPhase, Limit, LimitKind, Severity
from benchkit.protect.outcomes import Command, Happened, Reaction
from benchkit.protect.protection import Protection

MS = 1_000_000


def row(subject, ms, temp=20.0, speed=100.0):
    return subject.feed("rack", np.array([ms * MS]), np.array([[temp, speed]]), ms * MS)


def running(stand, **options):
    subject = Protection(stand, 0, **options)
    row(subject, 1)
    subject.request(Trigger.ARM, MS, "Ada")
    subject.request(Trigger.START, MS, "Ada")
    assert subject.state is State.RUNNING
    return subject


def commands(outcomes):
    return [outcome.text for outcome in outcomes if isinstance(outcome, Command)]


def events(outcomes):
    return [(outcome.kind, outcome.message) for outcome in outcomes if isinstance(outcome, Happened)]


def messages(outcomes, kind):
    return [message for found, message in events(outcomes) if found is kind]


def test_a_trip_from_sample_to_acknowledgement(stand):
    subject = running(stand)
    outcomes = subject.feed("rack", np.array([2 * MS]), np.array([[140.6, 100.0]]), 3 * MS)
    text = "hot: winding_temp 140.6 °C above 140 °C (trip)"
    command = Command("rack", "stop ramp", text, 2 * MS, "ramp_down", 1)
    assert outcomes[0] == command
    assert events(outcomes) == [
        (EventKind.TRIP, text),
        (EventKind.CAUTION, "warm: winding_temp 140.6 °C above 120 °C (caution)"),
        (EventKind.STATE, "RUNNING to TRIPPED: TRIP, first out: hot"),
        (EventKind.STOP_COMMANDED, f"ramp_down: 'stop ramp' to rack ({text})"),
    ]
    assert outcomes[1] == Happened(
        2 * MS,
        EventKind.TRIP,
        text,
        "rack",
        "winding_temp",
        {
            "limit": "hot", "severity": "trip", "value": 140.6, "set_point": 140.0, "unit": "°C", "evidence": "value",
            "life": "unacknowledged", "first_out": True, "order_resolved": True,
        },
    )  # fmt: skip
    assert subject.written(command, 4 * MS) == []
    assert subject.reply("rack", "ok something else", 5 * MS) == []
    assert subject.reply("rack", "ok stop ramp", 9 * MS) == [
        Happened(
            9 * MS,
            EventKind.STOP_ACKNOWLEDGED,
            "ramp_down: acknowledged by rack after 5.0 ms",
            "rack",
            data={
                "action": "ramp_down",
                "step": 1,
                "of": 1,
                "attempt": 1,
                "command": "stop ramp",
                "reactions": [
                    {
                        "limit": "hot",
                        "sample_to_decided_s": 0.001,
                        "decided_to_written_s": 0.001,
                        "written_to_acknowledged_s": 0.005,
                        "sample_to_written_s": 0.002,
                        "sample_to_acknowledged_s": 0.007,
                    }
                ],
            },
        )
    ]
    assert subject.reactions == (Reaction("hot", 2 * MS, 3 * MS, 4 * MS, 9 * MS),)


def test_reset_is_refused_until_the_cause_is_gone_and_the_stop_acknowledged(stand):
    subject = running(stand)
    row(subject, 2, temp=141.0)
    with pytest.raises(RefusedError, match="RESET is refused in TRIPPED: hot, unacknowledged ramp_down still stand"):
        subject.request(Trigger.RESET, 3 * MS, "Ada")
    subject.reply("rack", "ok stop ramp", 3 * MS)
    with pytest.raises(RefusedError, match=r"RESET is refused in TRIPPED: hot still stands\. Remove the cause"):
        subject.request(Trigger.RESET, 3 * MS, "Ada")
    cleared = "hot: winding_temp 20 °C is back at 135 °C or less (trip cleared, latched until reset)"
    assert messages(row(subject, 4), EventKind.TRIP_CLEARED) == [cleared]
    assert (subject.standing_causes, subject.latched_limits) == ((), ("hot",))
    assert events(subject.request(Trigger.RESET, 5 * MS, "Ada")) == [
        (EventKind.RESET, "reset by Ada; first out was hot"),
        (EventKind.STATE, "TRIPPED to STANDBY: RESET, by Ada"),
        (EventKind.STATE, "STANDBY to READY: PERMISSIVES_MET, all permissives met"),
    ]
    assert (subject.first_out, subject.latched_limits) == (None, ())
    with pytest.raises(RefusedError, match=r"START is refused in READY\. Possible now: PERMISSIVES_LOST, ARM, TRIP"):
        subject.request(Trigger.START, 6 * MS, "Ada")


def test_an_orderly_stop_ends_when_it_is_acknowledged(stand):
    subject = running(stand)
    outcomes = subject.request(Trigger.STOP, 5 * MS, "Ada")
    assert outcomes[0] == Command("rack", "stop ramp", "orderly stop, Ada", 5 * MS, "ramp_down", 1)
    assert subject.state is State.STOPPING
    assert events(subject.reply("rack", "ok stop ramp", 6 * MS)) == [
        (EventKind.STOP_ACKNOWLEDGED, "ramp_down: acknowledged by rack"),
        (EventKind.STATE, "STOPPING to STANDBY: STOPPED, ramp_down acknowledged"),
        (EventKind.STATE, "STANDBY to READY: PERMISSIVES_MET, all permissives met"),
    ]
    assert subject.reactions == ()


def test_a_trip_takes_over_from_an_orderly_stop(stand):
    subject = running(stand)
    subject.request(Trigger.STOP, 5 * MS, "Ada")
    assert commands(row(subject, 6, speed=4301.0)) == ["stop torque"]
    assert subject.unacknowledged_stops == ("zero_torque",)
    subject.reply("rack", "ok stop ramp", 7 * MS)
    assert subject.state is State.TRIPPED


def test_an_answer_of_another_source_acknowledges_nothing(two_links):
    subject = Protection(two_links, 0)
    row(subject, 1, temp=141.0)
    assert subject.reply("pump", "ok stop ramp", 2 * MS) == []
    assert subject.unacknowledged_stops == ("ramp_down",)


def test_a_trip_commands_in_every_state_also_when_tripped_before(stand):
    subject = Protection(stand, 0)
    assert commands(row(subject, 1, temp=141.0)) == ["stop ramp"]
    subject.reply("rack", "ok stop ramp", 2 * MS)
    outcomes = row(subject, 3, temp=141.0, speed=4400.0)
    assert commands(outcomes) == ["stop torque"]
    assert messages(outcomes, EventKind.STATE) == []
    assert str(subject.first_out) == "hot"


def test_two_causes_in_one_row_cannot_be_ordered(stand):
    subject = running(stand)
    outcomes = row(subject, 2, temp=141.0, speed=4400.0)
    assert commands(outcomes) == ["stop ramp", "stop torque"]
    assert subject.first_out.limits == ("hot", "fast")
    assert not subject.first_out.order_resolved
    assert messages(outcomes, EventKind.STATE) == [
        "RUNNING to TRIPPED: TRIP, first out: hot, fast (order not resolved)"
    ]
    tripped = [o for o in outcomes if isinstance(o, Happened) and o.kind is EventKind.TRIP]
    assert [(o.data["first_out"], o.data["order_resolved"]) for o in tripped] == [(True, False)] * 2


def test_two_causes_in_one_block_are_ordered_by_their_rows(stand):
    subject = running(stand)
    times = np.array([2, 3, 4]) * MS
    values = np.array([[20.0, 4400.0], [20.0, 4400.0], [141.0, 4400.0]])
    outcomes = subject.feed("rack", times, values, 5 * MS)
    assert commands(outcomes) == ["stop torque", "stop ramp"]
    assert (subject.first_out.limits, subject.first_out.sample_ns) == (("fast",), 2 * MS)


@pytest.mark.parametrize(
    ("declared", "limits"), [({}, ("hot",)), ({"rack": 0.002, "pump": 0.002}, ("hot", "low_flow"))]
)
def test_causes_of_two_sources_within_the_declared_interval(two_links, declared, limits):
    subject = Protection(two_links, 0, sample_interval_s=declared)
    for ms in (1, 2):
        row(subject, ms)
        subject.feed("pump", np.array([ms * MS]), np.array([[8.0]]), ms * MS)
    assert subject.sample_interval_s("pump") == (0.002 if declared else 0.001)
    row(subject, 3, temp=141.0)
    times = np.array([3_200_000, 4_400_000])  # 1.4 ms later: more than 1.2 ms as seen, less than 2 ms as declared
    subject.feed("pump", times[:1], np.array([[8.0]]), 3_200_000)
    subject.feed("pump", times[1:], np.array([[3.0]]), 4_400_000)
    assert subject.first_out.limits == limits


def test_a_stop_is_repeated_until_acknowledged(stand):
    """Timeout 0.5 s: ten times every 0.5 s, then every 5 s."""
    subject = running(stand)
    row(subject, 2, temp=141.0)
    sent = []
    for ms in range(3, 30_000):
        outcomes = subject.tick(ms * MS)
        for message in messages(outcomes, EventKind.STOP_NOT_ACKNOWLEDGED):
            sent.append((ms, message))
            assert f"stop {message.split('_')[0].replace('zero', 'torque')}" in commands(outcomes)
    # the silence after 252 ms trips the other limit; its action is repeated on its own
    ramp = [(ms, message) for ms, message in sent if message.startswith("ramp_down")]
    again = "ramp_down: 'stop ramp' not acknowledged within 0.5 s; sent again (attempt {})"
    assert [ms for ms, _ in ramp] == [502 + 500 * n for n in range(10)] + [5002 + 5000 * n for n in range(1, 5)]
    assert ramp[0][1] == again.format(2)
    assert ramp[-1][1] == again.format(15)
    subject.reply("rack", "ok stop ramp", 30_000 * MS)
    assert "stop ramp" not in commands(subject.tick(60_000 * MS))


def test_a_lost_source_trips_and_gets_its_command_when_it_is_back(stand):
    subject = running(stand)
    outcomes = subject.source_lost("rack", 2 * MS, "cable out")
    assert commands(outcomes) == []
    assert messages(outcomes, EventKind.SOURCE_LOST) == ["rack: lost (cable out)"]
    assert messages(outcomes, EventKind.TRIP) == [
        "hot: winding_temp missing, rack lost (trip)",
        "fast: shaft_speed missing, rack lost (trip)",
    ]
    assert messages(outcomes, EventKind.STOP_NOT_ACKNOWLEDGED) == [
        "ramp_down: 'stop ramp' cannot be sent, rack is lost; sent when it is back",
        "zero_torque: 'stop torque' cannot be sent, rack is lost; sent when it is back",
    ]
    assert subject.tick(5000 * MS) == []
    assert commands(subject.source_back("rack", 6000 * MS)) == ["stop ramp", "stop torque"]
    assert subject.standing_causes == ("hot", "fast")
    row(subject, 6001)
    assert subject.standing_causes == ()
    assert subject.permissives == {"sources_fresh": True}


def test_silence_trips_and_says_so(stand):
    subject = running(stand)
    assert subject.tick(251 * MS) == []
    outcomes = subject.tick(252 * MS)
    assert messages(outcomes, EventKind.TRIP)[0] == (
        "hot: winding_temp missing, rack silent for more than 0.25 s (trip)"
    )
    assert subject.first_out.sample_ns == 251 * MS + 1
    assert str(subject.first_out) == "rack silent: hot, fast"
    assert subject.permissives == {"sources_fresh": False}


def test_permissives_make_ready_and_take_it_back(stand):
    subject = Protection(stand, 0, permissives=("recording",))
    with pytest.raises(
        RefusedError,
        match=r"not met: sources_fresh \(rack\), recording\. sources_fresh: Look at the link of rack\. Possible",
    ):
        subject.request(Trigger.ARM, 0, "Ada")
    assert events(row(subject, 1)) == [(EventKind.PERMISSIVE, "sources_fresh: met")]
    assert row(subject, 2) == []
    assert messages(subject.set_permissive("recording", True, MS), EventKind.STATE) == [
        "STANDBY to READY: PERMISSIVES_MET, all permissives met"
    ]
    subject.request(Trigger.ARM, MS, "Ada")
    assert messages(subject.set_permissive("recording", False, MS), EventKind.STATE) == [
        "ARMED to STANDBY: PERMISSIVES_LOST, without recording"
    ]
    with pytest.raises(RefusedError, match="sources_fresh is not set from outside"):
        subject.set_permissive("sources_fresh", True, MS)


def test_a_permissive_lost_in_running_changes_nothing(stand):
    subject = running(stand)
    assert subject.set_permissive("recording", False, 2 * MS) == []
    assert subject.state is State.RUNNING


@pytest.mark.parametrize("trigger", [Trigger.TRIP, Trigger.PERMISSIVES_MET, Trigger.STOPPED])
def test_what_nobody_may_request(stand, trigger):
    with pytest.raises(RefusedError, match=f"{trigger.value} cannot be requested. Ask for ARM, DISARM, START, STOP"):
        Protection(stand, 0).request(trigger, 0, "Ada")


def test_a_trip_from_outside(stand):
    subject = running(stand)
    outcomes = subject.external_trip("smoke in the cell", 2 * MS, stands=True, action="zero_torque")
    assert commands(outcomes) == ["stop torque"]
    assert messages(outcomes, EventKind.TRIP) == ["smoke in the cell (trip)"]
    assert subject.first_out.limits == ("smoke in the cell",)
    subject.reply("rack", "ok stop torque", 3 * MS)
    with pytest.raises(RefusedError, match="smoke in the cell still stands"):
        subject.request(Trigger.RESET, 4 * MS, "Ada")
    assert messages(subject.external_cleared("smoke in the cell", 5 * MS), EventKind.TRIP_CLEARED) == [
        "smoke in the cell: gone"
    ]
    assert subject.external_cleared("smoke in the cell", 5 * MS) == []
    subject.request(Trigger.RESET, 6 * MS, "Ada")
    assert subject.state is State.READY


def test_a_trip_from_outside_with_an_unknown_action_is_refused_and_changes_nothing(stand):
    subject = running(stand)
    with pytest.raises(UsageError, match=r"smoke: unknown stop action \(got 'rmp'; expected one of ramp_down, zero"):
        subject.external_trip("smoke", 2 * MS, action="rmp")
    assert subject.state is State.RUNNING


def test_a_latched_caution_is_released_by_a_person(with_limits):
    warm = Limit("warm", "winding_temp", LimitKind.ABOVE, Severity.CAUTION, 120.0, latching=True)
    subject = Protection(with_limits(warm), 0)
    row(subject, 1, temp=121.0)
    assert subject.standing_limits == ("warm",)
    assert subject.standing_causes == ()
    assert messages(row(subject, 2), EventKind.CAUTION_CLEARED) == [
        "warm: winding_temp 20 °C is back at 120 °C or less (caution cleared, latched until reset)"
    ]
    assert messages(subject.release_cautions(3 * MS, "Ada"), EventKind.CAUTION_CLEARED) == ["warm: released by Ada"]
    assert subject.latched_limits == ()


@pytest.mark.parametrize(
    ("limit", "temp", "text"),
    [
        ({}, 140.00001, "x: winding_temp 140.00001 °C above 140 °C (trip)"),
        ({"on_delay_s": 0.001}, 151.23456, "x: winding_temp 151.2 °C above 140 °C for 0.001 s (trip)"),
        ({"kind": LimitKind.BELOW, "set_point": 4.5}, 3.0, "x: winding_temp 3 °C below 4.5 °C (trip)"),
        ({}, math.nan, "x: winding_temp not measured (trip)"),
        ({"on_delay_s": 0.001}, math.nan, "x: winding_temp not measured for 0.001 s (trip)"),
    ],
)
def test_words_of_a_trip(with_limits, limit, temp, text):
    base = Limit("x", "winding_temp", LimitKind.ABOVE, Severity.TRIP, 140.0, action="ramp_down")
    subject = Protection(with_limits(replace(base, **limit)), 0)
    outcomes = [*row(subject, 1, temp=temp), *row(subject, 2, temp=temp)]
    assert messages(outcomes, EventKind.TRIP) == [text]


def test_words_of_a_stale_limit(with_limits):
    stale = Limit("speed_lost", "shaft_speed", LimitKind.STALE, Severity.TRIP, 0.2, action="ramp_down", latching=False)
    subject = Protection(with_limits(stale), 0)
    row(subject, 1)
    assert messages(subject.tick(300 * MS), EventKind.TRIP) == [
        "speed_lost: shaft_speed without a good sample for more than 0.2 s (trip)"
    ]
    assert messages(row(subject, 301), EventKind.TRIP_CLEARED) == [
        "speed_lost: shaft_speed has good samples again (trip cleared)"
    ]


def test_faults_of_the_stand_are_told_together(stand):
    broken = replace(stand, orderly_stop="ramp_dwn", stop_actions={})
    with pytest.raises(ProfileError, match="reedbed: 3 problems") as caught:
        Protection(broken, 0)
    assert [problem.where for problem in caught.value.problems] == [
        "limits.hot.action",
        "limits.fast.action",
        "stand.orderly_stop",
    ]


def test_margins_from_the_last_seconds(stand):
    """Winding from 100 °C by 2 K/s: after 5 s at 110 °C, 15 s to 140 °C, 110/140 of the bar."""
    subject = Protection(stand, 0)
    for ms in range(0, 5001, 20):
        row(subject, ms, temp=100.0 + 2e-3 * ms)
    winding, speed = subject.margins(5001 * MS)
    assert (winding.channel, winding.limit, winding.value, winding.set_point) == ("winding_temp", "hot", 110.0, 140.0)
    assert winding.fraction == pytest.approx(110.0 / 140.0, abs=1e-12)
    assert winding.time_to_limit_s == pytest.approx(15.0, abs=1e-9)
    assert (speed.limit, speed.fraction) == ("fast", 100.0 / 4300.0)
    assert math.isnan(speed.time_to_limit_s)
    assert all(math.isnan(margin.value) for margin in subject.margins(9000 * MS))  # stale: not measured


def test_set_points_follow_the_phase_of_operation(stand):
    """2 s of starting after START; above 60 is fine then, and a trip once it runs."""
    by_phase = ByPhase(None, 90.0, 60.0, 90.0)
    rule = Limit("hot", "winding_temp", LimitKind.ABOVE, Severity.TRIP, 60.0, action="ramp_down", course=by_phase)
    limit_set = replace(stand.limit_set, limits=(rule,), starting_time_s=2.0)
    protection = Protection(replace(stand, limit_set=limit_set), 0)

    def feed(ms: int, temp: float):
        return protection.feed("rack", np.array([ms * 1_000_000]), np.array([[temp, 0.0]]), ms * 1_000_000)

    feed(0, math.nan)  # at rest nothing is limited
    assert protection.state is State.READY
    feed(10, 80.0)
    for trigger in (Trigger.ARM, Trigger.START):
        protection.request(trigger, 20_000_000, "bench")
    for ms in range(100, 2000, 100):
        feed(ms, 80.0)
        protection.tick(ms * 1_000_000)
    assert protection.state is State.RUNNING
    protection.tick(2_020_000_000)
    assert protection.state is State.TRIPPED
    assert protection.standing_causes == ("hot",)
    feed(2100, 80.0)
    protection.tick(2_100_000_000)
    assert protection.standing_causes == ()  # stopping: 90 holds


def test_a_start_onto_a_channel_that_is_not_measured_trips_at_once(stand):
    by_phase = ByPhase(None, 90.0, 60.0, None)
    rule = Limit("hot", "winding_temp", LimitKind.ABOVE, Severity.TRIP, 60.0, action="ramp_down", course=by_phase)
    protection = Protection(replace(stand, limit_set=replace(stand.limit_set, limits=(rule,), starting_time_s=2.0)), 0)
    protection.feed("rack", np.array([0]), np.array([[math.nan, 0.0]]), 0)
    protection.request(Trigger.ARM, 1_000_000, "bench")
    outcomes = protection.request(Trigger.START, 2_000_000, "bench")
    assert protection.state is State.TRIPPED
    assert isinstance(outcomes[0], Command)
