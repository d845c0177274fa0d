"""Keys, and proof records on disk: signed with Ed25519 (RFC 8032), read again, and refused where anything was changed.

The key pair lies in the folder of the user's settings, the private half readable by its owner alone. A signature says
which computer's key wrote the record. It does not say who a person is.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchkit.errors import UsageError
from benchkit.model.canonical import canonical_json
from benchkit.model.proof import Proof, proof_from_json

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

KEY_FILE = "proof_key.pem"
FOLDER = "BENCHKIT_CONFIG"
"""Environment variable that names another folder for the key."""
FINGERPRINT_SHOWN = 16


def key_path() -> Path:
    """Where the private key lies."""
    named = os.environ.get(FOLDER)
    if named:
        return Path(named) / KEY_FILE
    if sys.platform == "win32":
        base = Path(os.environ.get("APPDATA") or Path.home())
    else:
        base = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
    return base / "benchkit" / KEY_FILE


def make_key(path: Path, *, replace_old: bool = False) -> str:
    """Make a new key pair at ``path``, for its owner alone; returns the fingerprint. An old one is kept beside it.

    Raises:
        UsageError: there is one already, and it is not to be replaced.
    """
    _, ed25519, serialization = _library()
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    if path.exists():
        if not replace_old:
            raise UsageError("there is a key already", where=str(path))
        path.replace(path.with_name(f"{path.stem}_{fingerprint_of(_load(path))[:FINGERPRINT_SHOWN]}{path.suffix}"))
    key = ed25519.Ed25519PrivateKey.generate()
    text = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    # never readable by others, not even for a moment
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(text)
    return fingerprint_of(key)


def fingerprint_of(key: Ed25519PrivateKey) -> str:
    """SHA-256 of the public half, as 64 hexadecimal digits."""
    return hashlib.sha256(key.public_key().public_bytes_raw()).hexdigest()


@dataclass(frozen=True, slots=True)
class KeyPair:
    """A key pair in use; the private half stays inside."""

    public_key: str
    """Base64."""
    fingerprint: str
    sign: Callable[[str], str]
    """The signature of a text (UTF-8), in Base64."""


def load_pair(path: Path) -> KeyPair:
    """The key pair at ``path``.

    Raises:
        UsageError: there is none, others can read it, or it is no Ed25519 key.
    """
    if not path.is_file():
        raise UsageError("no such key", where=str(path), remedy="'benchkit prove --new-key' makes one.")
    key = _load(path)
    public = base64.b64encode(key.public_key().public_bytes_raw()).decode("ascii")
    return KeyPair(
        public, fingerprint_of(key), lambda text: base64.b64encode(key.sign(text.encode("utf-8"))).decode("ascii")
    )


def fits(public: bytes, signature: bytes, text: str) -> bool:
    """True where ``signature`` is that of ``text`` by the pair whose public half is ``public``."""
    invalid, ed25519, _ = _library()
    try:
        ed25519.Ed25519PublicKey.from_public_bytes(public).verify(signature, text.encode("utf-8"))
    except (invalid, ValueError):
        return False
    return True


def signed(proof: Proof, path: Path) -> dict[str, Any]:
    """``{"proof": …, "signature": …}``: the record with the public key of the pair at ``path``, made at first use."""
    if not path.exists():
        make_key(path)
    pair = load_pair(path)
    body = replace(proof, public_key=pair.public_key, fingerprint=pair.fingerprint).as_json()
    return {"proof": body, "signature": pair.sign(canonical_json(body))}


def write_record(record: dict[str, Any], path: Path) -> None:
    """Write a signed record; it appears whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(path.name + ".part")
    part.write_text(json.dumps(record, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    part.replace(path)


def read_record(path: Path) -> tuple[Proof, dict[str, Any]]:
    """The proof in a file and the record as it stands there, when its signature is right.

    Raises:
        UsageError: no such file, no record, or one that was changed after it was signed.
    """
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UsageError(
            "cannot be read", where=str(path), got=error.strerror, remedy="Make one: benchkit prove STAND"
        ) from None
    except ValueError:
        raise UsageError("not a proof record", where=str(path), expected="JSON as benchkit prove writes it") from None
    try:
        return checked(record), record
    except UsageError as error:
        raise UsageError(str(error), where=str(path), remedy="Prove the limits again: benchkit prove STAND") from None


def checked(record: object) -> Proof:
    """The proof in ``record``, when its signature is right.

    Raises:
        UsageError: it is not.
    """
    invalid, ed25519, _ = _library()
    try:
        assert isinstance(record, dict)
        body, signature = record["proof"], base64.b64decode(record["signature"], validate=True)
        public = base64.b64decode(body["public_key"], validate=True)
        key = ed25519.Ed25519PublicKey.from_public_bytes(public)
        text = canonical_json(body).encode("utf-8")
    except (AssertionError, KeyError, TypeError, ValueError):
        raise UsageError("not a signed proof record") from None
    try:
        key.verify(signature, text)
    except invalid:
        raise UsageError("the signature does not fit: the record was changed after it was signed") from None
    if hashlib.sha256(public).hexdigest() != body.get("fingerprint"):
        raise UsageError("the fingerprint is not that of its key")
    return proof_from_json(body)


def _load(path: Path) -> Ed25519PrivateKey:
    _, ed25519, serialization = _library()
    if sys.platform != "win32" and path.stat().st_mode & 0o077:
        raise UsageError(
            "the key can be read by others", where=str(path), expected="mode 600", remedy="benchkit prove --new-key"
        )
    try:
        key = serialization.load_pem_private_key(path.read_bytes(), password=None)
    except ValueError:
        key = None
    if not isinstance(key, ed25519.Ed25519PrivateKey):
        raise UsageError("not an Ed25519 key", where=str(path), remedy="Move it away; benchkit prove makes a new one.")
    found: Ed25519PrivateKey = key
    return found


def _library() -> tuple[Any, Any, Any]:
    """Imported where something is signed or verified: heavy, and not needed for anything else."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric import ed25519

    return InvalidSignature, ed25519, serialization
