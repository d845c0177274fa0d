"""Faults of limits and stop actions: each is told with key path, value and what was expected."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from benchkit.model.alarms import AlarmRules
from benchkit.model.interlock import State
from benchkit.model.limits import Limit, LimitKind, Severity
from benchkit.model.start_conditions import ChecklistItem, HardwareInput, StartConditions
from benchkit.model.stops import StopAction, StopStep
from benchkit.profiles.load import load_stand
from benchkit.protect.configuration import check_limits
from benchkit.protect.start_configuration import start_cautions

TRIP = Limit("hot", "winding_temp", LimitKind.ABOVE, Severity.TRIP, 140.0, action="ramp_down")
CAUTION = Limit("warm", "winding_temp", LimitKind.ABOVE, Severity.CAUTION, 120.0)
STALE = Limit("lost", "winding_temp", LimitKind.STALE, Severity.TRIP, 0.3, action="ramp_down")


def told(stand):
    return [str(problem) for problem in check_limits(stand)]


def test_sound_stands_have_no_problems(stand, two_links):
    assert told(stand) == told(two_links) == []
    assert told(load_stand(Path(__file__).parents[2] / "shared" / "stands" / "airboat.toml").stand) == []


@pytest.mark.parametrize(
    ("limit", "change", "text"),
    [
        (
            TRIP,
            {"action": ""},
            "limits.hot.action: a trip without a stop action (expected one of ramp_down, zero_torque)",
        ),
        (
            TRIP,
            {"action": "ramp_dwn"},
            "limits.hot.action: unknown stop action (got 'ramp_dwn'; expected one of ramp_down, zero_torque). "
            "Did you mean 'ramp_down'?",
        ),
        (
            TRIP,
            {"channel": "winding_tmp"},
            "limits.hot.channel: unknown channel (got 'winding_tmp'; expected one of winding_temp, shaft_speed). "
            "Did you mean 'winding_temp'?",
        ),
        (TRIP, {"deadband": -1.0}, "limits.hot.deadband: not a size (got -1.0; expected a finite number, 0 or more)"),
        (TRIP, {"on_delay_s": -0.1}, "limits.hot.on_delay: not a size (got -0.1; expected a finite number, 0 or more)"),
        (
            TRIP,
            {"off_delay_s": math.inf},
            "limits.hot.off_delay: not a size (got inf; expected a finite number, 0 or more)",
        ),
        (TRIP, {"set_point": math.nan}, "limits.hot.set_point: not a number (got nan; expected a finite number)"),
        (
            TRIP,
            {"set_point": 200.0},
            "limits.hot.set_point: outside the range of its channel "
            "(got 200.0; expected between 0 and 200 °C, the range of winding_temp)",
        ),
        (
            TRIP,
            {"deadband": 141.0},
            "limits.hot.deadband: the limit could never clear "
            "(got 141.0; expected a return between 0 and 200 °C, the range of winding_temp)",
        ),
        (
            CAUTION,
            {"action": "ramp_down"},
            "limits.warm.action: a caution commands nothing (got 'ramp_down'; expected no action). "
            "Make it a trip, or drop the action",
        ),
        (STALE, {"set_point": 0.0}, "limits.lost.set_point: no age at all (got 0.0; expected more than 0 s)"),
        (
            STALE,
            {"deadband": 0.4},
            "limits.lost.deadband: the limit could never clear (got 0.4; expected not above the set point)",
        ),
    ],
)
def test_one_fault_of_a_limit(with_limits, limit, change, text):
    assert told(with_limits(limit)) == []
    assert told(with_limits(replace(limit, **change))) == [text]


@pytest.mark.parametrize(
    ("kind", "caution", "sound"),
    [
        (LimitKind.ABOVE, 139.9, True),
        (LimitKind.ABOVE, 140.0, False),  # at its trip it warns of nothing
        (LimitKind.ABOVE, 150.0, False),
        (LimitKind.BELOW, 140.1, True),
        (LimitKind.BELOW, 140.0, False),
        (LimitKind.BELOW, 130.0, False),
    ],
)
def test_a_caution_comes_before_its_trip(with_limits, kind, caution, sound):
    found = told(with_limits(replace(TRIP, kind=kind), replace(CAUTION, kind=kind, set_point=caution)))
    side = "below" if kind is LimitKind.ABOVE else "above"
    fault = (
        "limits.warm.set_point: the caution does not come before its trip 'hot' "
        f"(got {caution!r}; expected {side} 140 °C)"
    )
    assert found == ([] if sound else [fault])


def test_a_caution_is_compared_with_trips_on_its_own_side_and_channel_only(with_limits):
    low_trip = replace(TRIP, name="cold", kind=LimitKind.BELOW, set_point=5.0)
    other = replace(TRIP, name="fast", channel="shaft_speed", set_point=100.0)
    assert told(with_limits(low_trip, other, CAUTION)) == []


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"source": "rak"}, "unknown source (got 'rak'; expected one of rack). Did you mean 'rack'?"),
        ({"command": " "}, "nothing to command (got ' '; expected a command line)"),
        ({"acknowledged_by": ""}, "no answer to wait for (got ''; expected an answer line)"),
        ({"timeout_s": 0.0}, "no time to answer (got 0.0; expected more than 0 s)"),
        ({"stop_category": 3}, "not a stop category (got 3; expected 0, 1 or 2 as in IEC 60204-1)"),
    ],
)
def test_one_fault_of_a_stop_action(stand, change, text):
    ramp_down = stand.stop_actions["ramp_down"]
    action = replace(ramp_down, steps=(replace(ramp_down.steps[0], **change),))
    (found,) = told(replace(stand, stop_actions={**stand.stop_actions, "ramp_down": action}))
    assert found.startswith("stop_actions.ramp_down.")
    assert found.endswith(text)


def test_faults_of_the_stand(stand, with_limits):
    assert told(replace(stand, orderly_stop="ramp")) == [
        "stand.orderly_stop: unknown stop action (got 'ramp'; expected one of ramp_down, zero_torque). "
        "Did you mean 'ramp_down'?"
    ]
    assert told(with_limits(TRIP, TRIP)) == ["limits.hot: two limits have the same name. Rename one"]
    mute = replace(stand.sources["rack"], stale_after_s=0.0)
    assert told(replace(stand, sources={"rack": mute})) == [
        "sources.rack.stale_after: no time to go stale (got 0.0; expected more than 0 s)"
    ]


def test_all_faults_are_told_at_once(with_limits):
    broken = replace(TRIP, channel="nowhere", action="", deadband=-1.0)
    assert len(told(with_limits(broken, replace(CAUTION, on_delay_s=math.nan)))) == 4


def with_stops(stand, *actions):
    return replace(stand, stop_actions={**stand.stop_actions, **{action.name: action for action in actions}})


STEP = StopStep("rack", "stop ramp", "ok stop ramp", 0.5, 1)
GATES = StopStep("rack", "gates off", "ok gates off", 0.5, 0)


@pytest.mark.parametrize(
    ("actions", "text"),
    [
        ((StopAction("x", ()),), "stop_actions.x: commands nothing"),
        ((StopAction("x", (STEP, replace(GATES, source="rak"))),), "stop_actions.x.then.0.source: unknown source"),
        ((StopAction("x", (replace(STEP, delay_s=-1.0),)),), "stop_actions.x.delay: not a delay"),
        ((StopAction("x", (replace(STEP, delay_s=math.inf),)),), "stop_actions.x.delay: not a delay"),
        ((StopAction("x", (STEP,), "y"),), "stop_actions.x.attempts: when to escalate to 'y' is not said"),
        (
            (StopAction("x", (replace(STEP, attempts=3),)),),
            "attempts of an action that does not escalate (got 3)",
        ),
        (
            (StopAction("x", (GATES, STEP)),),
            "stop_actions.x.then.0.stop_category: would never be sent: a step before it commands category 0 to 'rack'",
        ),
        ((StopAction("x", (replace(STEP, attempts=3),), "x"),), "stop_actions.x.escalate_to: escalates to itself"),
        (
            (StopAction("x", (replace(STEP, attempts=3),), "zero_torqe"),),
            "escalate_to: unknown stop action (got 'zero_torqe'; expected one of ramp_down, zero_torque). "
            "Did you mean 'zero_torque'?",
        ),
        (
            (
                StopAction("x", (replace(STEP, attempts=3),), "y"),
                StopAction("y", (replace(STEP, attempts=3),), "x"),
            ),
            "stop_actions.x.escalate_to: escalates in a circle (got 'x to y to x'). The last action",
        ),
        (
            (StopAction("x", (replace(GATES, attempts=3),), "ramp_down"),),
            "stop_actions.x.escalate_to: 'ramp_down' is milder on 'rack', and would not be sent",
        ),
    ],
)
def test_faults_of_stop_sequences(stand, actions, text):
    found = told(with_stops(stand, *actions))
    assert any(text in problem for problem in found), found


def test_a_sound_chain_of_escalations_has_no_faults(stand):
    ramp = StopAction("ramp", (replace(STEP, attempts=2), replace(GATES, delay_s=3.0, attempts=2)), "gates")
    assert told(with_stops(stand, ramp, StopAction("gates", (GATES,)))) == []


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"zeroed": ("shaft_sped",)}, "start_conditions.zero_done: unknown channel (got 'shaft_sped'"),
        ({"zeroed": ("shaft_speed",)}, "start_conditions.zero_done: cannot be tared, so this could never be met"),
        (
            {"inputs": (HardwareInput("loop", "loop_voltage", True, 12.0),)},
            "start_conditions.inputs.loop.channel: unknown channel",
        ),
        (
            {"inputs": (HardwareInput("loop", "shaft_speed", True, 5000.0),)},
            "inputs.loop.level: outside the range of its channel (got 5000.0; expected between 0 and 5000",
        ),
        ({"checklist": (ChecklistItem("a", " "),)}, "start_conditions.checklist.a: no text to read and tick"),
        ({"checklist": (ChecklistItem("a", "x"),) * 2}, "start_conditions.checklist: two items have the same name"),
    ],
)
def test_faults_of_start_conditions(stand, changes, text):
    found = told(replace(stand, start_conditions=StartConditions(**changes)))
    assert any(text in problem for problem in found), found


@pytest.mark.parametrize(
    ("rules", "text"),
    [
        (AlarmRules(-1.0), "alarms.longest_shelving: not a time"),
        (AlarmRules(0.0, {"warn": (State.READY,)}), "alarms.suppressed.warn: unknown limit (got 'warn'"),
        (AlarmRules(0.0, {"hot": (State.READY,)}), "alarms.suppressed.hot: a trip is never suppressed"),
    ],
)
def test_faults_of_alarm_rules(stand, rules, text):
    found = told(replace(stand, alarm_rules=rules))
    assert any(text in problem for problem in found), found


def test_an_input_that_nothing_watches_in_running_is_a_caution(stand):
    def cautions(*inputs):
        return [str(x) for x in start_cautions(replace(stand, start_conditions=StartConditions(inputs=inputs)))]

    assert cautions(HardwareInput("loop", "shaft_speed", False, 50.0)) == []  # FAST trips above
    (text,) = cautions(HardwareInput("loop", "shaft_speed", True, 50.0))
    assert "losing it in RUNNING trips nothing: no trip limit on 'shaft_speed' acts below a set point" in text
    (text,) = cautions(HardwareInput("loop", "winding_temp", True, 50.0))
    assert "acts below" in text
