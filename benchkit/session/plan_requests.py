"""Requests about a plan: each names who asks, each is an entry of its journal.

plan                    where it stands
plan_approve            role=ROLE            an approval that the plan asks for
plan_begin                                   begin, or go on with a plan that is held; in drive mode in RUNNING alone
plan_acknowledge                             the operator is there
plan_present                                 a client that watches is there; from then on its silence stops the plan
plan_leave                                   the operator leaves: the plan stops
plan_confirm            role=ROLE passed=yes|no    a step by hand
plan_skip               reason=TEXT          leave the present point out
plan_halt                                    stop the plan, in drive mode the stand as well
plan_abandon            reason=TEXT          give it up
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from benchkit.errors import RefusedError
from benchkit.session.plan_runner import PlanRunner

if TYPE_CHECKING:
    from benchkit.session.recorder import Recorder

Request = dict[str, Any]
MOST_CHARACTERS = 400


def _asks(ask: Callable[[PlanRunner, Request, int, str], None]) -> Callable[[Recorder, Request], Request]:
    def request(recorder: Recorder, body: Request) -> Request:
        runner = recorder.plan
        if runner is None:
            raise RefusedError(
                "this recording has no plan", where=str(body.get("do")), remedy="Record with --plan FILE."
            )
        if runner.is_closed:
            raise RefusedError("the recording is ending", where=str(body.get("do")))
        now = recorder.clock.now_ns()
        ask(runner, body, now, _text(body, "who"))
        return asdict(runner.status(now))

    return request


def _text(body: Request, key: str) -> str:
    value = body.get(key, "")
    if not isinstance(value, str):
        raise RefusedError("not a text", where=f"{body.get('do')}: {key}", got=value, expected="a text")
    return value.strip()[:MOST_CHARACTERS]


def _role(body: Request) -> str:
    return _text(body, "role").replace("_", " ")


def _confirm(runner: PlanRunner, body: Request, now: int, who: str) -> None:
    passed = body.get("passed", "yes")
    if passed not in ("yes", "no", True, False):
        raise RefusedError("neither yes nor no", where="plan_confirm: passed", got=passed, expected="yes or no")
    runner.confirm(now, who, _role(body), passed=passed in ("yes", True))


PLAN_REQUESTS: Mapping[str, Callable[[Recorder, Request], Request]] = {
    "plan": _asks(lambda *_: None),
    "plan_approve": _asks(lambda runner, body, now, who: runner.approve(now, _role(body), who)),
    "plan_begin": _asks(lambda runner, _, now, who: runner.begin(now, who)),
    "plan_acknowledge": _asks(lambda runner, _, now, who: runner.acknowledge(now, who)),
    "plan_present": _asks(lambda runner, _, now, __: runner.present(now)),
    "plan_leave": _asks(lambda runner, _, now, who: runner.leave(now, who)),
    "plan_confirm": _asks(_confirm),
    "plan_skip": _asks(lambda runner, body, now, who: runner.skip(now, who, _text(body, "reason"))),
    "plan_halt": _asks(lambda runner, _, now, who: runner.halt(now, who)),
    "plan_abandon": _asks(lambda runner, body, now, who: runner.abandon(now, who, _text(body, "reason"))),
}
