"""Commands as a user calls them: output, exit codes, messages without traceback."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from benchkit import __version__
from benchkit.cli.main import COMMANDS, main
from benchkit.profiles import shared_path
from benchkit.profiles.cautions import WRONG_ROWS_OF_1000


def test_help_names_every_command_and_the_exit_codes(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="0"):
        main(["--help"])
    out = capsys.readouterr().out
    assert all(f"  {name} " in out for name in COMMANDS)
    assert "Exit codes" in out
    assert "not a safety function" in out


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_has_help(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="0"):
        main([name, "--help"])
    assert f"benchkit {name}" in capsys.readouterr().out


@pytest.mark.parametrize("given", [[], ["run.h5"], ["--runs", "runs"], ["--attach", "runs/a.live.json"]])
def test_the_dashboard_gets_its_arguments(given: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    from gui.app import parser

    called: list[list[str]] = []
    monkeypatch.setattr("subprocess.call", lambda command: called.append(command) or 0)
    assert main(["dashboard", *given]) == 0
    assert called[0][1:3] == ["-m", "gui"]
    assert vars(parser().parse_args(called[0][3:])) == vars(parser().parse_args(given))


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="0"):
        main(["--version"])
    assert capsys.readouterr().out.strip() == f"benchkit {__version__}"


def test_check_says_what_the_stand_is(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "airboat", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert (facts["channels"], facts["motor"], facts["simulated"]) == (24, "HERON-60", True)


def test_a_source_without_a_check_value_is_a_caution_and_no_fault(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", "airboat", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["cautions"] == []
    path = tmp_path / "stand.toml"
    path.write_text(
        f"""[profile]
base = "{shared_path("stands", "airboat.toml").as_posix()}"
[sources.rack.format]
checksum = "none"
[sources.drive]
kind = "serial_packets"
port = "SET-ON-COMMAND-LINE"
baud = 2000000
stale_after = {{ value = 50.0, unit = "ms" }}
[sources.drive.packets]
framing = "length"
check = "none"
byte_order = "little"
sync = "a55a"
fields = [{{ column = "phase_a", type = "f32" }}]
""",
        encoding="utf-8",
    )
    assert main(["check", str(path)]) == 0
    first, second, third, *_ = capsys.readouterr().out.splitlines()
    assert first.endswith(": no faults")
    assert second.startswith("  caution: sources.rack.format.checksum: text lines without a check value")
    assert third.startswith("  caution: sources.drive.packets.check: packets with length framing without a check value")
    assert main(["check", str(path), "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["cautions"]) == 2


@pytest.mark.parametrize("framing", ["text lines", "`cobs`", "`length`"])
def test_the_caution_has_the_rate_of_the_page(framing: str) -> None:
    page = (Path(__file__).resolve().parents[2] / "docs" / "reference" / "decoders.md").read_text(encoding="utf-8")
    key = {"text lines": "text"}.get(framing, framing.strip("`"))
    assert f"| {framing} | {WRONG_ROWS_OF_1000[key]} |" in page


def test_a_faulty_profile_ends_with_3_and_lists_the_faults(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "stand.toml"
    path.write_text('[profile]\nbase = "nowhere.toml"\n', encoding="utf-8")
    assert main(["check", str(path)]) == 2
    assert "cannot be read" in capsys.readouterr().err
    path.write_text("[stand]\n", encoding="utf-8")
    assert main(["check", str(path)]) == 3
    err = capsys.readouterr().err
    assert "stand.title: missing" in err
    assert "Traceback" not in err


def test_a_missing_stand_names_the_examples(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "airbot"]) == 2
    err = capsys.readouterr().err
    assert "airboat_small" in err
    assert "Did you mean 'airboat'?" in err


def test_schema_is_json_schema_that_knows_the_sections(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schema"]) == 0
    schema = json.loads(capsys.readouterr().out)
    assert {"stand", "channels", "limits", "profile"} <= set(schema["properties"])
    for section in ("ChannelSection", "SideSection", "BandSection"):
        assert schema["$defs"][section]["additionalProperties"] is False


def test_info_on_something_else_ends_with_4(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "run.h5"
    path.write_bytes(b"not a run")
    assert main(["info", str(path)]) == 4
    assert "run.h5" in capsys.readouterr().err


def test_debug_shows_the_traceback(tmp_path: Path) -> None:
    path = tmp_path / "run.h5"
    path.write_bytes(b"not a run")
    with pytest.raises(Exception, match=r"run\.h5"):
        main(["--debug", "info", str(path)])


def test_a_port_for_an_unknown_source_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["record", "airboat", "--port", "rak=/dev/null", "--out", str(tmp_path)]) == 2
    assert "Did you mean 'rack'?" in capsys.readouterr().err
    assert main(["record", "airboat", "--port", "rack", "--out", str(tmp_path)]) == 2
    assert "SOURCE=PORT" in capsys.readouterr().err
