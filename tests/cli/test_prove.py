"""``benchkit prove`` and ``record --proof``: real processes, the simulated stand on a pseudo-terminal as the device."""

from __future__ import annotations

import json
import re
import shutil
import stat
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from benchkit.cli.main import main
from benchkit.errors import RefusedError, UsageError
from benchkit.model.calibration import GainOffset
from benchkit.model.cautions import NOT_A_SAFETY_FUNCTION
from benchkit.model.events import EventKind
from benchkit.model.limits import LimitKind
from benchkit.model.proof import chain_hash, proof_from_json, why_not
from benchkit.profiles import load_stand, shared_path
from benchkit.protect.permissives import protection_hash
from benchkit.runfile.reader import open_run
from benchkit.session.client import RecorderClient
from benchkit.session.process import Child, start_recorder, start_simulated_stand
from benchkit.session.signing import checked, make_key, read_record, signed, write_record

LIMITS_PAGE = Path(__file__).parents[2] / "docs" / "reference" / "limits.md"
EVERY_KIND = "\n".join(re.findall(r"```toml\n(.*?)```", LIMITS_PAGE.read_text(encoding="utf-8"), flags=re.DOTALL))
REQUIRED = '[start_conditions]\nlimit_set_proven = true\nproof_max_age = { value = 120.0, unit = "min" }\n'


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BENCHKIT_CONFIG", str(tmp_path / "config"))
    shutil.copy(shared_path("stands", "airboat.toml"), tmp_path)
    return tmp_path


@pytest.fixture(scope="module")
def device() -> Iterator[Child]:
    """The device of the stand, at rest; a proof leaves it so."""
    child = start_simulated_stand("airboat", rate_hz=200.0)
    yield child
    child.end()


def profile(folder: Path, name: str, text: str) -> str:
    (folder / name).write_text(f'[profile]\nbase = "airboat.toml"\n{text}', encoding="utf-8")
    return name


def prove(stand: str, device: Child, *more: str) -> int:
    return main(["prove", stand, "--port", f"rack={device.address}", "--who", "Ada Reed", *more])


def record_of(path: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(Path(path).read_text(encoding="utf-8"))
    return found


def test_every_kind_is_proven_over_the_wire(bench: Path, device: Child, capsys: pytest.CaptureFixture[str]) -> None:
    stand = profile(bench, "every.toml", EVERY_KIND)
    assert prove(stand, device, "--out", "proof.json") == 0
    out = capsys.readouterr().out
    assert "The stop commands are really sent to the device: rack: stop torque, rack: stop ramp." in out
    assert "The proof is complete." in out
    assert NOT_A_SAFETY_FUNCTION in out
    body = record_of("proof.json")["proof"]
    loaded = load_stand(bench / stand).stand
    assert {one["kind"] for one in body["limits"]} == {kind.value for kind in LimitKind}
    assert {one["limit"] for one in body["limits"]} == {limit.name for limit in loaded.limit_set.limits}
    assert {one["level"] for one in body["limits"]} == {"bytes"}
    assert (body["protection_hash"], body["limit_set_sha256"]) == (protection_hash(loaded), loaded.limit_set.sha256)
    assert (body["who"], body["is_simulated"], body["is_complete"]) == ("Ada Reed", False, True)
    assert NOT_A_SAFETY_FUNCTION in body["meaning"]
    for one in body["limits"]:
        assert one["is_proven"], one
        assert one["at_first_sample"], one
        if one["severity"] == "trip":
            assert 0.0 <= one["decided_s"] <= one["written_s"] <= one["acknowledged_s"], one
            assert one["commands"] == ["rack: " + {"zero_torque": "stop torque"}.get(one["action"], "stop ramp")]
            assert one["is_reset"], one
        else:
            assert one["commands"] == [], one
    by_name = {(one["limit"], one["case"]): one for one in body["limits"]}
    # both edges of a band, and every phase in which the set point is not off
    assert {case for limit, case in by_name if limit == "air_pressure_odd"} == {"upper edge", "lower edge"}
    assert {case for limit, case in by_name if limit == "torque_by_phase"} == {"starting", "running", "stopping"}
    # exact: (2.0 is the multiple) 13.5 x 0.1 / (2 - 1) s, and 0.1 % after it
    assert by_name["phase_inverse", ""]["driven_s"] == pytest.approx(1.35 * 1.001, rel=1e-6)
    assert "phase_over_current" in by_name["phase_inverse", ""]["set_aside"]


ESCALATING = """
[stop_actions.ramp_down]
source = "rack"
command = "stop ramp"
acknowledged_by = "ok stop ramp"
timeout = { value = 60.0, unit = "ms" }
attempts = 3
stop_category = 1
escalate_to = "zero_torque"
"""


def test_escalation_is_proven_with_answers_held_back(
    bench: Path, device: Child, capsys: pytest.CaptureFixture[str]
) -> None:
    assert prove(profile(bench, "escalating.toml", ESCALATING), device, "--out", "proof.json") == 0
    assert "proven      escalation of ramp_down to zero_torque" in capsys.readouterr().out
    body = record_of("proof.json")
    (one,) = body["proof"]["escalations"]
    assert (one["attempts"], one["is_proven"], one["reason"]) == (3, True, "")
    assert one["held_back"] >= 1  # the device did answer
    assert one["commands"] == ["rack: stop ramp", "rack: stop torque"]
    assert one["acknowledged_by"] == ["rack: ok stop torque"]
    # exact: three timeouts of 60 ms; the next command leaves with the escalation, its answer comes after it
    assert 0.18 <= one["escalated_s"] <= one["written_s"] <= one["acknowledged_s"]
    assert checked(body).escalations[0].to == "zero_torque"
    body["proof"]["escalations"][0]["attempts"] = 4
    with pytest.raises(UsageError, match="was changed after it was signed"):
        checked(body)


def test_an_escalation_that_nobody_answers_leaves_the_proof_incomplete(
    bench: Path, device: Child, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (bench / "airboat.toml").read_text(encoding="utf-8")
    deaf = text.replace('"ok stop torque"\ntimeout = { value = 500.0', '"ok torque"\ntimeout = { value = 50.0')
    assert deaf != text
    (bench / "airboat.toml").write_text(deaf, encoding="utf-8")
    shutil.copytree(shared_path("limits", "heron_60.toml").parent, bench / "limits", dirs_exist_ok=True)
    assert prove(profile(bench, "escalating.toml", ESCALATING), device, "--out", "proof.json") == 6
    assert "NOT PROVEN  escalation of ramp_down to zero_torque: zero_torque was not" in capsys.readouterr().out
    proof = checked(record_of("proof.json"))
    assert "escalation of ramp_down to zero_torque" in proof.left
    assert not proof.is_complete


def test_a_device_that_does_not_acknowledge(bench: Path, device: Child, capsys: pytest.CaptureFixture[str]) -> None:
    text = (bench / "airboat.toml").read_text(encoding="utf-8")
    wrong = text.replace(
        'acknowledged_by = "ok stop ramp"\ntimeout = { value = 500.0',
        'acknowledged_by = "ok ramp"\ntimeout = { value = 50.0',
    )
    assert wrong != text
    (bench / "airboat.toml").write_text(wrong, encoding="utf-8")
    shutil.copytree(shared_path("limits", "heron_60.toml").parent, bench / "limits", dirs_exist_ok=True)
    assert prove("airboat.toml", device) == 6
    out = capsys.readouterr().out
    assert "NOT PROVEN  coolant_hot: ramp_down was not acknowledged: no answer 'ok ramp' from rack" in out
    assert "proven      over_speed" in out
    body = record_of("airboat_proof.json")["proof"]
    left = {one["limit"] for one in body["limits"] if not one["is_proven"]}
    assert left == {
        limit.name for limit in load_stand(bench / "airboat.toml").stand.limit_set.limits if limit.action == "ramp_down"
    }
    assert (
        f"The proof is INCOMPLETE: {', '.join(one['limit'] for one in body['limits'] if not one['is_proven'])}." in out
    )
    with pytest.raises(RefusedError, match=r"it is incomplete: .*coolant_hot"):
        _take("airboat.toml", "airboat_proof.json")


def _take(stand: str, proof: str) -> None:
    from benchkit.session.proof_taken import fitting_proof

    fitting_proof(Path(proof), load_stand(Path(stand)).stand, datetime.now(UTC), is_simulated=False)


def test_refused_while_the_shaft_turns(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    turning = start_simulated_stand("airboat", rate_hz=200.0, schedule=[(0.0, "set speed 900")])
    try:
        assert prove("airboat.toml", turning) == 6
    finally:
        turning.end()
    assert "the stand is not at rest" in capsys.readouterr().err
    assert not (bench / "airboat_proof.json").exists()


def test_a_run_takes_the_proof_and_arms_with_it_only(
    bench: Path, device: Child, capsys: pytest.CaptureFixture[str]
) -> None:
    stand = profile(bench, "asks.toml", REQUIRED)
    assert prove(stand, device, "--out", "proof.json") == 0
    options = ("--port", f"rack={device.address}", "--quiet")
    child, endpoints = start_recorder(stand, "runs", options)
    try:
        with RecorderClient(endpoints) as client, pytest.raises(RefusedError, match=r"limit_set_proven \(no proof\)"):
            client.request("arm", who="Ada")
    finally:
        child.end()
    child, endpoints = start_recorder(stand, "runs", (*options, "--proof", "proof.json"))
    try:
        with RecorderClient(endpoints) as client:
            _until_ready(client)
            assert client.request("arm", who="Ada")["state"] == "ARMED"
    finally:
        child.end()
    with open_run(Path(endpoints.run_path)) as run:
        (event,) = [e for e in run.events() if e.kind is EventKind.PROOF]
        assert checked(event.data["record"]).is_complete  # the signature fits in the run as well
        assert "limit_set_proven: met" in [e.message for e in run.events()]
    # a limit that is changed afterwards
    run_limits = """
[limit_set]
name = "trial"
revision = "1"
[limits.over_speed]
set_point = { value = 4200.0, unit = "rpm" }
"""
    (bench / "run.toml").write_text(run_limits, encoding="utf-8")
    capsys.readouterr()
    assert main(["record", stand, *options, "--limits", "run.toml", "--proof", "proof.json"]) == 6
    assert "not proven by this record: it is of another limit set" in capsys.readouterr().err


def _until_ready(client: RecorderClient) -> None:
    for _ in range(200):
        if client.request("describe", who="Ada")["state"] == "READY":
            return
    pytest.fail("not READY")


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], Path]:
    """A record without a device: its fields are made up, its signature is real."""
    folder = tmp_path_factory.mktemp("key")
    body = {
        "stand": "airboat", "limit_set": "airboat big motor", "revision": "3", "limit_set_sha256": "0" * 64,
        "protection_hash": "1" * 64, "chain_hash": "4" * 64, "proven_utc": "2026-03-04T09:00:00+00:00",
        "who": "Ada", "host": "bench",
        "software_version": "0", "is_simulated": False, "largest_speed_rpm": 0.2, "format": 1,
        "limits": [{
            "limit": "winding_hot", "case": "", "severity": "trip", "kind": "above", "channel": "winding_temp",
            "is_proven": True, "injected": 142.2, "commands": ["rack: stop ramp"],
        }],
    }  # fmt: skip
    return signed(proof_from_json(body), folder / "key.pem"), folder / "key.pem"


def test_the_key_is_for_its_owner_alone(record: tuple[dict[str, Any], Path], tmp_path: Path) -> None:
    _, key = record
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    with pytest.raises(UsageError, match="there is a key already"):
        make_key(key)
    open_key = tmp_path / "key.pem"
    make_key(open_key)
    open_key.chmod(0o644)
    with pytest.raises(UsageError, match="the key can be read by others"):
        signed(checked(record[0]), open_key)


@pytest.mark.parametrize(
    ("key", "value", "text"),
    [
        ("is_complete", False, "was changed after it was signed"),
        ("protection_hash", "2" * 64, "was changed after it was signed"),
        ("fingerprint", "3" * 64, "was changed after it was signed"),
        ("public_key", "AAAA", "not a signed proof record"),
    ],
)
def test_a_record_that_was_changed_is_refused(
    record: tuple[dict[str, Any], Path], tmp_path: Path, key: str, value: object, text: str
) -> None:
    good = record[0]
    write_record(good, tmp_path / "proof.json")
    assert read_record(tmp_path / "proof.json")[0].who == "Ada"
    write_record({**good, "proof": {**good["proof"], key: value}}, tmp_path / "proof.json")
    with pytest.raises(UsageError, match=text):
        read_record(tmp_path / "proof.json")


def test_one_value_deep_in_the_record_is_enough(record: tuple[dict[str, Any], Path], tmp_path: Path) -> None:
    bad = json.loads(json.dumps(record[0]))
    bad["proof"]["limits"][0]["injected"] = 142.3
    with pytest.raises(UsageError, match="was changed after it was signed"):
        checked(bad)


def test_what_makes_a_proof_count(record: tuple[dict[str, Any], Path]) -> None:
    proof = checked(record[0])
    then = datetime(2026, 3, 4, 9, 0, tzinfo=UTC)
    fits: dict[str, Any] = {
        "protection_hash": "1" * 64, "chain_hash": "4" * 64, "now": then + timedelta(hours=1),
        "max_age_s": 3600.0, "is_simulated": False,
    }  # fmt: skip
    assert why_not(proof, **fits) == ""
    assert "another limit set" in why_not(proof, **(fits | {"protection_hash": "0" * 64}))
    assert "calibrations have changed" in why_not(proof, **(fits | {"chain_hash": "0" * 64}))
    assert "2.0 h old, and the profile takes 1 h" in why_not(proof, **(fits | {"now": then + timedelta(hours=2)}))
    assert "ahead of this clock" in why_not(proof, **(fits | {"now": then - timedelta(hours=1)}))
    simulated = replace(proof, is_simulated=True)
    assert "against the simulated stand" in why_not(simulated, **fits)
    assert why_not(simulated, **(fits | {"is_simulated": True})) == ""
    left = replace(proof, limits=(replace(proof.limits[0], is_proven=False),))
    assert "incomplete: winding_hot" in why_not(left, **fits)
    assert "incomplete: no limit" in why_not(replace(proof, limits=()), **fits)


def test_a_new_key_leaves_the_old_one(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for _ in range(2):
        assert main(["prove", "--new-key"]) == 0
    first, second = (line.rsplit(" ", 1)[1] for line in capsys.readouterr().out.splitlines())
    assert first != second
    assert sorted(file.name for file in (bench / "config").iterdir()) == [
        "proof_key.pem",
        f"proof_key_{first[:16]}.pem",
    ]


def test_what_is_missing_on_the_command_line(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["prove"]) == 2
    assert main(["prove", "airboat.toml"]) == 2
    assert "who proves is not said" in capsys.readouterr().err


def test_a_calibration_is_part_of_the_chain_and_a_label_is_not() -> None:
    stand = load_stand(shared_path("stands", "airboat.toml")).stand

    def changed(**fields: object) -> str:
        channel = replace(stand.channels["winding_temp"], **fields)  # type: ignore[arg-type]
        return chain_hash(replace(stand, channels={**stand.channels, "winding_temp": channel}))

    curve = replace(stand.channels["winding_temp"].calibration, curve=GainOffset(1.1, 0.0))
    assert changed(label="Winding") == chain_hash(stand)
    assert changed(calibration=curve) != chain_hash(stand)
