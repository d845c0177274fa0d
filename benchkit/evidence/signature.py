"""A signature beside a file: ``report.pdf.sig`` holds SHA-256 of ``report.pdf``, signed with Ed25519 (RFC 8032).

It says that whoever holds the key signed these bytes under this name. It does not say who a person is: compare the
fingerprint with one that you got another way. The text of the file has one form only, so that no byte of it can be
changed unseen.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from benchkit import __version__
from benchkit.errors import DataError
from benchkit.model.canonical import canonical_json
from benchkit.session.signing import fits, load_pair

SUFFIX = ".sig"
FORMAT = "benchkit signature"
FORMAT_VERSION = 1
PIECE = 1 << 20
MOST_BYTES = 64 << 10
"""A signature is some 500 bytes."""

Progress = Callable[[int], None]
"""Called with the number of bytes since the last call."""


@dataclass(frozen=True, slots=True)
class Signed:
    """What a signature says of its file."""

    file: str
    sha256: str
    fingerprint: str
    """SHA-256 of the public key."""
    public_key: str
    signed_with: str
    """Version of benchkit."""


def signature_path(path: Path) -> Path:
    """The signature lies beside its file."""
    return path.with_name(path.name + SUFFIX)


def sha256_of_stream(stream: IO[bytes], progress: Progress | None = None) -> str:
    """SHA-256 of what is left of a stream, as 64 hexadecimal digits."""
    digest = hashlib.sha256()
    while piece := stream.read(PIECE):
        digest.update(piece)
        if progress is not None:
            progress(len(piece))
    return digest.hexdigest()


def sha256_of_file(path: Path, progress: Progress | None = None) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as stream:
        return sha256_of_stream(stream, progress)


def signature_text(name: str, sha256: str, key: Path) -> str:
    """Text of the signature file for the file ``name`` by the private key at ``key``. The same inputs, the same text.

    Raises:
        UsageError: no such key, or one that others can read.
    """
    pair = load_pair(key)
    body = _body(name, sha256, pair.public_key, pair.fingerprint)
    return _text(body, pair.sign(canonical_json(body)))


def sign_file(path: Path, key: Path) -> Path:
    """Sign a file with the private key at ``key``; returns the signature, which is written whole or not at all."""
    out = signature_path(path)
    part = out.with_name(out.name + ".part")
    part.write_bytes(signature_text(path.name, sha256_of_file(path), key).encode("utf-8"))
    part.replace(out)
    return out


def read_signature(data: bytes, *, where: str) -> Signed:
    """What the bytes of a signature file say, when the signature is right.

    Raises:
        DataError: not a signature, not in its one form, or changed after it was made.
    """
    try:
        record = json.loads(data.decode("utf-8") if len(data) <= MOST_BYTES else "{}")
        body, signature = record["signed"], record["signature"]
        told = Signed(body["file"], body["sha256"], body["fingerprint"], body["public_key"], body["signed_with"])
        is_ours = body["format"] == FORMAT and body["format_version"] == FORMAT_VERSION
        is_text = all(isinstance(value, str) for value in (*body.values(), signature) if value != FORMAT_VERSION)
        whole = (
            is_ours
            and is_text
            and _text(
                _body(told.file, told.sha256, told.public_key, told.fingerprint, told.signed_with), signature
            ).encode()
            == data
        )
        public, raw = base64.b64decode(told.public_key, validate=True), base64.b64decode(signature, validate=True)
        one_form = (base64.b64encode(public).decode(), base64.b64encode(raw).decode()) == (told.public_key, signature)
    except (ValueError, KeyError, TypeError, RecursionError):
        whole = one_form = False
    if not (whole and one_form):
        raise DataError(
            "not a signature, or changed after it was made", where=where, expected="the file as benchkit wrote it"
        )
    if hashlib.sha256(public).hexdigest() != told.fingerprint or not fits(public, raw, canonical_json(body)):
        raise DataError("the signature does not fit: it was changed after it was made", where=where)
    return told


def _body(name: str, sha256: str, public: str, fingerprint: str, version: str = __version__) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "file": name,
        "sha256": sha256,
        "fingerprint": fingerprint,
        "public_key": public,
        "signed_with": version,
    }


def _text(body: dict[str, Any], signature: str) -> str:
    return json.dumps({"signed": body, "signature": signature}, indent=1, ensure_ascii=False) + "\n"
