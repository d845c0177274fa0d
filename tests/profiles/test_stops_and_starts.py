"""Stop sequences, start conditions and alarm rules as TOML writes them."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from benchkit.errors import ProfileError
from benchkit.model.alarms import AlarmRules
from benchkit.model.interlock import State
from benchkit.model.stand import Stand
from benchkit.model.start_conditions import ChecklistItem, HardwareInput, StartConditions
from benchkit.model.stops import StopAction, StopStep
from benchkit.profiles import load_stand, shared_path, stand_from_json

HEAD = '[profile]\nbase = "airboat.toml"\n'
STEP = 'source = "rack"\ncommand = "{0}"\nacknowledged_by = "ok {0}"\ntimeout = {{ value = 300.0, unit = "ms" }}\n'
GATES = "[stop_actions.gates_off]\n" + STEP.format("gates off") + "stop_category = 0\n"
SEQUENCE = (
    "[stop_actions.ramp_down]\nattempts = 3\nescalate_to = 'gates_off'\n[[stop_actions.ramp_down.then]]\n"
    + STEP.format("contactor open")
    + 'stop_category = 0\nattempts = 2\ndelay = { value = 1500.0, unit = "ms" }\n'
)


def load(tmp_path: Path, text: str) -> Stand:
    path = tmp_path / "stand.toml"
    shutil.copy(shared_path("stands", "airboat.toml"), tmp_path)
    path.write_text(HEAD + text, encoding="utf-8")
    loaded = load_stand(path)
    assert stand_from_json(loaded.json) == loaded.stand, "a run carries all of it"
    return loaded.stand


def test_flat_keys_mean_one_step(tmp_path: Path) -> None:
    ramp = load(tmp_path, "").stop_actions["ramp_down"]
    assert ramp == StopAction("ramp_down", (StopStep("rack", "stop ramp", "ok stop ramp", 0.5, 1),))


def test_a_sequence_with_its_escalation(tmp_path: Path) -> None:
    actions = load(tmp_path, GATES + SEQUENCE).stop_actions
    assert actions["ramp_down"] == StopAction(
        "ramp_down",
        (
            StopStep("rack", "stop ramp", "ok stop ramp", 0.5, 1, attempts=3),
            StopStep("rack", "contactor open", "ok contactor open", 0.3, 0, delay_s=1.5, attempts=2),
        ),
        "gates_off",
    )


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ('delay = { value = 1500.0, unit = "ms" }\n', "", r"stop_actions\.ramp_down\.then\.0\.delay: missing"),
        ('value = 1500.0, unit = "ms"', 'value = -1.0, unit = "ms"', r"then\.0\.delay.*cannot be negative"),
        ('value = 1500.0, unit = "ms"', 'value = 1.0, unit = "m"', r"then\.0\.delay\.unit: 'm' is not a unit of time"),
        ("attempts = 2", "attempts = 0", r"then\.0\.attempts: .*greater than or equal to 1"),
        ("attempts = 2\n", "", r"then\.0\.attempts: when to escalate to 'gates_off' is not said"),
        ("'gates_off'", "'gates_of'", r"escalate_to: unknown stop action .*Did you mean 'gates_off'"),
        (
            'source = "rack"\ncommand = "contactor',
            'source = "rak"\ncommand = "contactor',
            r"then\.0\.source: no source",
        ),
    ],
)
def test_faults_are_named_with_their_key(old: str, new: str, text: str, tmp_path: Path) -> None:
    assert old in SEQUENCE
    with pytest.raises(ProfileError, match=text):
        load(tmp_path, GATES + SEQUENCE.replace(old, new))


CONDITIONS = """
[start_conditions]
zero_done = ["shaft_torque", "thrust"]
limit_set_proven = true
[start_conditions.checklist]
guards = "Guards closed"
[start_conditions.inputs.coolant_runs]
channel = "coolant_flow"
must_be = "above"
level = { value = 6.0, unit = "L/min" }
[alarms.suppressed]
dc_link_low_voltage = ["STANDBY"]
"""


def test_start_conditions_and_alarm_rules_in_bench_units(tmp_path: Path) -> None:
    stand = load(tmp_path, CONDITIONS)
    assert stand.start_conditions == StartConditions(
        ("shaft_torque", "thrust"),
        (ChecklistItem("guards", "Guards closed"),),
        True,
        (HardwareInput("coolant_runs", "coolant_flow", True, pytest.approx(6.0)),),
    )
    # the example allows 30 min, and names five limits
    moved = ("winding_hot", "winding_warm", "coolant_hot", "vibration_high", "thrust_high")
    assert stand.alarm_rules == AlarmRules(1800.0, {"dc_link_low_voltage": (State.STANDBY,)}, moved)


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ('"thrust"', '"thrus"', r"start_conditions\.zero_done: unknown channel .*Did you mean 'thrust'"),
        ('"thrust"', '"dc_voltage"', "cannot be tared, so this could never be met"),
        ('"above"', '"over"', r"inputs\.coolant_runs\.must_be: not one of the known words"),
        ('"L/min"', '"V"', r"inputs\.coolant_runs\.level\.unit: 'V' is not a unit of flow"),
        ('"STANDBY"', '"STANBY"', r"alarms\.suppressed.*Did you mean 'STANDBY'"),
        ("dc_link_low_voltage =", "winding_hot =", r"alarms\.suppressed\.winding_hot: a trip is never suppressed"),
    ],
)
def test_faults_of_conditions_are_named(old: str, new: str, text: str, tmp_path: Path) -> None:
    assert old in CONDITIONS
    with pytest.raises(ProfileError, match=text):
        load(tmp_path, CONDITIONS.replace(old, new))
