"""What may be asked of a plan over the request channel, and what a dashboard is told."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from benchkit.errors import LinkError, RefusedError
from benchkit.model.interlock import State
from benchkit.model.plans import Axis, Dwell, Otherwise, Segment, SegmentKind, StopCause, Until
from benchkit.plans.generate import Frame
from benchkit.profiles import load_stand, shared_path
from benchkit.session.messages import Status, decode, encode
from benchkit.session.plan_requests import PLAN_REQUESTS
from benchkit.session.plan_status import PlanAccount, PlanStatus
from tests.plans.bench import Bench


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    dwell = Dwell(Until.TIME, 3.0, 60.0, Otherwise.SKIP)
    points = tuple({Axis.SPEED: n, Axis.TORQUE: 5.0} for n in (300.0, 400.0))
    segments = [
        Segment("points", SegmentKind.POINTS, points, dwell, approvals=("test lead",)),
        Segment("look", SegmentKind.BY_HAND, instruction="look at the hoses", approver="test lead"),
    ]
    made = Bench(
        load_stand(shared_path("stands", "airboat_map.toml")).stand, Frame().plan("two", "Two", segments), tmp_path
    )
    made.start()
    made.step()
    yield made
    made.close()


def ask(bench: Bench, do: str, **arguments: Any) -> dict[str, Any]:
    recorder: Any = SimpleNamespace(plan=bench.runner, clock=SimpleNamespace(now_ns=lambda: bench.now_ns))
    return PLAN_REQUESTS[do](recorder, {"do": do, "who": "Ottilie", **arguments})


def test_a_plan_from_approval_to_its_last_step(bench: Bench) -> None:
    told = ask(bench, "plan")
    assert (told["phase"], told["steps"], told["missing_approvals"]) == ("loaded", 3, ("test lead",))
    with pytest.raises(RefusedError, match="an approval is missing"):
        ask(bench, "plan_begin")
    ask(bench, "plan_approve", role="test_lead")
    told = ask(bench, "plan_begin")
    assert (told["phase"], told["operator"], told["next_step"]) == ("moving", "Ottilie", "points, point 2 of 2")
    assert told["acknowledge_in_s"] == 600.0
    least, likely, longest = told["left_s"]
    assert 0.0 < least <= likely <= longest < 600.0
    ask(bench, "plan_acknowledge")
    ask(bench, "plan_present")
    bench.run(6.0)
    assert ask(bench, "plan_skip", reason="too cold")["phase"] == "awaiting"  # it was the second of two
    told = ask(bench, "plan")
    assert (told["phase"], told["instruction"], told["approver"]) == ("awaiting", "look at the hoses", "test lead")
    with pytest.raises(RefusedError, match="neither yes nor no"):
        ask(bench, "plan_confirm", role="test_lead", passed=["yes"])
    assert ask(bench, "plan_confirm", role="test_lead", passed="no")["phase"] == "awaiting"
    assert ask(bench, "plan_confirm", role="test_lead", passed="yes")["phase"] == "done"
    assert ask(bench, "plan")["left_s"] == (0.0, 0.0, 0.0)


def test_halt_leave_and_abandon_stop_the_stand(bench: Bench) -> None:
    ask(bench, "plan_approve", role="test lead")
    for do, cause in (("plan_halt", StopCause.BY_HAND), ("plan_leave", StopCause.OPERATOR)):
        bench.start()
        ask(bench, "plan_begin")
        bench.step()
        assert ask(bench, do)["cause"] == cause.value
        assert bench.protection.state is not State.RUNNING
        bench.step()
    with pytest.raises(RefusedError, match="no reason or no name"):
        ask(bench, "plan_abandon")
    assert ask(bench, "plan_abandon", reason="the coolant leaks")["phase"] == "abandoned"
    with pytest.raises(RefusedError, match="nothing, it is over"):
        ask(bench, "plan_begin")


def test_what_is_no_request_is_refused(bench: Bench) -> None:
    nobody: Any = SimpleNamespace(plan=None, clock=None)
    with pytest.raises(RefusedError, match=r"this recording has no plan\. Record with --plan FILE"):
        PLAN_REQUESTS["plan_begin"](nobody, {"do": "plan_begin"})
    for body in ({"who": 3}, {"role": ["test lead"]}, {"role": "night watch"}, {"role": ""}):
        with pytest.raises(RefusedError):
            ask(bench, "plan_approve", **body)
    assert bench.sent == []


def status(plan: PlanStatus | None) -> Status:
    return Status(1.0, State.RUNNING, {}, True, "run.h5", 10**9, None, "limits", "1", {}, plan=plan)


def test_a_dashboard_is_told_the_plan_as_it_is(bench: Bench) -> None:
    ask(bench, "plan_approve", role="test lead")
    ask(bench, "plan_begin")
    bench.step()
    sent = status(bench.runner.status(bench.now_ns))
    received = decode(encode(sent))
    assert isinstance(received, Status)
    assert received.plan is not None
    assert sent.plan is not None
    assert received.plan.sent == sent.plan.sent
    assert received.plan.account == sent.plan.account
    assert received.plan.left_s == pytest.approx(sent.plan.left_s)
    empty = PlanStatus("two", "Two", "drive", "loaded", account=PlanAccount(stops={"trip": 1}))
    received = decode(encode(status(empty)))
    assert isinstance(received, Status)
    assert received.plan is not None
    assert math.isnan(received.plan.moved)
    assert math.isnan(received.plan.left_s[0])
    assert received.plan.account.stops == {"trip": 1}
    assert decode(encode(status(None))) == status(None)


def test_a_plan_of_the_wrong_form_is_no_message() -> None:
    frames = encode(status(PlanStatus("two", "Two", "drive", "loaded")))
    for old, new in (
        (b'"phase"', b'"fase"'),
        (b'"left_s": [null, null, null]', b'"left_s": [null]'),
        (b'"account": {', b'"account": 3, "x": {'),
    ):
        assert old in frames[1]
        with pytest.raises(LinkError, match="message not understood"):
            decode([frames[0], frames[1].replace(old, new)])
