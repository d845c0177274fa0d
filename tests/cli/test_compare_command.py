"""``compare``, ``plan`` and ``history`` on the sample runs: eight run files of two firmwares, from file to page."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader

from benchkit.cli import compare as command
from benchkit.cli.main import main
from benchkit.model.calibration import GainOffset
from benchkit.model.stand import Role
from benchkit.profiles import load_stand, shared_path
from benchkit.session.signing import make_key
from benchkit.simulate.conditions import Conditions
from benchkit.simulate.drives import drive_of
from benchkit.simulate.truth import settled

SAMPLES = Path(__file__).resolve().parents[2] / "sample_runs" / "firmware_ab"
A, B = (sorted(str(p) for p in SAMPLES.glob(f"{side}?.h5")) for side in "ab")


@pytest.fixture(scope="module")
def compared(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, dict[str, object], str]:
    """Page, JSON, progress."""
    import contextlib
    import io

    out = tmp_path_factory.mktemp("compare") / "page.html"
    answer, progress = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(answer), contextlib.redirect_stderr(progress):
        code = main(["compare", *A, "--against", *B, "--out", str(out), "--margin", "0.3", "--json"])
    assert code == 0
    return out.read_text(encoding="utf-8"), json.loads(answer.getvalue()), progress.getvalue()


def table(body: dict, name: str) -> list[dict]:
    return next(t["rows"] for s in body["sections"] for t in s.get("tables", ()) if t["id"] == name)


def true_difference(speed: float, torque: float) -> float:
    """Per cent of the input power, from the closed form of the simulated stand."""
    powers = []
    for name in ("airboat_map.toml", "airboat_map_c02.toml"):
        truth, _ = settled(drive_of(load_stand(shared_path("stands", name)).stand), speed, torque, Conditions())
        powers.append(truth)
    a, b = powers
    return 100.0 * ((b.dc_power_w - b.shaft_power_w) - (a.dc_power_w - a.shaft_power_w)) / a.dc_power_w


def test_intervals_of_the_regions_hold_the_truth_of_the_simulated_inverter(compared) -> None:
    _, body, _ = compared
    figure = next(f for s in body["sections"] for f in s.get("figures", ()) if f["id"] == "difference-drive")
    inside = []
    for region in figure["regions"]:
        at = [0.5 * (region[f"{k}_low"]["value"] + region[f"{k}_high"]["value"]) for k in ("speed", "torque")]
        n, t = (
            min(v, key=lambda x, c=c: abs(x - c))
            for v, c in zip(((1200.0, 2200.0, 3200.0), (30.0, 75.0, 120.0)), at, strict=True)
        )
        d = region["difference"]
        inside.append(d["low95"] <= true_difference(n, t) <= d["high95"])
    assert len(inside) == 9
    # nine intervals of 95 % on the same runs, which go together: two outside happen, four hardly
    assert sum(inside) >= 6


def test_the_page_says_which_is_better_and_hatches_what_was_not_shown(compared) -> None:
    page, body, _ = compared
    assert "Firmware C.02 (B) against B.14 (A)" in page
    assert re.search(r"C\.02, drive loss over the whole map, of the input power: better by", page)
    assert body["simulated"]
    regions = table(body, "regions-inverter")
    assert sum(row["verdict"].startswith("better") for row in regions) >= 5
    rows = {row["label"]: row for row in table(body, "confounders")}
    assert rows["Bus voltage"]["treatment"] == "within tolerance"
    assert not any(row["treatment"] in ("refused", "marked") for row in rows.values())
    assert table(body, "order")[0]["letters"] == "ABBABAAB"
    assert "without hatch" not in page  # texts of figures are paths
    assert page.count("<svg") == 3


def test_a_changed_calibration_is_refused_and_can_be_accepted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    real = command.gather_sides

    def recalibrated(a, b, tell):
        runs_a, runs_b, reports = real(a, b, tell)
        name = runs_b[0].stand.roles[Role.TORQUE]
        channel = runs_b[0].stand.channels[name]
        changed = replace(channel, calibration=replace(channel.calibration, curve=GainOffset(100.1, 0.0)))
        stand = replace(runs_b[0].stand, channels={**runs_b[0].stand.channels, name: changed})
        return runs_a, [replace(run, stand=stand) for run in runs_b], reports

    monkeypatch.setattr(command, "gather_sides", recalibrated)
    out = ["--out", str(tmp_path / "page.html")]
    assert main(["compare", A[0], "--against", B[0], *out]) == command.REFUSED_EXIT == 4
    told = capsys.readouterr().out
    assert "No verdict on C.02: refused: calibration of the loss" in told
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "--accept calibration=REASON" in page
    assert main(["compare", A[0], "--against", B[0], *out, "--accept", "calibration=same masses"]) == 0
    assert "accepted: same masses" in (tmp_path / "page.html").read_text(encoding="utf-8")


def test_progress_goes_to_standard_error(compared) -> None:
    lines = compared[2].splitlines()
    assert lines[0].startswith("reading 1 of 8")
    assert lines[-3:-1] == ["comparing", "drawing"]
    assert lines[-1].startswith("done in ")


def test_plan_of_the_same_runs_can_be_followed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "plan.md"
    assert main(["plan", *A[:2], "--against", *B[:2], "--matters", "0.2", "--out", str(out), "--json"]) == 0
    made = json.loads(capsys.readouterr().out)
    text = out.read_text(encoding="utf-8")
    assert text.count("firmware **A**") == text.count("firmware **B**") == made["runs"] / 2
    assert "| reference point | 2200 rpm, 75." in text
    assert "not a safety function" in text
    order = re.search(r"\| order \| (.*) \|", text)
    assert order is not None
    assert set(order[1].split(" / ")) <= {"ABBA", "BAAB"}


def test_plan_from_stated_noise_and_without(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "plan.md"
    assert main(["plan", "--noise", "0.05", "--matters", "0.2", "--out", str(out)]) == 0
    assert "with" in capsys.readouterr().out
    assert main(["plan", "--out", str(out)]) == 2
    assert "needs the noise of the bench" in capsys.readouterr().err


def test_history_draws_limits_over_the_revisions(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out, pdf = tmp_path / "history.html", tmp_path / "history.pdf"
    make_key(tmp_path / "key.pem")
    made = ["--out", str(out), "--pdf", str(pdf), "--sign", str(tmp_path / "key.pem")]
    assert main(["history", *A[:2], *B[:1], *made, "--json"]) == 0
    body = json.loads(capsys.readouterr().out)
    rows = table(body, "history")
    assert [row["revision"] for row in rows] == ["B.14", "C.02", "B.14"]
    figure = next(f for s in body["sections"] for f in s.get("figures", ()) if f["id"] == "history-drive-loss")
    values = np.array(figure["values"]["values"])
    spread = np.mean(np.abs(np.diff(values)))
    assert main(["verify", str(out), str(pdf)]) == 0  # both were signed
    assert "Losses and metrics over 2 revisions" in PdfReader(pdf).pages[0].extract_text()
    # exact: centre + 3 MR / d2, d2 = 2/sqrt(pi)
    assert figure["high"]["value"] == pytest.approx(values.mean() + 1.5 * math.sqrt(math.pi) * spread)


def test_wrong_use_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", A[0], "--against", A[0]]) == 2
    assert "the same run is given twice" in capsys.readouterr().err
    assert main(["compare", A[0], "--against", B[0], "--out", A[0]]) == 2
    assert "would replace a run" in capsys.readouterr().err
    assert main(["compare", A[0], B[0], "--against", B[1], "--out", str(tmp_path / "x.html")]) == 2
    assert "2 firmwares" in capsys.readouterr().err
    assert main(["compare", A[0], "--against", B[0], "--accept", "motor", "--out", str(tmp_path / "x.html")]) == 2
    assert "NAME=REASON" in capsys.readouterr().err
