"""Requests of a person at the dashboard that move or hand in something: a set point, a photo, a proof of limits.

set_limit   limit=NAME set_point=N reason=TEXT [seen=N]    as far as the profile allows; ``seen``: in force when asked
attach      photo=NAME sha256=HEX bytes=N text=TEXT        a photo that lies beside the run already
proof       record={…}                                     as benchkit prove writes it
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, TypeGuard

from benchkit.errors import RefusedError, UsageError
from benchkit.model.events import EventKind, JsonValue
from benchkit.model.proof import chain_hash, why_not
from benchkit.protect.permissives import protection_hash
from benchkit.runfile.photos import photo_folder
from benchkit.session.photos import SUFFIXES
from benchkit.session.proof_taken import take_proof
from benchkit.session.signing import checked

if TYPE_CHECKING:
    from benchkit.session.recorder import Recorder

Request = dict[str, Any]
_PHOTO = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}")
_SHA256 = re.compile(r"[0-9a-f]{64}")
MAX_TEXT = 2000


def _set_limit(recorder: Recorder, request: Request) -> Request:
    name, value, seen = (request.get(key) for key in ("limit", "set_point", "seen"))
    if not isinstance(name, str) or not _is_number(value):
        raise RefusedError("not a set point", where="set_limit", got=value, expected="limit=NAME set_point=N")
    now = recorder.clock.now_ns()
    in_force = {limit.name: limit.set_point for limit in recorder.protection.limits}
    if seen is not None and (not _is_number(seen) or in_force.get(name, math.nan) != float(seen)):
        raise RefusedError(
            "somebody else has moved this set point meanwhile",
            where=f"set_limit {name}",
            got=f"{in_force.get(name)}",
            expected=f"{seen}",
            remedy="Look at it again.",
        )
    who, reason = str(request.get("who", ""))[:80].strip(), str(request.get("reason", ""))[:400].strip()
    recorder.ask_protection(recorder.protection.set_limit(name, float(value), now, who, reason))
    new = {limit.name: limit.set_point for limit in recorder.protection.limits}[name]
    recorder.limit_moved(name, new)
    return {"done": [f"{name}: set point {new:g}"]}


def _attach(recorder: Recorder, request: Request) -> Request:
    """Write down a photo; it lies in the folder beside the run, where the dashboard has put it."""
    name, digest, size = (request.get(key) for key in ("photo", "sha256", "bytes"))
    if not isinstance(name, str) or not _PHOTO.fullmatch(name) or not name.lower().endswith(SUFFIXES):
        raise RefusedError("not the name of a photo", where="attach", got=name, expected=", ".join(SUFFIXES))
    if not isinstance(digest, str) or not _SHA256.fullmatch(digest) or not isinstance(size, int) or size < 1:
        raise RefusedError("no hash or size of the photo", where="attach", got=digest)
    folder = photo_folder(recorder.run_path).name
    text, who = str(request.get("text", ""))[:MAX_TEXT].strip(), str(request.get("who", ""))[:80]
    data: dict[str, JsonValue] = {"photo": f"{folder}/{name}", "sha256": digest, "bytes": size, "who": who}
    recorder.note(EventKind.NOTE, f"photo {name}" + (f": {text}" if text else ""), data)
    return {"done": [f"photo {name}"]}


def _proof(recorder: Recorder, request: Request) -> Request:
    record = request.get("record")
    try:
        proof = checked(record)
    except UsageError as error:
        raise RefusedError(str(error), where="proof") from None
    stand = recorder.stand
    reason = why_not(
        proof,
        protection_hash=protection_hash(stand),
        chain_hash=chain_hash(stand),
        now=recorder.clock.utc_now(),
        max_age_s=stand.start_conditions.proof_max_age_s,
        is_simulated=recorder.header.simulated,
    )
    if reason:
        raise RefusedError(f"the limit set is not proven by this record: {reason}", where="proof")
    assert isinstance(record, dict)
    take_proof(recorder, (proof, record))
    return {"done": [f"limits proven by {proof.who} at {proof.proven_utc}"]}


def _is_number(value: object) -> TypeGuard[int | float]:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


LIVE_REQUESTS: Mapping[str, Callable[[Recorder, Request], Request]] = {
    "set_limit": _set_limit,
    "attach": _attach,
    "proof": _proof,
}
