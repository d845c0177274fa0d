"""What can go wrong around a plan that drives: a limit moved, nobody there, an old value, another text, a clock."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchkit.errors import RefusedError
from benchkit.model.interlock import State
from benchkit.model.plans import (
    Axis,
    Dwell,
    Expected,
    Otherwise,
    Plan,
    Presence,
    Reference,
    Segment,
    SegmentKind,
    StepKind,
    StopCause,
    Until,
)
from benchkit.model.stand import Stand
from benchkit.plans.entries import EntryKind
from benchkit.plans.generate import Frame
from benchkit.plans.table import Phase as At
from benchkit.profiles import load_stand, shared_path
from benchkit.profiles.plan_file import load_plan
from benchkit.profiles.plan_text import plan_toml
from benchkit.profiles.plan_watch import PlanWatch
from benchkit.runfile.plan_journal import other_texts, read_plan_journal
from tests.plans.bench import Bench

DWELL = Dwell(Until.TIME, 30.0, 600.0, Otherwise.STOP)


@pytest.fixture(scope="module")
def stand() -> Stand:
    made = load_stand(shared_path("stands", "airboat_map.toml")).stand
    live = (*made.alarm_rules.tightened_live, "over_speed")
    return replace(made, alarm_rules=replace(made.alarm_rules, tightened_live=live))


def plan_to(*speeds: float, dwell: Dwell = DWELL, presence: Presence | None = None, **how: object) -> Plan:
    frame = Frame(slew={Axis.SPEED: 100.0, Axis.TORQUE: 60.0}, presence=presence or Presence(600.0, 60.0))
    points = tuple({Axis.SPEED: speed, Axis.TORQUE: 10.0} for speed in speeds)
    segment = Segment("hold", SegmentKind.POINTS, points, dwell, **how)  # type: ignore[arg-type]
    return frame.plan("hazards", "Hazards", [segment])


def slow(stand: Stand, plan: Plan, folder: Path, **how: object) -> Bench:
    """A look of 10 ms is 0.1 s of the stand."""
    bench = Bench(stand, plan, folder, factor=10.0, rows=2, **how)  # type: ignore[arg-type]
    bench.begin()
    return bench


def stopped(bench: Bench, cause: StopCause) -> None:
    """Held for that cause, the stand not running, and not another set-point however long one waits."""
    assert bench.phase is At.HELD
    assert bench.runner.progress.cause is cause
    sent = len(bench.sent)
    for _ in range(50):
        bench.step()
    assert bench.phase is At.HELD
    assert bench.protection.state is not State.RUNNING
    assert len(bench.sent) == sent


def test_a_limit_lowered_on_the_way_binds_at_once(stand: Stand, tmp_path: Path) -> None:
    bench = slow(stand, plan_to(3000.0), tmp_path)
    while max((value for *_, name, value in bench.sent if name == "speed"), default=0.0) < 800.0:
        bench.step()
    bench.ask_protection(bench.protection.set_limit("over_speed", 1200.0, bench.now_ns, "Ottilie"))
    bench.run(60.0)
    stopped(bench, StopCause.BOUND)
    assert "beyond 1200 rpm (trip limit over_speed)" in bench.runner.progress.detail
    assert 1100.0 < max(value for *_, name, value in bench.sent if name == "speed") <= 1200.0
    bench.start()
    with pytest.raises(RefusedError, match=r"hold.*1200 rpm \(trip limit over_speed\)"):
        bench.runner.begin(bench.now_ns, "Ottilie")
    bench.close()


def test_a_limit_lowered_below_what_was_sent_stops_before_the_shaft_is_there(stand: Stand, tmp_path: Path) -> None:
    """The set-point is ahead of the shaft: it must not stay beyond the limit until a trip."""
    bench = slow(stand, plan_to(2000.0), tmp_path)
    while not bench.sent:
        bench.step()
    bench.runner.progress = replace(bench.runner.progress, sent={Axis.SPEED: 2000.0, Axis.TORQUE: 10.0})
    bench.ask_protection(bench.protection.set_limit("over_speed", 1200.0, bench.now_ns, "Ottilie"))
    bench.step()
    stopped(bench, StopCause.BOUND)
    bench.close()


def test_nobody_there_on_the_way(stand: Stand, tmp_path: Path) -> None:
    bench = slow(stand, plan_to(3000.0, presence=Presence(1.0, 0.5)), tmp_path)
    bench.run(60.0, acknowledges=False)
    assert bench.runner.progress.done == ()
    assert (
        1400.0 < bench.sent[-1][3] < 1700.0 or bench.sent[-1][2] == "torque"
    )  # 1.5 s of the host are 15 s of the ramp
    stopped(bench, StopCause.ACKNOWLEDGEMENT)
    bench.close()


def test_a_client_that_falls_silent_on_the_way(stand: Stand, tmp_path: Path) -> None:
    bench = slow(stand, plan_to(3000.0, presence=Presence(60.0, 5.0, 0.5)), tmp_path)
    bench.runner.present(bench.now_ns)
    bench.run(60.0, acknowledges=False)
    stopped(bench, StopCause.OPERATOR)
    bench.close()


def test_a_stop_in_a_reference_point(stand: Stand, tmp_path: Path) -> None:
    """The reference is visited anew, and counts once."""
    steady = Dwell(Until.STEADY, 5.0, 120.0, Otherwise.STOP)
    frame = Frame(slew={Axis.SPEED: 400.0, Axis.TORQUE: 60.0})
    segment = Segment("map", SegmentKind.POINTS, ({Axis.SPEED: 600.0, Axis.TORQUE: 20.0},), steady)
    plan = replace(
        frame.plan("reference", "Reference", [segment]),
        reference=Reference(10, {Axis.SPEED: 400.0, Axis.TORQUE: 10.0}, steady),
    )
    bench = slow(stand, plan, tmp_path)
    while bench.phase is not At.TAKING:
        bench.step()
    step = bench.runner.progress.step
    assert step is not None
    assert step.kind is StepKind.REFERENCE
    bench.runner.halt(bench.now_ns, "Ottilie")
    stopped(bench, StopCause.BY_HAND)
    bench.begin()
    assert bench.runner.progress.step == step
    assert bench.runner.progress.good_s == 0.0  # a reading that was cut is none
    bench.run(300.0)
    bench.close()
    assert [one.step.kind for one in bench.runner.progress.done] == [
        StepKind.REFERENCE,
        StepKind.POINT,
        StepKind.REFERENCE,
    ]
    entries, _ = read_plan_journal(bench.journal.path)
    assert [entry.kind for entry in entries].count(EntryKind.TAKEN) == 3


def test_rows_up_to_a_stop_count_and_none_behind_it(stand: Stand, tmp_path: Path) -> None:
    bench = slow(stand, plan_to(300.0), tmp_path)
    while bench.runner.progress.good_s < 1.0:
        bench.step()
    before_s = bench.runner.account.good_s + bench.runner._pending.good_s
    bench._read()  # two rows, and the loop has not looked at them
    bench.runner.halt(bench.now_ns, "Ottilie")
    assert bench.runner.account.good_s == pytest.approx(before_s + 0.1)  # exact: two rows of 0.05 s
    stopped(bench, StopCause.BY_HAND)
    bench.begin()
    while bench.phase is not At.TAKING:
        bench.step()
    bench.step()
    before_s = bench.runner.account.good_s + bench.runner._pending.good_s
    bench.ask_protection(bench.protection.external_trip("guard open", bench.now_ns))
    bench._read()  # still within tolerance, and behind the trip
    bench.runner.turn(bench.now_ns)
    assert bench.runner.progress.cause is StopCause.TRIP
    assert "guard open" in bench.runner.progress.detail
    assert bench.runner.account.good_s == pytest.approx(before_s)
    bench.close()


def test_an_old_value_of_another_source_is_none(stand: Stand, tmp_path: Path) -> None:
    """A thermometer whose link is gone keeps its last value: it must look neither steady nor as expected."""
    bench = slow(stand, plan_to(300.0), tmp_path)
    runner = bench.runner
    step = runner.progress.step
    assert step is not None
    runner.progress = replace(runner.progress, step=replace(step, expected=(Expected("far_temp", 0.0, 100.0),)))
    runner._names["logger"] = ("far_temp",)  # a second source, whose link the test holds in its hand
    alive, fresh = True, runner._fresh
    runner._fresh = lambda source: alive if source == "logger" else fresh(source)
    runner._last_rows["logger"] = np.array([31.5])
    bench.step()
    assert runner.progress.is_under_way
    alive = False
    bench.step()
    assert runner.progress.detail == "far_temp is not measured"
    stopped(bench, StopCause.EXPECTED)
    bench.close()


def test_a_set_point_that_did_not_go_out_stops_the_plan(stand: Stand, tmp_path: Path) -> None:
    bench = slow(stand, plan_to(300.0, 900.0), tmp_path)
    while bench.phase is not At.TAKING:
        bench.step()
    bench.takes_set_points = False
    bench.run(120.0)
    stopped(bench, StopCause.FAULT)
    assert bench.runner.progress.detail == "speed 400 did not go out: look at the link of rack"  # 1 s of the slew on
    bench.takes_set_points = True
    bench.begin()
    bench.run(120.0)
    assert bench.phase is At.DONE
    bench.close()


def test_a_plan_edited_on_disk_does_not_go_on(stand: Stand, tmp_path: Path) -> None:
    path = tmp_path / "hazards.toml"
    path.write_text(plan_toml(plan_to(300.0), stand), encoding="utf-8")
    plan, was = load_plan(path, stand), path.read_text(encoding="utf-8")
    watch = PlanWatch(path, plan.sha256, look_every_s=60.0)
    try:
        bench = Bench(stand, plan, tmp_path, factor=10.0, rows=2)
        bench.runner.is_edited = watch
        bench.begin()
        bench.step()
        bench.runner.halt(bench.now_ns, "Ottilie")
        path.write_text(was.replace("300.0", "900.0"), encoding="utf-8")
        watch.look()
        bench.start()
        with pytest.raises(RefusedError, match=r"hazards\.toml is another one by now: hash .* Put it back"):
            bench.runner.begin(bench.now_ns, "Ottilie")
        assert "another one by now" in bench.runner.status(bench.now_ns).notice
        path.write_text("[plan", encoding="utf-8")
        watch.look()
        assert "no plan, it was hash" in watch()
        path.unlink()  # a stick that was drawn out says nothing
        watch.look()
        assert watch() == ""
        path.write_text(was, encoding="utf-8")
        watch.look()
        bench.begin()
        assert bench.runner.progress.is_under_way
        bench.close()
    finally:
        watch.close()


def test_another_text_of_a_plan_that_was_begun_is_told(stand: Stand, tmp_path: Path) -> None:
    first, second = (replace(plan_to(speed), sha256=f"{k}" * 64) for k, speed in enumerate((300.0, 400.0)))
    bench = slow(stand, first, tmp_path)
    bench.runner.halt(bench.now_ns, "Ottilie")
    bench.close()
    assert other_texts(tmp_path, "hazards", first.sha256) == []
    assert other_texts(tmp_path, "hazards", second.sha256) == [
        "hazards_00000000.plan was begun and is not over, 0 of 1 points done"
    ]
    bench.journal.path.write_bytes(b"damaged\nand more\n")
    assert other_texts(tmp_path, "hazards", second.sha256) == ["hazards_00000000.plan cannot be read"]


def test_a_clock_that_leaps_counts_nothing_and_stops(stand: Stand, tmp_path: Path) -> None:
    """The computer slept for an hour: no row came, so no time counts, and nobody was there."""
    bench = slow(stand, plan_to(300.0), tmp_path)
    while bench.runner.progress.good_s < 1.0:
        bench.step()
    had_s = bench.runner.account.good_s + bench.runner._pending.good_s
    bench.now_ns += 3_600_000_000_000
    bench.step()
    stopped(bench, StopCause.TRIP)
    assert bench.runner.account.good_s <= had_s + 0.1
    bench.close()
