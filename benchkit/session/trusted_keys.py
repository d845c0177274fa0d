"""Whose key signed the proof that a run carries: a list of known keys, kept by a person, against the record in the run.

The list is text, a line a key: its fingerprint (64 hexadecimal digits) and a name. Lines that begin with ``#``, and
empty ones, say nothing. A fingerprint comes from the computer that owns the key, by a way that is not the run itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from benchkit.errors import UsageError
from benchkit.model.events import Event, EventKind
from benchkit.session.key_lists import entries
from benchkit.session.signing import FINGERPRINT_SHOWN, checked

_LINE = re.compile(r"([0-9a-fA-F]{64})\s+(\S.*)")


class Trust(StrEnum):
    """What is known of the key behind a proof."""

    KNOWN = "known key"
    UNKNOWN = "unknown key"
    """The signature is right, and the key is not in the list."""
    CHANGED = "changed"
    """The signature does not fit, or there is no whole record."""
    NONE = "no proof"


@dataclass(frozen=True, slots=True)
class ProofKey:
    """The last proof of one run against the list."""

    trust: Trust
    message: str
    fingerprint: str = ""
    name: str = ""
    """As the list calls the key."""

    @property
    def is_good(self) -> bool:
        """False for a proof that is there and cannot be trusted."""
        return self.trust in (Trust.KNOWN, Trust.NONE)


def read_trusted_keys(path: Path) -> dict[str, str]:
    """Fingerprint -> name of every key in the list.

    Raises:
        UsageError: it cannot be read, or a line is not understood; the message names the line.
    """
    found: dict[str, str] = {}
    try:
        listed = list(entries(path, "the list of trusted keys"))
    except FileNotFoundError as error:
        raise UsageError("the list of trusted keys cannot be read", where=str(path), got=str(error)) from None
    for number, text in listed:
        match = _LINE.fullmatch(text)
        if match is None:
            raise UsageError(
                "not a key",
                where=f"{path}: line {number}",
                got=text[:80],
                expected="a fingerprint of 64 hexadecimal digits, a space, and a name",
                remedy="benchkit prove --new-key shows the fingerprint of a new key; a proof record holds it.",
            )
        found[match[1].lower()] = match[2].strip()
    return found


def proof_key(events: Iterable[Event], trusted: Mapping[str, str]) -> ProofKey:
    """The key of the last proof among ``events``: is its signature right, and is it one of ``trusted``?"""
    records = [event.data.get("record") for event in events if event.kind is EventKind.PROOF]
    if not records:
        return ProofKey(Trust.NONE, "no proof of limits in this run")
    try:
        proof = checked(records[-1])
    except UsageError as error:
        return ProofKey(Trust.CHANGED, f"proof of limits: {error}")
    name = trusted.get(proof.fingerprint, "")
    of = f"proof of limits by {proof.who} at {proof.proven_utc}"
    if name:
        return ProofKey(Trust.KNOWN, f"{of}: signed with the key of {name}", proof.fingerprint, name)
    short = f"{proof.fingerprint[:FINGERPRINT_SHOWN]}…"
    return ProofKey(
        Trust.UNKNOWN,
        f"{of}: signed with key {short}, which is not in the list. Compare its fingerprint with that of its computer.",
        proof.fingerprint,
    )
