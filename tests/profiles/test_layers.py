"""Limits that are inherited: stand < motor < inverter < run, with the origin of every key, a hash, and reasons."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.errors import ProfileError, UsageError
from benchkit.model.canonical import canonical_json, canonical_sha256
from benchkit.model.limit_layers import Mark, Rank
from benchkit.profiles import load_stand, shared_path, stand_from_json
from benchkit.runfile.reader import open_run
from tests.profiles.layered import MOTOR_HEAD, RUN_HEAD, airboat, whole, with_motor, with_run

# what the example stands said before their limits were put into layers: (kind, severity, set point in bench units,
# on-delay, deadband, action), pinned
BIG = {
    "winding_hot": ("above", "trip", 140.0, 0.0, 5.0, "ramp_down"),
    "dc_link_over_voltage": ("above", "trip", 440.0, 0.0, 5.0, "ramp_down"),
    "dc_link_low_voltage": ("below", "caution", 330.0, 0.1, 5.0, ""),
    "phase_over_current": ("above", "trip", 175.0, 0.0, 5.0, "zero_torque"),
    "over_speed": ("above", "trip", 4300.0, 0.0, 50.0, "zero_torque"),
    "speed_lost": ("stale", "trip", 0.6, 0.0, 0.0, "zero_torque"),
    "over_torque": ("above", "trip", 190.0, 0.02, 5.0, "zero_torque"),
    "winding_warm": ("above", "caution", 125.0, 0.2, 3.0, ""),
    "magnet_hot": ("above", "trip", 110.0, 0.2, 3.0, "ramp_down"),
    "junction_warm": ("above", "caution", 130.0, 0.2, 3.0, ""),
    "junction_hot": ("above", "trip", 150.0, 0.0, 5.0, "zero_torque"),
    "coolant_flow_low": ("below", "caution", 4.0, 0.2, 0.3, ""),
    "coolant_hot": ("above", "trip", 75.0, 0.2, 2.0, "ramp_down"),
    "vibration_high": ("above", "trip", 18.0, 0.05, 1.0, "zero_torque"),
    "thrust_high": ("above", "trip", 1400.0, 0.02, 20.0, "ramp_down"),
}
ON_THE_LOAD_MACHINE = {name: values for name, values in BIG.items() if name != "thrust_high"}
SMALL_SET_POINTS = {
    "phase_over_current": 60.0,
    "over_torque": 48.0,
    "winding_hot": 130.0,
    "winding_warm": 115.0,
    "magnet_hot": 100.0,
}
SMALL = {
    name: (kind, severity, SMALL_SET_POINTS.get(name, at), *rest)
    for name, (kind, severity, at, *rest) in ON_THE_LOAD_MACHINE.items()
}


@pytest.mark.parametrize(
    ("name", "expected"), [("airboat", BIG), ("airboat_map", ON_THE_LOAD_MACHINE), ("airboat_small", SMALL)]
)
def test_the_example_stands_protect_as_before_they_had_layers(name: str, expected: dict[str, Any]) -> None:
    limits = load_stand(shared_path("stands", f"{name}.toml")).stand.limit_set.limits
    told = {x.name: (x.kind.value, x.severity.value, x.set_point, x.on_delay_s, x.deadband, x.action) for x in limits}
    assert told == expected
    assert all(x.off_delay_s == 0.0 and x.latching == (x.severity.value == "trip") for x in limits)


def test_every_layer_is_named_in_its_order() -> None:
    loaded = load_stand(shared_path("stands", "airboat_small.toml"))
    layers = loaded.stand.limit_set.layers
    assert [(x.rank.value, x.file, x.revision) for x in layers] == [
        ("stand", "airboat.toml", "3"),
        ("stand", "airboat_map.toml", "3"),
        ("stand", "airboat_small.toml", "2"),
        ("motor", "shared/limits/wren_12.toml", "2"),
        ("inverter", "shared/limits/reed_inv_03.toml", "2"),
    ]
    # another tool takes the hash of the file as it lies there
    shown = subprocess.run(
        [sys.executable, "-c", "import hashlib, sys; print(hashlib.sha256(open(sys.argv[1], 'rb').read()).hexdigest())",
         str(shared_path("limits", "wren_12.toml"))], capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert layers[3].sha256 == shown.stdout.strip()
    assert loaded.texts["shared/limits/wren_12.toml"] == shared_path("limits", "wren_12.toml").read_text("utf-8")


def test_a_profile_that_takes_a_limit_from_its_base_is_marked() -> None:
    (change,) = load_stand(shared_path("stands", "airboat_map.toml")).stand.limit_set.changes
    assert (change.limit, change.layer, change.mark, change.what) == ("thrust_high", 1, Mark.LOOSENED, "taken out")


def test_a_run_changes_single_keys_and_each_key_knows_its_layer(tmp_path: Path) -> None:
    loaded = with_run(tmp_path, '[limits.winding_hot]\nset_point = { value = 130.0, unit = "°C" }\n')
    limit_set = loaded.stand.limit_set
    (winding,) = (x for x in limit_set.limits if x.name == "winding_hot")
    assert (winding.set_point, winding.action, winding.deadband) == (130.0, "ramp_down", 5.0)
    motor, run = 1, 3
    assert [limit_set.layers[n].rank for n in (motor, run)] == [Rank.MOTOR, Rank.RUN]
    assert limit_set.origins["winding_hot.set_point"] == run
    assert limit_set.origins["winding_hot.action"] == motor
    assert limit_set.origin("winding_hot") == (
        "motor: shared/limits/heron_60.toml; set_point from run: run_limits.toml"
    )
    assert limit_set.changes_of("winding_hot") == ("tightened by run: run_limits.toml: set_point 140 °C -> 130 °C",)


def test_a_later_layer_wins_over_every_one_before(tmp_path: Path) -> None:
    (tmp_path / "inverter.toml").write_text(
        MOTOR_HEAD.replace("HERON-60", "REED-INV-03")
        + '[limits.over_torque]\nset_point = { value = 180, unit = "N·m" }\n',
        encoding="utf-8",
    )
    (tmp_path / "motor.toml").write_text(MOTOR_HEAD + whole("over_torque"), encoding="utf-8")
    (tmp_path / "run.toml").write_text(
        RUN_HEAD + '[limits.over_torque]\non_delay = { value = 0.0, unit = "ms" }\n', encoding="utf-8"
    )
    path = airboat(
        tmp_path, ("limits/heron_60.toml", "motor.toml"), ("limits/reed_inv_03.toml", "inverter.toml"),
        ("[limits.coolant_hot]", whole("over_torque", '{ value = 200.0, unit = "N·m" }') + "\n[limits.coolant_hot]"),
    )  # fmt: skip
    limit_set = load_stand(path, tmp_path / "run.toml").stand.limit_set
    (torque,) = (x for x in limit_set.limits if x.name == "over_torque")
    assert torque.set_point == 180.0
    assert limit_set.origin("over_torque") == (
        "motor: motor.toml; set_point from inverter: inverter.toml; on_delay from run: run.toml"
    )
    # 200 -> 190 by the motor, 190 -> 180 by the inverter; 0 ms is 0 s, no change
    assert [(c.layer, c.mark) for c in limit_set.changes] == [(1, Mark.TIGHTENED), (2, Mark.TIGHTENED)]


def test_a_run_adds_a_limit_of_its_own(tmp_path: Path) -> None:
    limit_set = with_run(tmp_path, whole("torque_first_run", '{ value = 50.0, unit = "N·m" }')).stand.limit_set
    assert limit_set.origin("torque_first_run") == "run: run_limits.toml"
    assert not limit_set.changes


def test_a_layer_changes_another(tmp_path: Path) -> None:
    head = MOTOR_HEAD + 'base = "limits/heron_60.toml"\n'
    limit_set = with_motor(
        tmp_path, '[limits.over_speed]\nset_point = { value = 4000.0, unit = "rpm" }', head
    ).stand.limit_set
    assert [x.file for x in limit_set.layers] == [
        "stand.toml", "shared/limits/heron_60.toml", "motor.toml", "shared/limits/reed_inv_03.toml",
    ]  # fmt: skip
    assert limit_set.origin("over_speed") == "motor: shared/limits/heron_60.toml; set_point from motor: motor.toml"


LOOSER = {
    "higher above": ("winding_hot", 'set_point = { value = 141.0, unit = "°C" }', "set_point 140 °C -> 141 °C"),
    "higher above in another unit": ("winding_hot", 'set_point = { value = 414.15, unit = "K" }', "-> 414.15 K"),
    "longer silence": ("speed_lost", 'set_point = { value = 700.0, unit = "ms" }', "set_point 0.6 s -> 700 ms"),
    "longer on-delay": ("over_torque", 'on_delay = { value = 0.5, unit = "s" }', "on_delay 0.02 s -> 0.5 s"),
    "smaller deadband": ("over_speed", 'deadband = { value = 10.0, unit = "rpm" }', "deadband 50 rpm -> 10 rpm"),
    "not latching": ("over_speed", "latching = false", "latching true -> false"),
    "another action": ("over_speed", 'action = "ramp_down"', "action zero_torque -> ramp_down"),
    "another channel": ("winding_hot", 'channel = "stator_temp"', "channel winding_temp -> stator_temp"),
    "a caution": ("winding_hot", 'severity = "caution"\naction = ""', "severity trip -> caution"),
}


@pytest.mark.parametrize("case", LOOSER)
def test_loosening_a_trip_needs_a_reason(case: str, tmp_path: Path) -> None:
    name, change, told = LOOSER[case]
    with pytest.raises(
        ProfileError, match=rf"run_limits\.toml: limits\.{name}: loosens a trip without a reason"
    ) as caught:
        with_run(tmp_path, f"[limits.{name}]\n{change}\n")
    assert told in str(caught.value)
    assert 'Write why into this limit: reason = "…"' in str(caught.value)


@pytest.mark.parametrize("case", [c for c in LOOSER if c != "a caution"])  # that one would be behind winding_warm
def test_with_a_reason_it_is_marked(case: str, tmp_path: Path) -> None:
    name, change, told = LOOSER[case]
    limit_set = with_run(tmp_path, f'[limits.{name}]\n{change}\nreason = "a heat run"\n').stand.limit_set
    (change_made,) = limit_set.changes
    assert (change_made.limit, change_made.mark, change_made.reason) == (name, Mark.LOOSENED, "a heat run")
    assert told in change_made.what


def test_a_lower_below_trip_is_looser_and_a_higher_one_is_not(tmp_path: Path) -> None:
    floor = whole("torque_floor", '{ value = -50.0, unit = "N·m" }', kind='"below"')
    (tmp_path / "stand").mkdir()
    path = airboat(tmp_path / "stand", ("[limits.coolant_hot]", f"{floor}\n[limits.coolant_hot]"))
    run = tmp_path / "run.toml"
    run.write_text(RUN_HEAD + '[limits.torque_floor]\nset_point = { value = -40.0, unit = "N·m" }\n', encoding="utf-8")
    assert [c.mark for c in load_stand(path, run).stand.limit_set.changes] == [Mark.TIGHTENED]
    run.write_text(RUN_HEAD + '[limits.torque_floor]\nset_point = { value = -60.0, unit = "N·m" }\n', encoding="utf-8")
    with pytest.raises(ProfileError, match="loosens a trip without a reason"):
        load_stand(path, run)


def test_a_change_of_kind_has_no_order_and_counts_as_loosening(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="loosens a trip without a reason: kind above -> below"):
        with_run(tmp_path, whole("over_torque", kind='"below"'))


def test_a_whole_limit_that_is_looser_in_one_key_only(tmp_path: Path) -> None:
    stricter_but_late = whole("over_torque", '{ value = 100.0, unit = "N·m" }', on_delay='{ value = 1.0, unit = "s" }')
    with pytest.raises(ProfileError, match=r"reason: on_delay 0\.02 s -> 1 s"):
        with_run(tmp_path, stricter_but_late)


def test_a_caution_may_move_without_a_reason(tmp_path: Path) -> None:
    limit_set = with_run(
        tmp_path, '[limits.winding_warm]\nset_point = { value = 130.0, unit = "°C" }\n'
    ).stand.limit_set
    assert [(c.limit, c.mark) for c in limit_set.changes] == [("winding_warm", Mark.LOOSENED)]


def test_a_limit_is_taken_out_with_a_reason_only(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match=r"limits\.vibration_high: taken out without a reason"):
        with_run(tmp_path, '[limits.vibration_high]\ntake_out = true\nreason = " "\n')
    loaded = with_run(tmp_path, '[limits.vibration_high]\ntake_out = true\nreason = "sensor away"\n')
    assert "vibration_high" not in {x.name for x in loaded.stand.limit_set.limits}
    assert loaded.stand.limit_set.changes_of("vibration_high") == (
        "loosened by run: run_limits.toml: taken out. Reason: sensor away",
    )


# -- what is refused


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[limits.winding_hot]\nset_pont = 1.0", r"run_limits\.toml: limits\.winding_hot\.set_pont: unknown.*set_po"),
        ('[limits.winding_hott]\nset_point = { value = 1.0, unit = "K" }', "no layer below.*Did you mean"),
        ('[limits.winding_hot]\ntake_out = true\nlatching = true\nreason = "x"', "taken out, and changed as well"),
        ('[limits.winding_hot]\ntake_out = "yes"\nreason = "x"', "neither true nor false"),
        ("[limits.winding_hot]\nreason = 3", "not a text"),
        ('[limits.gone]\ntake_out = true\nreason = "x"', "no layer below has a limit of this name"),
        ('[limits.winding_hot]\nset_point = { value = 100.0, unit = "rpm" }\nreason = "x"',
         r"run_limits\.toml: limits\.winding_hot\.set_point\.unit: 'rpm' is not a unit of temperature"),
        ('[limits.over_torque]\nset_point = { value = 900.0, unit = "N·m" }\nreason = "x"',
         r"run_limits\.toml: limits\.over_torque\.set_point: outside the range of its channel"),
        (whole("over_torque").replace("latching = true\n", ""), r"limits\.toml: limits\.over_torque\.latching: miss"),
        ("[limits]\nwinding_hot = 3", r"run_limits\.toml: limits\.winding_hot"),
        ("[motor]\npole_pairs = 3", r"run_limits\.toml: motor: unknown key"),
    ],
)  # fmt: skip
def test_faults_of_a_layer_name_its_file(text: str, message: str, tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match=message):
        with_run(tmp_path, text)


@pytest.mark.parametrize(
    ("head", "message"),
    [
        ('[limit_set]\nname = "x"\napplies_to = "HERON-60"', r"motor\.toml: limit_set\.revision: missing"),
        ('[limit_set]\nname = "x"\nrevision = " "', r"limit_set\.revision: not of the right form"),
        ('[limit_set]\nname = "x"\nrevision = "1"', r"applies_to: missing\. Write for which motor.*HERON-60"),
        ('[limit_set]\nname = "x"\nrevision = "1"\napplies_to = "WREN-12"',
         r"limits of another motor \(got 'WREN-12'; expected HERON-60\)"),
        (MOTOR_HEAD + 'base = "motor.toml"', "in a circle"),
        (MOTOR_HEAD + 'base = "stand.toml"', r"stand\.toml: limit_set\.applies_to|unknown key"),
        (MOTOR_HEAD + 'base = "../motor.toml"', r"limit_set\.base: must lie in the folder"),
        ("", "limit_set: missing"),
    ],
)  # fmt: skip
def test_a_head_that_does_not_do(head: str, message: str, tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match=message):
        with_motor(tmp_path, "", head)


def test_two_layers_in_a_circle(tmp_path: Path) -> None:
    (tmp_path / "other.toml").write_text(MOTOR_HEAD + 'base = "motor.toml"\n', encoding="utf-8")
    with pytest.raises(ProfileError, match="limit layers build on each other in a circle"):
        with_motor(tmp_path, "", MOTOR_HEAD + 'base = "other.toml"\n')


@pytest.mark.parametrize(
    "name", ["/etc/passwd", "../motor.toml", "C:/motor.toml", "a/../../motor.toml", "a\\\\motor.toml"]
)
def test_a_name_that_leads_out_of_the_folder(name: str, tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match=r"stand\.toml: motor\.limits: must lie in the folder of the profile"):
        with_motor(tmp_path, "", name=name)


def test_a_link_that_leads_out_of_the_folder(tmp_path: Path) -> None:
    folder = tmp_path / "bench"
    folder.mkdir()
    (tmp_path / "secret.toml").write_text(MOTOR_HEAD, encoding="utf-8")
    (folder / "link.toml").symlink_to(tmp_path / "secret.toml")
    with pytest.raises(ProfileError, match=r"motor\.limits: is a link out of the folder"):
        with_motor(folder, "", name="link.toml")


def test_a_missing_file_names_the_nearest(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match=r"motor\.limits: no such file.*Did you mean 'limits/heron_60.toml'"):
        with_motor(tmp_path, "", name="limits/heron_06.toml")
    with pytest.raises(UsageError, match="cannot be read"):
        load_stand(shared_path("stands", "airboat.toml"), tmp_path / "nowhere.toml")


def test_a_huge_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="too large"):
        with_run(tmp_path, "#" * 1_000_001)


def test_limits_of_another_stand_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="limits of another stand"):
        with_run(tmp_path, "", RUN_HEAD + 'applies_to = "airboat_small"\n')


def test_a_change_in_the_profile_of_a_limit_that_a_later_layer_holds_is_not_lost_in_silence(tmp_path: Path) -> None:
    change = '[limits.winding_hot]\nset_point = { value = 100.0, unit = "°C" }\n\n[limits.coolant_hot]'
    with pytest.raises(ProfileError, match=r"stand\.toml: limits\.winding_hot: no layer below.*later layer holds"):
        load_stand(airboat(tmp_path, ("[limits.coolant_hot]", change)))


def test_the_record_is_not_written_by_people(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="limit_record: is not written in a profile"):
        load_stand(airboat(tmp_path, ("[steadiness]", '[limit_record]\nsha256 = ""\n\n[steadiness]')))


# -- the hash, and the run that carries it


def test_the_run_carries_hash_layers_origins_and_reasons(tmp_path: Path) -> None:
    loaded = with_run(tmp_path, '[limits.vibration_high]\ntake_out = true\nreason = "sensor away"\n')
    again = stand_from_json(loaded.json)
    assert again == loaded.stand
    assert len(again.limit_set.sha256) == 64
    assert len(again.limit_set.layers) == 4
    assert again.limit_set.changes[0].reason == "sensor away"


def test_a_run_without_a_record_gets_its_hash_from_the_limits() -> None:
    loaded = load_stand(shared_path("stands", "airboat.toml"))
    old = json.loads(loaded.json)
    del old["limit_record"]
    limit_set = stand_from_json(json.dumps(old)).limit_set
    assert limit_set.sha256 == loaded.stand.limit_set.sha256
    assert (limit_set.layers, limit_set.origin("winding_hot")) == ((), "")


@pytest.mark.parametrize("name", ["small_motor", "big_motor_map", "propeller_static"])
def test_sample_runs_of_before_there_were_layers_stay_readable(name: str) -> None:
    with open_run(Path(__file__).resolve().parents[2] / "sample_runs" / name / "run.h5") as run:
        text = run.header.profile_json
    assert "limit_record" not in json.loads(text)
    limit_set = stand_from_json(text).limit_set
    assert limit_set.layers == ()
    assert limit_set.sha256 == canonical_sha256(json.loads(text)["limits"])


def with_starting_time(seconds: float) -> dict[str, Any]:
    """The resolved airboat, without a record, with a starting time."""
    mapping: dict[str, Any] = json.loads(load_stand(shared_path("stands", "airboat.toml")).json)
    del mapping["limit_record"]
    mapping["limit_set"]["starting_time"] = {"value": seconds, "unit": "s"}
    return mapping


def test_the_starting_time_is_in_the_hash_because_it_changes_what_trips() -> None:
    four = with_starting_time(4.0)
    here = stand_from_json(json.dumps(four)).limit_set.sha256
    assert here == canonical_sha256({"limits": four["limits"], "starting_time": {"value": 4.0, "unit": "s"}})
    assert here != stand_from_json(json.dumps(with_starting_time(5.0))).limit_set.sha256
    record = {"sha256": here, "layers": [], "origins": {}, "changes": []}
    assert stand_from_json(json.dumps(four | {"limit_record": record})).limit_set.sha256 == here
    with pytest.raises(ProfileError, match=r"limit_record\.sha256: not the hash of these limits"):
        stand_from_json(json.dumps(with_starting_time(5.0) | {"limit_record": record}))


def test_a_run_of_before_the_starting_time_was_hashed_keeps_its_hash() -> None:
    four = with_starting_time(4.0)
    record = {"sha256": canonical_sha256(four["limits"]), "layers": [], "origins": {}, "changes": []}
    assert stand_from_json(json.dumps(four | {"limit_record": record})).limit_set.sha256 == record["sha256"]


def test_limits_changed_after_the_run_are_found_out() -> None:
    changed = json.loads(load_stand(shared_path("stands", "airboat.toml")).json)
    changed["limits"]["winding_hot"]["set_point"]["value"] = 139.0
    with pytest.raises(ProfileError, match=r"limit_record\.sha256: not the hash of these limits"):
        stand_from_json(json.dumps(changed))


def test_a_record_that_names_no_layer_of_its_own_is_refused() -> None:
    changed = json.loads(load_stand(shared_path("stands", "airboat.toml")).json)
    changed["limit_record"]["origins"]["winding_hot.kind"] = 9
    with pytest.raises(ProfileError, match="names a layer that it does not list"):
        stand_from_json(json.dumps(changed))


def test_the_hash_is_the_same_wherever_a_limit_is_written(tmp_path: Path) -> None:
    """Limits in a layer or in the profile, in any order, comments and spacing: the same limits, the same hash."""
    motor = shared_path("limits", "heron_60.toml").read_text(encoding="utf-8")
    moved = motor[motor.index("[limits.") :]
    path = airboat(
        tmp_path, ('limits = "limits/heron_60.toml"', ""), ("[limits.coolant_hot]", f"{moved}\n[limits.coolant_hot]")
    )
    here = load_stand(path).stand.limit_set
    there = load_stand(shared_path("stands", "airboat.toml")).stand.limit_set
    assert here.sha256 == there.sha256
    assert here.layers != there.layers


def test_the_hash_of_a_limit_taken_by_hand() -> None:
    # printf '{"warm":{"latching":false,"set_point":{"unit":"K","value":3}}}' | sha256sum
    limits = {"warm": {"set_point": {"value": 3.0, "unit": "K"}, "latching": False}}
    assert canonical_json(limits) == '{"warm":{"latching":false,"set_point":{"unit":"K","value":3}}}'
    assert canonical_sha256(limits) == "8153bd1d30512771232ee401686a49a906f514234606ef0b7eeb34dc301bd262"


LEAVES = st.none() | st.booleans() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=8)
BRANCHES = LEAVES | st.lists(LEAVES, max_size=4) | st.dictionaries(st.text(max_size=6), LEAVES, max_size=5)
TREES = st.lists(BRANCHES, max_size=4) | st.dictionaries(st.text(max_size=6), BRANCHES, max_size=5)
# a busy machine is slow at times: no deadlines
without_deadline = settings(deadline=None)


def shuffled(tree: Any, random: Any) -> Any:
    if isinstance(tree, dict):
        keys = list(tree)
        random.shuffle(keys)
        return {key: shuffled(tree[key], random) for key in keys}
    return [shuffled(held, random) for held in tree] if isinstance(tree, list) else tree


@without_deadline
@given(TREES, st.randoms(use_true_random=False))
def test_the_hash_does_not_depend_on_the_order_of_keys(tree: Any, random: Any) -> None:
    assert canonical_sha256(shuffled(tree, random)) == canonical_sha256(tree)


@without_deadline
@given(TREES)
def test_the_canonical_form_is_json_of_the_same_values(tree: Any) -> None:
    assert json.loads(canonical_json(tree), parse_int=float) == tree


@settings(deadline=None, max_examples=20)  # each reads a whole profile
@given(st.permutations(sorted(BIG)))
def test_the_hash_does_not_depend_on_the_order_of_limits(order: list[str]) -> None:
    mapping = json.loads(load_json())
    mapping["limits"] = {name: dict(reversed(mapping["limits"][name].items())) for name in order}
    assert stand_from_json(json.dumps(mapping)).limit_set.sha256 == mapping["limit_record"]["sha256"]


def load_json(_made: list[str] = []) -> str:  # noqa: B006 -- loaded once for all examples
    if not _made:
        _made.append(load_stand(shared_path("stands", "airboat.toml")).json)
    return _made[0]
