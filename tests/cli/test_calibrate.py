"""``benchkit calibrate``: the worked example of the docs, and what the command refuses."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from benchkit.cli.calibrate_texts import rounded_up
from benchkit.cli.main import main
from benchkit.profiles import load_stand, shared_path

PAGE = Path(__file__).resolve().parents[2] / "docs" / "howto" / "calibrate.md"
BLOCKS = re.findall(r"```(\w+)\n(.*?)```", PAGE.read_text(encoding="utf-8"), flags=re.DOTALL)
WORKSHEET = next(text for kind, text in BLOCKS if kind == "toml")
STEPS = [
    "--point",
    "0",
    "0.1",
    "--point",
    "5",
    "0.6",
    "--point",
    "10",
    "1.1",
    "--point",
    "5",
    "0.6",
    "--point",
    "0",
    "0.1",
    "--u-mass-percent",
    "0.01",
]
CERTIFICATE = ["--certificate", "WR-9", "2026-11-02", "2027-11-02"]


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "thrust.toml").write_text(WORKSHEET, encoding="utf-8")
    (tmp_path / "my_stand.toml").write_bytes(shared_path("stands", "airboat.toml").read_bytes())
    return tmp_path


def test_the_worked_example_prints_what_the_page_shows(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = (bench / "my_stand.toml").read_bytes()
    dry, wet = (text.split()[1:] for kind, text in BLOCKS if kind == "sh")
    assert main(dry) == 0
    shown = capsys.readouterr().out
    assert (bench / "my_stand.toml").read_bytes() == before
    assert not list(bench.glob("*.json"))
    assert main(wet) == 0
    printed = capsys.readouterr().out
    assert printed.startswith(shown)
    assert printed.rstrip() == next(text for kind, text in BLOCKS if kind == "text").rstrip()


def test_the_profile_and_the_record_hold_the_same(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["calibrate", "thrust.toml", "--write", "my_stand.toml", "--json"]) == 0
    body = json.loads(capsys.readouterr().out)
    record = json.loads((bench / "my_stand.thrust.WR-2026-031.json").read_text(encoding="utf-8"))
    assert record == body
    calibration = load_stand(bench / "my_stand.toml").stand.channels["thrust"].calibration
    result = record["result"]
    assert calibration.curve.gain == pytest.approx(result["gain"]["value"], rel=1e-8)
    assert calibration.curve.offset == pytest.approx(result["offset"]["value"], rel=1e-8)
    for e in result["indicated"]:
        assert calibration.accuracy.standard_uncertainty(e["value"]) >= e["u"]
    assert calibration.certificate is not None
    assert calibration.certificate.id == "WR-2026-031"


def test_the_example_finds_the_line_it_was_made_with(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The data were made with 500.62 N per mV/V, zero 0.01234 mV/V and hysteresis up to 0.14 N; u from the fit."""
    assert main(["calibrate", "thrust.toml", "--json"]) == 0
    result = json.loads(capsys.readouterr().out)["result"]
    assert abs(result["gain"]["value"] - 500.62) < 2.0 * result["gain"]["u"]
    assert abs(result["offset"]["value"] + 0.01234 * 500.62) < 3.0 * result["offset"]["u"]
    assert result["hysteresis"] == pytest.approx(0.14, abs=0.05)


def test_a_record_is_never_overwritten_and_then_the_profile_stays(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (bench / "my_stand.thrust.WR-2026-031.json").write_text("old", encoding="utf-8")
    before = (bench / "my_stand.toml").read_bytes()
    assert main(["calibrate", "thrust.toml", "--write", "my_stand.toml"]) == 2
    assert "there is a record of that name" in capsys.readouterr().err
    assert (bench / "my_stand.toml").read_bytes() == before


def test_points_by_options_with_a_unit_that_is_not_the_bench_unit(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """10 kg at 9.81 m/s² on 0.5 m, less buoyancy, is 49.04264 N·m over 1.0 of reading; the channel is in lbf·ft."""
    path = bench / "my_stand.toml"
    text = path.read_text(encoding="utf-8")
    start = text.index("[channels.shaft_torque]")
    stop = text.index("[channels.thrust]")
    path.write_text(text[:start] + text[start:stop].replace('"N·m"', '"lbf·ft"') + text[stop:], encoding="utf-8")
    command = ["calibrate", *STEPS, "--method", "lever_arm", "--arm", "0.5", "0", "--gravity", "9.81", "0"]
    assert main([*command, "--channel", "shaft_torque", *CERTIFICATE, "--write", "my_stand.toml"]) == 0
    capsys.readouterr()
    curve = load_stand(path).stand.channels["shaft_torque"].calibration.curve
    assert curve.gain == pytest.approx(10.0 * 9.81 * 0.5 * (1.0 - 1.2 / 8000.0), rel=1e-8)
    written = float(re.findall(r"gain = ([\d.]+)", path.read_text(encoding="utf-8")[start:])[0])
    assert written == pytest.approx(curve.gain / 1.3558179483314004, rel=1e-8)  # 1 lbf·ft in N·m


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("", "either a worksheet or points"),
        ("thrust.toml --point 0 1", "either a worksheet or points"),
        ("thrust.toml --write my_stand.toml --channel thurst", "Did you mean 'thrust'"),
        ("thrust.toml --write my_stand.toml --channel shaft_torque", "dead_weight calibrates force"),
        ("thrust.toml --write airboat", "cannot be read"),
        (" ".join(["--method dead_weight", *STEPS, "--write my_stand.toml"]), "no channel named"),
        (" ".join(["--method dead_weight", *STEPS, "--write my_stand.toml --channel thrust"]), "needs its certificate"),
    ],
)
def test_refusals(words: str, message: str, bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = (bench / "my_stand.toml").read_bytes()
    assert main(["calibrate", *words.split()]) == 2
    assert message in capsys.readouterr().err
    assert (bench / "my_stand.toml").read_bytes() == before


def test_uncertainties_are_never_rounded_down() -> None:
    assert [rounded_up(x) for x in (0.0012341, 0.001234, 12.0, 0.0, 99.91)] == [0.00124, 0.00124, 12.0, 0.0, 100.0]
