"""The record of a proof: what was injected into each limit, and what came of it. Plain values, as JSON keeps them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from typing import Any

from benchkit.errors import UsageError
from benchkit.model.cautions import NOT_A_SAFETY_FUNCTION
from benchkit.model.events import JsonValue
from benchkit.model.stand import Stand

FORMAT = 1
FUTURE_S = 60.0
"""A proof from further ahead than this was made with a clock that was wrong, or is."""
MEANING = (
    "The signature says that this record was written with the private key of the fingerprint named, which lies on one "
    "computer, and that nothing in it was changed since. It does not say who a person is, and not that the stand is "
    "safe. "
    f"{NOT_A_SAFETY_FUNCTION}"
)


@dataclass(frozen=True, slots=True)
class LimitProof:
    """One limit, in one case. Times are host time from the arrival of the deciding sample; None: not seen."""

    limit: str
    case: str
    """Edge or phase, where a limit has several."""
    severity: str
    kind: str
    channel: str
    is_proven: bool
    reason: str = ""
    """Why it is not proven."""
    level: str = ""
    """``bytes``: through the decoder; ``rows``: handed in behind it."""
    injected: float | None = None
    """At the deciding sample, in ``unit``; None where frames were held back."""
    unit: str = ""
    set_point: float | None = None
    set_point_unit: str = ""
    at_first_sample: bool = False
    """It acted at the first sample at which it must, and at none before."""
    samples: int = 0
    driven_s: float = 0.0
    """Time on the clock of the injected samples; nobody waited for it."""
    set_aside: tuple[str, ...] = ()
    """Other trip limits that would have tripped with it, and were out of the set while it was proven."""
    action: str = ""
    commands: tuple[str, ...] = ()
    acknowledged_by: tuple[str, ...] = ()
    decided_s: float | None = None
    written_s: float | None = None
    acknowledged_s: float | None = None
    is_reset: bool = False
    """The limit let go afterwards, and RESET was accepted."""

    @property
    def name(self) -> str:
        """Limit and case."""
        return f"{self.limit} ({self.case})" if self.case else self.limit


@dataclass(frozen=True, slots=True)
class EscalationProof:
    """One stop action whose device does not answer: its answers were held back. Times from its first command on."""

    action: str
    to: str
    is_proven: bool
    reason: str = ""
    """Why it is not proven."""
    attempts: int = 0
    """Commands sent before it escalated."""
    held_back: int = 0
    """Answers of the device that were not let through."""
    commands: tuple[str, ...] = ()
    escalated_s: float | None = None
    written_s: float | None = None
    """The first command of the next action."""
    acknowledged_s: float | None = None
    acknowledged_by: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """As it is named among what is left to prove."""
        return f"escalation of {self.action} to {self.to}"


@dataclass(frozen=True, slots=True)
class Proof:
    """All limits of a stand. ``protection_hash`` is over limits and stop actions: what decides what trips;
    ``chain_hash`` over links and channels with their calibrations: what brings a number to a limit.
    """

    stand: str
    limit_set: str
    revision: str
    limit_set_sha256: str
    protection_hash: str
    chain_hash: str
    proven_utc: str
    who: str
    host: str
    software_version: str
    is_simulated: bool
    """Made against the simulated stand that the command itself had started."""
    largest_speed_rpm: float
    """Read from the real rows before and during the proof."""
    limits: tuple[LimitProof, ...]
    public_key: str = ""
    """Ed25519, base64."""
    fingerprint: str = ""
    """SHA-256 of the public key."""
    meaning: str = MEANING
    format: int = FORMAT
    notes: tuple[str, ...] = field(default=())
    escalations: tuple[EscalationProof, ...] = ()
    """Empty in records of before escalation was proven."""

    @property
    def left(self) -> tuple[str, ...]:
        """Limits and escalations that are not proven."""
        limits = [one.name for one in self.limits if not one.is_proven]
        return (*limits, *(one.name for one in self.escalations if not one.is_proven))

    @property
    def is_complete(self) -> bool:
        """Every limit and every escalation is proven, and there is a limit."""
        return bool(self.limits) and not self.left

    def as_json(self) -> dict[str, JsonValue]:
        """Plain values. ``from_json`` takes them back."""
        body: dict[str, JsonValue] = _plain(asdict(self))
        return body | {"is_complete": self.is_complete}


def proof_from_json(body: Mapping[str, Any]) -> Proof:
    """The proof of ``Proof.as_json``.

    Raises:
        UsageError: it is none, or of a format that this version does not know.
    """
    if body.get("format") != FORMAT:
        raise UsageError("not a proof of this format", where="proof", got=body.get("format"), expected=str(FORMAT))
    try:
        fields = {key: value for key, value in body.items() if key != "is_complete"}
        limits = tuple(
            LimitProof(**{key: _tuples(value) for key, value in one.items()}) for one in fields.pop("limits")
        )
        escalations = tuple(
            EscalationProof(**{key: _tuples(value) for key, value in one.items()})
            for one in fields.pop("escalations", ())
        )
        return Proof(limits=limits, escalations=escalations, **{key: _tuples(value) for key, value in fields.items()})
    except (TypeError, AttributeError) as error:
        raise UsageError("not a whole proof", where="proof", got=str(error)) from None


def chain_hash(stand: Stand) -> str:
    """SHA-256 over sources and channels: formats, calibrations, formulas. Labels and certificates do not count."""
    channels = {
        name: asdict(replace(channel, label="", calibration=replace(channel.calibration, certificate=None)))
        for name, channel in stand.channels.items()
    }
    body = {"sources": {name: asdict(source) for name, source in stand.sources.items()}, "channels": channels}
    return hashlib.sha256(json.dumps(body, sort_keys=True, ensure_ascii=False, default=str).encode()).hexdigest()


def age_s(proof: Proof, now: datetime) -> float:
    """Age of a proof in s; ``now`` is aware of its zone."""
    return (now - datetime.fromisoformat(proof.proven_utc)).total_seconds()


def why_not(
    proof: Proof, *, protection_hash: str, chain_hash: str, now: datetime, max_age_s: float, is_simulated: bool
) -> str:
    """Why ``proof`` does not count for a run that begins now; empty: it counts."""
    age = age_s(proof, now)
    reasons = (
        (
            proof.protection_hash != protection_hash,
            "it is of another limit set: limits or stop actions have changed since",
        ),
        (proof.chain_hash != chain_hash, "links, channels or calibrations have changed since"),
        (not proof.is_complete, f"it is incomplete: {', '.join(proof.left) or 'no limit'} not proven"),
        (
            proof.is_simulated and not is_simulated,
            "it was made against the simulated stand: the real stop path has not been shown",
        ),
        (age < -FUTURE_S, f"it is dated {-age:.0f} s ahead of this clock"),
        (
            not age <= max_age_s,
            f"it is {age / 3600.0:.1f} h old, and the profile takes {max_age_s / 3600.0:.4g} h at most",
        ),
    )
    return next((reason for applies, reason in reasons if applies), "")


def _plain(value: Any) -> Any:
    if isinstance(value, float) and not abs(value) < float("inf"):
        return None
    if isinstance(value, dict):
        return {key: _plain(held) for key, held in value.items()}
    return [_plain(held) for held in value] if isinstance(value, tuple | list) else value


def _tuples(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value
