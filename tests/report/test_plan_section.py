"""The plan in the report: what was done, where it deviates, and the account, from the events of a run."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchkit.model.events import Event
from benchkit.model.plans import AfterStop, Axis, Dwell, Otherwise, Segment, SegmentKind, Until
from benchkit.plans.generate import Frame
from benchkit.profiles import load_stand, shared_path
from benchkit.report.model import Number, Paragraph, RunReport, Table, Text
from benchkit.report.sections_plan import plan_section
from tests.plans.bench import Bench


@pytest.fixture(scope="module")
def events(tmp_path_factory: pytest.TempPathFactory) -> tuple[Event, ...]:
    """Three holds, of which one is left out, one is stopped and repeated."""
    points = tuple({Axis.SPEED: n, Axis.TORQUE: 10.0} for n in (400.0, 500.0))
    dwell = Dwell(Until.TIME, 4.0, 60.0, Otherwise.SKIP)
    again = Segment("again", SegmentKind.POINTS, points, dwell, after_stop=AfterStop.REPEAT, rating="continuous")
    out = Segment("out", SegmentKind.POINTS, points[:1], dwell)
    plan = Frame().plan("morning", "Morning check", [out, again])
    stand = load_stand(shared_path("stands", "airboat_map.toml")).stand
    bench = Bench(stand, plan, tmp_path_factory.mktemp("plan"))
    bench.begin()
    for _ in range(3):
        bench.step()
    bench.runner.skip(bench.now_ns, "Ottilie", "coolant too cold")
    while bench.runner.account.taken < 1:
        bench.step()
    bench.step()
    bench.runner.halt(bench.now_ns, "Ottilie")
    bench.begin()
    bench.run(200.0)
    bench.close()
    return tuple(Event(float(k), kind, message, data=data) for k, (kind, message, data) in enumerate(bench.events))


def cell(value: object) -> str:
    assert isinstance(value, Number | Text)
    return value.text if isinstance(value, Text) else f"{value.value:g}"


def test_deviations_and_account_are_told(full_run: RunReport, events: tuple[Event, ...]) -> None:
    section = plan_section([replace(full_run, events=(*full_run.events, *events))])
    assert section is not None
    tables = {block.id: block for block in section.blocks if isinstance(block, Table)}
    (sentence,) = [block.text for block in section.blocks if isinstance(block, Paragraph)]
    assert sentence.startswith(
        "Points: 2 of 3 done, 1 left out (3 taken in all, 1 of them void after a stop). Starts: 2. "
        "Stops: 1 (stopped by a person 1). "
    )
    assert [cell(row[2]) for row in tables["plan-deviations"].rows] == [
        "left out",
        "stopped",
        "to be repeated from its start",
    ]
    assert cell(tables["plan-deviations"].rows[0][3]) == "coolant too cold (Ottilie)"
    (head,) = tables["plan-head"].rows
    assert [cell(value) for value in head[:4]] == ["morning", "Morning check", "1", "the tool (drive)"]
    assert cell(head[5]) == "3 of 3 steps"
    points = tables["plan-points"].rows
    assert [cell(row[8]) for row in points] == ["no: repeated", "yes", "yes"]
    assert [cell(row[5]) for row in points] == ["400\u00a0rpm, 10\u00a0N·m"] * 2 + ["500\u00a0rpm, 10\u00a0N·m"]
    for row in points:
        assert float(cell(row[2])) == pytest.approx(4.0, abs=0.7)  # a look is 0.6 s
        assert 0.0 <= float(cell(row[1])) < 4.0
    (stops,) = tables["plan-stops"].rows
    assert [cell(value) for value in stops] == ["stopped by a person", "1"]
    rating, out, again = tables["plan-account"].rows
    assert [cell(value) for value in rating[:5]] == ["rating", "continuous", "2", "2", "0"]
    assert [cell(value) for value in out[:5]] == ["segment", "out", "1", "0", "1"]
    assert [cell(value) for value in again[:5]] == ["segment", "again", "2", "2", "0"]
    assert float(cell(rating[5])) * 3600.0 == pytest.approx(8.0, abs=0.2)
    assert float(cell(rating[6])) * 3600.0 == pytest.approx(8.0, abs=1.3)
    assert float(cell(rating[7])) > float(cell(rating[6]))  # what was repeated was in tolerance as well


def test_nothing_without_a_plan(full_run: RunReport) -> None:
    assert plan_section([full_run]) is None
