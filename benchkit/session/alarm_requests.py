"""Requests about alarms and the checklist: each names who asks, each is an event, none of them commands anything.

acknowledge     alarm=NAME        one alarm; without it, all that call for attention
shelve          alarm=NAME reason=TEXT minutes=N    a caution, for a time that the profile allows
unshelve        alarm=NAME
out_of_service  alarm=NAME reason=TEXT              a caution, until it is put back
in_service      alarm=NAME
release         latched cautions whose condition is gone; trips are released by RESET
sign_checklist  ticked=[NAME, …]
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from benchkit.errors import RefusedError
from benchkit.protect.outcomes import Outcome

if TYPE_CHECKING:
    from benchkit.session.recorder import Recorder

Request = dict[str, Any]
MAX_NAME = 80
MAX_REASON = 400


def _carry_out(
    ask: Callable[[Recorder, Request, int, str], Sequence[Outcome]],
) -> Callable[[Recorder, Request], Request]:
    def request(recorder: Recorder, body: Request) -> Request:
        outcomes = ask(recorder, body, recorder.clock.now_ns(), _text(body, "who", MAX_NAME))
        recorder.ask_protection(outcomes)
        return {"done": [outcome.message for outcome in outcomes if hasattr(outcome, "message")]}

    return request


def _text(body: Request, key: str, longest: int) -> str:
    value = body.get(key, "")
    if not isinstance(value, str):
        raise RefusedError("not a text", where=f"{body.get('do')}: {key}", got=value, expected="a text")
    return value.strip()[:longest]


def _alarm(body: Request) -> str:
    name = _text(body, "alarm", MAX_NAME)
    if not name:
        raise RefusedError("no alarm named", where=str(body.get("do")), expected="alarm=NAME")
    return name


def _acknowledge(recorder: Recorder, body: Request, now: int, who: str) -> Sequence[Outcome]:
    name = _text(body, "alarm", MAX_NAME)
    return recorder.protection.alarms.acknowledge([name] if name else [], who, now)


def _shelve(recorder: Recorder, body: Request, now: int, who: str) -> Sequence[Outcome]:
    minutes = body.get("minutes")
    if isinstance(minutes, bool) or not isinstance(minutes, int | float) or not math.isfinite(minutes):
        raise RefusedError("no time given", where="shelve: minutes", got=minutes, expected="a number of minutes")
    reason = _text(body, "reason", MAX_REASON)
    return recorder.protection.alarms.shelve(_alarm(body), who, reason, 60.0 * minutes, now)


def _unshelve(recorder: Recorder, body: Request, now: int, who: str) -> Sequence[Outcome]:
    return recorder.protection.alarms.unshelve(_alarm(body), who, now)


def _take_out(recorder: Recorder, body: Request, now: int, who: str) -> Sequence[Outcome]:
    return recorder.protection.alarms.take_out(_alarm(body), who, _text(body, "reason", MAX_REASON), now)


def _put_back(recorder: Recorder, body: Request, now: int, who: str) -> Sequence[Outcome]:
    return recorder.protection.alarms.put_back(_alarm(body), who, now)


def _release(recorder: Recorder, _body: Request, now: int, who: str) -> Sequence[Outcome]:
    return recorder.protection.release_cautions(now, who)


def _sign(recorder: Recorder, body: Request, now: int, who: str) -> Sequence[Outcome]:
    ticked = body.get("ticked")
    if not isinstance(ticked, list) or not all(isinstance(name, str) for name in ticked):
        names = ", ".join(recorder.protection.checklist) or "none"
        raise RefusedError(
            "not a list of items", where="sign_checklist: ticked", got=ticked, expected=f"the items ticked: {names}"
        )
    return recorder.protection.sign_checklist(ticked, now, who)


ALARM_REQUESTS: Mapping[str, Callable[[Recorder, Request], Request]] = {
    "acknowledge": _carry_out(_acknowledge),
    "shelve": _carry_out(_shelve),
    "unshelve": _carry_out(_unshelve),
    "out_of_service": _carry_out(_take_out),
    "in_service": _carry_out(_put_back),
    "release": _carry_out(_release),
    "sign_checklist": _carry_out(_sign),
}
