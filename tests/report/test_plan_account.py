"""``benchkit plan account``: what a stranger reads of a plan; command, panel and report say the same numbers."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from benchkit.cli.main import main
from benchkit.model.events import Event
from benchkit.model.plans import AfterStop, Axis, Dwell, Otherwise, Segment, SegmentKind, Until
from benchkit.plans.account import account_from
from benchkit.plans.generate import Frame
from benchkit.plans.table import Phase as At
from benchkit.profiles import load_stand, shared_path
from benchkit.report.model import Number, Paragraph, RunReport, Table, Text
from benchkit.report.sections_plan import plan_section
from gui.state.plan_words import account_words
from gui.state.wording import span
from tests.plans.bench import Bench


def played(folder: Path) -> Bench:
    """Two recordings of a plan: a point left out, a stop by a person, a cut, a repeat, a gate passed."""
    points = tuple({Axis.SPEED: n, Axis.TORQUE: 10.0} for n in (400.0, 500.0))
    dwell = Dwell(Until.TIME, 4.0, 60.0, Otherwise.SKIP)
    segments = [
        Segment("out", SegmentKind.POINTS, points[:1], dwell, rating="idle"),
        Segment("again", SegmentKind.POINTS, points, dwell, after_stop=AfterStop.REPEAT, rating="continuous"),
        Segment("held", SegmentKind.POINTS, points[:1], dwell, repeats=2, rating="continuous"),
        Segment("look", SegmentKind.BY_HAND, instruction="look at the hoses", approver="test lead"),
    ]
    stand = load_stand(shared_path("stands", "airboat_map.toml")).stand
    plan = replace(Frame().plan("morning", "Morning check", segments), sha256="0123456789abcdef")
    first = Bench(stand, plan, folder)
    first.begin()
    for _ in range(3):
        first.step()
    first.runner.skip(first.now_ns, "Ottilie", "coolant too cold")
    while first.runner.account.taken < 1:
        first.step()
    first.step()
    first.runner.halt(first.now_ns, "Ottilie")
    first.begin()
    while first.runner.account.taken < 4:
        first.step()
    for _ in range(4):
        first.step()
    first.journal.close()  # cut off: nothing more is said
    first.device.command("stop ramp")
    second = Bench(stand, plan, folder, device=first.device, start_ns=first.now_ns)
    second.begin()
    second.run(200.0)
    assert second.phase is At.AWAITING
    second.runner.confirm(second.now_ns, "Hesper", "test lead", passed=True)
    assert second.phase is At.DONE
    return second


def numbers(row: tuple[object, ...]) -> list[float]:
    return [cell.value for cell in row if isinstance(cell, Number)]


def test_command_panel_and_report_say_the_same(
    full_run: RunReport, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = played(tmp_path)
    status = bench.runner.status(bench.now_ns)
    bench.close()

    assert main(["plan", "account", str(tmp_path), "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out)
    account = account_from(told["account"])
    # exact, by what was done: 1 point left out; of "again" one was taken, voided by the halt, and both taken then;
    # one pass of "held" before the cut and one behind it
    assert (account.taken, account.standing, account.skipped, account.asked.points) == (5, 4, 1, 5)
    assert (account.starts, dict(account.stops)) == (3, {"stopped by a person": 1, "recording cut off": 1})
    assert (account.recordings, account.confirmed, account.steps_by_hand) == (2, 1, 1)
    assert account.ratings["continuous"].cycles == account.asked_ratings["continuous"].points == 4
    assert account.ratings["continuous"].credited_s == pytest.approx(16.0, abs=4 * 0.6)  # a look is 0.6 s
    assert account.asked_ratings["continuous"].dwell_s == 16.0
    assert told["stands"].startswith("finished")
    whats = [one["what"] for one in told["deviations"] if one["what"] != "outside tolerance for a time"]
    assert whats == ["left out", "stopped", "to be repeated from its start", "stopped"]
    assert [(one["what"], one["who"]) for one in told["people"]] == [
        ("begun", "Ottilie"),
        ("gone on with after a stop", "Ottilie"),
        ("gone on with after a stop", "Ottilie"),
        ("look, by hand 1 of 1: confirmed", "Hesper"),
    ]

    # the command as text
    assert main(["plan", "account", str(bench.journal.path)]) == 0
    text = capsys.readouterr().out
    assert "Points: 4 of 5 done, 1 left out (5 taken in all, 1 of them void after a stop)." in text
    assert "Stops: 2 (stopped by a person 1, recording cut off 1)." in text
    rated = next(line.split() for line in text.splitlines() if line.startswith("rating   continuous"))
    share = account.ratings["continuous"]
    hours = [seconds / 3600.0 for seconds in (16.0, share.credited_s, share.good_s, share.read_s)]
    assert rated[2:] == ["4", "4", "0", *(f"{hour:.4f}" for hour in hours)]

    # the panel
    panel = account_words(status)
    assert f"In tolerance {span(account.good_s)} of {span(account.way_s)} under way." in panel
    assert "Points: 4 of 5 done, 1 left out; 5 taken in all, 1 of them void after a stop." in panel
    assert "Starts: 3. Stops: 1 × stopped by a person, 1 × recording cut off." in panel
    assert f"continuous: {span(share.credited_s)} of 16 s credited, 4 of 4 cycles." in panel

    # the report of the second run
    events = tuple(Event(float(k), kind, message, data=data) for k, (kind, message, data) in enumerate(bench.events))
    run = replace(full_run, events=events)
    section = plan_section([run])
    assert section is not None
    tables = {block.id: block for block in section.blocks if isinstance(block, Table)}
    (sentence,) = [block.text for block in section.blocks if isinstance(block, Paragraph)]
    assert all(line in text for line in sentence.split(". ")[0:2])
    by_name = {cells[1].text: numbers(cells) for cells in tables["plan-account"].rows if isinstance(cells[1], Text)}
    assert by_name["continuous"] == [4.0, 4.0, 0.0, *(round(hour, 4) for hour in hours)]
    assert by_name["out"][:3] == [1.0, 0.0, 1.0]
    stops = {cells[0].text: numbers(cells) for cells in tables["plan-stops"].rows if isinstance(cells[0], Text)}
    assert stops == {"stopped by a person": [1.0], "recording cut off": [1.0]}


def test_a_folder_without_a_journal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "account", str(tmp_path)]) == 2
    assert "no journal of a plan is here" in capsys.readouterr().err
