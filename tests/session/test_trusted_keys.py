"""Whose key signed the proof in a run, by a list that a person keeps."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from benchkit.errors import UsageError
from benchkit.model.events import Event, EventKind
from benchkit.model.proof import LimitProof, Proof
from benchkit.session.signing import signed
from benchkit.session.trusted_keys import Trust, proof_key, read_trusted_keys

PROOF = Proof(
    stand="airboat",
    limit_set="airboat big motor",
    revision="3",
    limit_set_sha256="0" * 64,
    protection_hash="1" * 64,
    chain_hash="2" * 64,
    proven_utc="2026-03-04T09:00:00+00:00",
    who="Ada Reed",
    host="dock",
    software_version="0",
    is_simulated=True,
    largest_speed_rpm=0.0,
    limits=(LimitProof("winding_hot", "", "trip", "above", "winding_temp", True),),
)


def run_with(record: object) -> list[Event]:
    return [Event(0.1, EventKind.PROOF, "proof", data={"record": json.loads(json.dumps(record))})]


def test_known_unknown_changed_and_none(tmp_path: Path) -> None:
    record = signed(PROOF, tmp_path / "key.pem")
    fingerprint = record["proof"]["fingerprint"]
    keys = tmp_path / "keys.txt"
    keys.write_text(f"# keys of the workshop\n\n{fingerprint.upper()}  the computer at the dock\n", encoding="utf-8")
    trusted = read_trusted_keys(keys)
    assert trusted == {fingerprint: "the computer at the dock"}
    known = proof_key(run_with(record), trusted)
    assert (known.trust, known.name, known.is_good) == (Trust.KNOWN, "the computer at the dock", True)

    foreign = signed(PROOF, tmp_path / "other.pem")
    unknown = proof_key(run_with(foreign), trusted)
    assert (unknown.trust, unknown.fingerprint, unknown.is_good) == (
        Trust.UNKNOWN, foreign["proof"]["fingerprint"], False,
    )  # fmt: skip
    assert "not in the list" in unknown.message

    # a foreign record that names the fingerprint of a known key does not get its trust
    borrowed = {**foreign, "proof": {**foreign["proof"], "fingerprint": fingerprint}}
    assert proof_key(run_with(borrowed), trusted).trust is Trust.CHANGED
    changed = proof_key(run_with({**record, "proof": {**record["proof"], "who": "Eve"}}), trusted)
    assert (changed.trust, changed.is_good) == (Trust.CHANGED, False)
    assert "was changed after it was signed" in changed.message
    none = proof_key([], trusted)
    assert (none.trust, none.is_good) == (Trust.NONE, True)


def test_the_last_proof_of_a_run_counts(tmp_path: Path) -> None:
    record, foreign = signed(PROOF, tmp_path / "key.pem"), signed(PROOF, tmp_path / "other.pem")
    trusted = {record["proof"]["fingerprint"]: "dock"}
    assert proof_key([*run_with(record), *run_with(foreign)], trusted).trust is Trust.UNKNOWN


def test_a_line_that_is_no_key_is_named(tmp_path: Path) -> None:
    keys = tmp_path / "keys.txt"
    keys.write_text(f"{'a' * 64} dock\n{'b' * 63} short\n", encoding="utf-8")
    with pytest.raises(UsageError, match=r"keys\.txt: line 2.*64 hexadecimal digits"):
        read_trusted_keys(keys)
    with pytest.raises(UsageError, match="list of trusted keys cannot be read"):
        read_trusted_keys(tmp_path / "none.txt")
