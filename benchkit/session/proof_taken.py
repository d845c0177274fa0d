"""A proof record handed to a recording: verified before it begins, written into the run, told to protection."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchkit.errors import RefusedError
from benchkit.model.events import EventKind
from benchkit.model.proof import Proof, chain_hash, why_not
from benchkit.model.stand import Stand
from benchkit.model.start_conditions import ProofRecord
from benchkit.protect.permissives import LIMIT_SET_PROVEN, protection_hash
from benchkit.session.signing import FINGERPRINT_SHOWN, read_record

if TYPE_CHECKING:
    from benchkit.session.recorder import Recorder


def fitting_proof(path: Path, stand: Stand, now: datetime, *, is_simulated: bool) -> tuple[Proof, dict[str, Any]]:
    """The proof in a file and its record, when it counts for a run of ``stand`` that begins now.

    Raises:
        UsageError: it is no record, or was changed after it was signed.
        RefusedError: it does not count, and why.
    """
    proof, record = read_record(path)
    reason = why_not(
        proof,
        protection_hash=protection_hash(stand),
        chain_hash=chain_hash(stand),
        now=now,
        max_age_s=stand.start_conditions.proof_max_age_s,
        is_simulated=is_simulated,
    )
    if reason:
        raise RefusedError(
            f"the limit set is not proven by this record: {reason}",
            where=str(path),
            remedy="Prove the limits again: benchkit prove STAND. Or record without --proof.",
        )
    return proof, record


def take_proof(recorder: Recorder, given: tuple[Proof, dict[str, Any]] | None) -> None:
    """Write the whole record into the run as an event, and meet the permissive; nothing where none is given."""
    if given is None:
        return
    proof, record = given
    by = f"by {proof.who} at {proof.proven_utc}, key {proof.fingerprint[:FINGERPRINT_SHOWN]}"
    text = f"limit set proven {by}: {len(proof.limits)} limits"
    recorder.note(EventKind.PROOF, text, {"who": proof.who, "record": record})
    now = recorder.clock.now_ns()
    taken = ProofRecord(proof.protection_hash, proof.proven_utc, proof.who)
    recorder.ask_protection(recorder.protection.set_permissive(LIMIT_SET_PROVEN, True, now, record=taken))
