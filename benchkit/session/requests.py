"""What a dashboard may ask of the recorder, one function a request, in one table."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from benchkit.errors import BenchkitError, RefusedError, did_you_mean
from benchkit.model.events import EventKind, JsonValue
from benchkit.model.interlock import State, Trigger
from benchkit.session.alarm_requests import ALARM_REQUESTS
from benchkit.session.bursts import take_burst
from benchkit.session.common_edge import take_common_edge
from benchkit.session.live_requests import LIVE_REQUESTS
from benchkit.session.plan_requests import PLAN_REQUESTS
from benchkit.session.plan_runner import set_point_source, set_point_text
from benchkit.session.pre_run import take_cold_soak, take_gates_noise, take_zero_check
from benchkit.session.tare import take_tare

if TYPE_CHECKING:
    from benchkit.session.recorder import Recorder

Request = dict[str, Any]
MAX_TEXT = 2000
_NAME = re.compile(r"[a-z][a-z0-9_]{0,31}")


def answer_request(recorder: Recorder, request: Request) -> Request:
    """Carry out one request; a refusal is an answer with its reason, and is written to the event log."""
    do = request["do"]
    try:
        handler = REQUESTS.get(do)
        if handler is None:
            hint = did_you_mean(do, REQUESTS)
            raise RefusedError("no such request", got=do, remedy=hint or f"Known: {', '.join(REQUESTS)}.")
        return {"ok": True, **handler(recorder, request)}
    except BenchkitError as error:
        recorder.note(EventKind.REFUSED, f"{do}: {error}", {"who": _who(request)})
        return {"ok": False, "error": str(error)}


def _who(request: Request) -> str:
    return str(request.get("who", ""))[:80]


def _describe(recorder: Recorder, _request: Request) -> Request:
    return {
        "header": asdict(recorder.header),
        "profile_json": recorder.header.profile_json,
        "run_path": str(recorder.run_path),
        "state": recorder.protection.state.value,
        "checklist": dict(recorder.protection.checklist),
        "protection_hash": recorder.protection.protection_hash,
    }


def _trigger(trigger: Trigger) -> Callable[[Recorder, Request], Request]:
    def move(recorder: Recorder, request: Request) -> Request:
        recorder.request_trigger(trigger, _who(request))
        return {"state": recorder.protection.state.value}

    return move


def _set(recorder: Recorder, request: Request) -> Request:
    """A set-point goes out in RUNNING only, finite, and never beyond the nameplate of the motor on the stand."""
    name, value = request.get("name"), request.get("value")
    if not isinstance(name, str) or not _NAME.fullmatch(name):
        raise RefusedError("not the name of a set-point", where="set", got=name, remedy="Use a name such as 'speed'.")
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise RefusedError("not a number", where=f"set {name}", got=value, expected="a finite number")
    if recorder.protection.state is not State.RUNNING:
        raise RefusedError(
            "set-points go out in RUNNING only",
            where=f"set {name}",
            got=recorder.protection.state.value,
            remedy="Arm and start first.",
        )
    motor = recorder.stand.motor
    largest = {"speed": motor.max_speed_rpm, "torque": motor.rated_torque_nm}.get(name)
    if largest is not None and abs(value) > largest:
        raise RefusedError(
            f"beyond the nameplate of {motor.id}", where=f"set {name}", got=value, expected=f"at most {largest:g}"
        )
    if recorder.plan is not None and recorder.plan.drives:
        raise RefusedError("the plan sets them now", where=f"set {name}", remedy="Halt the plan first: plan_halt.")
    taker = set_point_source(recorder.stand)
    if taker is None:
        raise RefusedError("no source of this stand takes set-points", where=f"set {name}")
    source, command = taker
    text = set_point_text(command, name, value)
    if not recorder.send_set_point(source, text, {"name": name, "value": float(value), "who": _who(request)}):
        raise RefusedError("it did not go out", where=f"set {name}", remedy=f"Look at the link of {source}.")
    return {"sent": text}


def _write(kind: EventKind) -> Callable[[Recorder, Request], Request]:
    def write(recorder: Recorder, request: Request) -> Request:
        text = str(request.get("text", ""))[:MAX_TEXT]
        recorder.note(kind, text, {"who": _who(request)})
        return {}

    return write


def _exclude(recorder: Recorder, request: Request) -> Request:
    """Keep a stretch of the run out of maps and fits; the samples stay, and so do reason and author."""
    span = [request.get(key) for key in ("from_s", "to_s")]
    if not all(isinstance(t, int | float) and not isinstance(t, bool) and math.isfinite(t) for t in span):
        raise RefusedError("not a stretch of time", where="exclude", got=span, expected="from_s and to_s in seconds")
    start_s, end_s = (float(t) for t in span)  # type: ignore[arg-type]  # checked above
    now_s = (recorder.clock.now_ns() - recorder.start_ns) * 1e-9
    if not 0.0 <= start_s < end_s <= now_s:
        raise RefusedError(
            "not a stretch of this run",
            where="exclude",
            got=f"{start_s:g} to {end_s:g} s",
            expected=f"within 0 … {now_s:.1f} s",
        )
    reason, who = str(request.get("reason") or "").strip()[:MAX_TEXT], _who(request).strip()
    if not reason or not who:
        raise RefusedError("no reason or no name", where="exclude", remedy="Say why, and who says so.")
    data: dict[str, JsonValue] = {"from_s": start_s, "to_s": end_s, "reason": reason, "who": who}
    recorder.note(EventKind.EXCLUDED_POINT, f"{start_s:g} to {end_s:g} s excluded: {reason}", data)
    return {"done": [f"{start_s:g} to {end_s:g} s excluded"]}


def _close(recorder: Recorder, _request: Request) -> Request:
    recorder.ask_to_end()
    return {}


REQUESTS: dict[str, Callable[[Recorder, Request], Request]] = {
    "describe": _describe,
    "arm": _trigger(Trigger.ARM),
    "disarm": _trigger(Trigger.DISARM),
    "start": _trigger(Trigger.START),
    "stop": _trigger(Trigger.STOP),
    "reset": _trigger(Trigger.RESET),
    "set": _set,
    "tare": take_tare,
    "cold_soak": take_cold_soak,
    "zero_check": take_zero_check,
    "gates_noise": take_gates_noise,
    "common_edge": take_common_edge,
    "exclude": _exclude,
    "burst": take_burst,
    "mark": _write(EventKind.MARK),
    "note": _write(EventKind.NOTE),
    "close": _close,
    **ALARM_REQUESTS,
    **PLAN_REQUESTS,
    **LIVE_REQUESTS,
}
