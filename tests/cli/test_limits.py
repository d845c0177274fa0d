"""``benchkit limits`` and ``--limits``, with the files and commands of docs/howto/limit-sets.md."""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchkit.cli.main import EPILOG, main
from benchkit.model.cautions import CAUTIONS, NOT_A_SAFETY_FUNCTION, ONE_LINE, SOFTWARE_TRIP
from benchkit.model.limit_layers import Mark
from benchkit.profiles import load_stand, shared_path, stand_from_json
from benchkit.runfile.reader import open_run

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "howto" / "limit-sets.md").read_text(encoding="utf-8")
MOTOR_LINE, MOTOR_LAYER, HEAT_RUN = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
COMMANDS = re.findall(r"^benchkit (.*)$", PAGE, re.MULTILINE)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    (tmp_path / "heat_run.toml").write_text(HEAT_RUN, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def rows(out: str) -> dict[str, list[str]]:
    """Cells of the table by the name of the limit."""
    lines = [re.split(r"\s{2,}", line) for line in out.splitlines()]
    return {cells[0]: cells for cells in lines if len(cells) == 10}


def test_every_limit_with_where_it_comes_from(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["limits", "airboat"]) == 0
    out = capsys.readouterr().out
    stand = load_stand(shared_path("stands", "airboat.toml")).stand
    table = rows(out)
    assert set(table) == {"limit"} | {x.name for x in stand.limit_set.limits}
    assert table["winding_hot"] == [
        "winding_hot", "winding_temp", "above", "140 °C", "0 s", "5 K", "trip", "ramp_down", "-",
        "motor: shared/limits/heron_60.toml",
    ]  # fmt: skip
    assert table["coolant_flow_low"][1:] == [
        "coolant_flow", "below", "4 L/min", "0.2 s", "0.3 L/min", "caution", "-", "-", "stand: airboat.toml",
    ]  # fmt: skip
    assert table["junction_hot"][-1] == "inverter: shared/limits/reed_inv_03.toml"
    assert f"SHA-256 {stand.limit_set.sha256}" in out
    assert "airboat big motor, revision 3, 15 limits" in out
    assert "inverter: shared/limits/reed_inv_03.toml: REED-INV-03 inverter, revision 2" in out
    assert out.rstrip().endswith(str(SOFTWARE_TRIP))


def test_what_a_run_changes_is_shown_with_its_reason(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["limits", "airboat", "--limits", "heat_run.toml"]) == 0
    out = capsys.readouterr().out
    table = rows(out)
    assert table["winding_hot"][3] == "145 °C"
    assert table["winding_hot"][-2:] == [
        "loosened", "motor: shared/limits/heron_60.toml; set_point from run: heat_run.toml",
    ]  # fmt: skip
    assert table["coolant_hot"][-2] == "tightened"
    assert "vibration_high" not in table
    assert (
        "vibration_high: loosened by run: heat_run.toml: taken out. "
        "Reason: sensor away for repair, coupling checked by hand" in out
    )


def test_the_same_as_json(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["limits", "airboat", "--limits", "heat_run.toml", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert [x["rank"] for x in facts["layers"]] == ["stand", "motor", "inverter", "run"]
    winding = facts["limits"]["winding_hot"]
    assert winding["set_point"] == {"value": 145.0, "unit": "°C"}
    assert (winding["origins"]["set_point"], winding["origins"]["deadband"]) == (3, 1)
    assert winding["changes"] == [
        {
            "layer": 3,
            "mark": "loosened",
            "what": "set_point 140 °C -> 145 °C",
            "reason": "the heat run looks for the limit; agreed in the test plan",
        }
    ]
    assert [x["limit"] for x in facts["taken_out"]] == ["vibration_high"]
    assert len(facts["sha256"]) == 64
    assert facts["caution"] == str(SOFTWARE_TRIP)


def test_without_the_reason_nothing_is_printed(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (bench / "heat_run.toml").write_text(re.sub(r"^reason.*\n", "", HEAT_RUN, flags=re.MULTILINE), encoding="utf-8")
    for command in ("limits", "check", "record", "simulate"):
        assert main([command, "airboat", "--limits", "heat_run.toml"]) == 3
        told = capsys.readouterr()
        assert not told.out
        assert "heat_run.toml: limits.winding_hot: loosens a trip without a reason" in told.err


@pytest.mark.parametrize("command", COMMANDS)
def test_the_commands_of_the_page(
    command: str, bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchkit.cli.recording.step_forward", lambda: None)  # not the test run as a whole
    assert main(shlex.split(command)) == 0
    told = capsys.readouterr()
    if not command.startswith("record"):
        return
    assert "caution: limit winding_hot loosened by run: heat_run.toml" in told.err
    assert ONE_LINE in told.err
    (made,) = (bench / "runs").glob("*.h5")
    with open_run(made) as run:
        limit_set = stand_from_json(run.header.profile_json).limit_set
        assert run.header.profile_texts["heat_run.toml"] == HEAT_RUN
    expected = load_stand(shared_path("stands", "airboat.toml"), bench / "heat_run.toml").stand.limit_set
    assert limit_set == expected
    assert sum(c.mark is Mark.LOOSENED for c in limit_set.changes) == 2


def test_the_layer_of_the_page_serves_a_stand(bench: Path) -> None:
    assert MOTOR_LINE in re.sub(
        r"\n(?!id|limits|\[)\w.*|  +#.*", "", shared_path("stands", "airboat.toml").read_text("utf-8")
    )
    (bench / "limits").mkdir()
    (bench / "limits" / "heron_60.toml").write_text(MOTOR_LAYER, encoding="utf-8")
    (bench / "stand.toml").write_text(shared_path("stands", "airboat.toml").read_text("utf-8"), encoding="utf-8")
    limit_set = load_stand(bench / "stand.toml").stand.limit_set
    assert limit_set.origin("winding_hot") == "motor: limits/heron_60.toml"  # beside the profile, not the shared one
    assert "magnet_hot" not in {x.name for x in limit_set.limits}


def test_the_sentence_has_one_place(capsys: pytest.CaptureFixture[str]) -> None:
    assert NOT_A_SAFETY_FUNCTION in EPILOG  # help comes before anything is imported
    assert SOFTWARE_TRIP in CAUTIONS
    assert "a software trip is not a safety function" in ONE_LINE
    assert main(["check", "airboat"]) == 0
    assert str(SOFTWARE_TRIP) in capsys.readouterr().out
    written_in = [
        path.relative_to(ROOT).as_posix()
        for folder in ("benchkit", "gui")
        for path in sorted((ROOT / folder).rglob("*.py"))
        if NOT_A_SAFETY_FUNCTION in re.sub(r'"""[^"]*"""', "", path.read_text(encoding="utf-8"))
    ]
    assert written_in == ["benchkit/model/cautions.py"]
