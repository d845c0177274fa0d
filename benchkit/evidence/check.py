"""Is a pack, or a signed file, still what was made? Never raises for a bad one: names every file that is not."""

from __future__ import annotations

import json
import shutil
import tempfile
import zlib
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any
from zipfile import BadZipFile, ZipFile, ZipInfo

from benchkit.errors import DataError
from benchkit.evidence import sums
from benchkit.evidence.names import is_safe
from benchkit.evidence.pack import CONTENTS, FORMAT, FORMAT_VERSION, REPORT_JSON, SIGNATURE
from benchkit.evidence.signature import (
    MOST_BYTES,
    SUFFIX,
    Progress,
    read_signature,
    sha256_of_file,
    sha256_of_stream,
    signature_path,
)
from benchkit.runfile.verify import Verdict, check_run

LEAST_DIGITS = 16
"""Digits of a fingerprint that must be given to compare with."""
_MOST_LIST_BYTES = 64 << 20
_READ_FAULTS = (BadZipFile, zlib.error, OSError, EOFError, NotImplementedError, RuntimeError, ValueError)
"""What the zip library raises for damaged members."""


class Fault(StrEnum):
    """What is wrong with one file."""

    CHANGED = "changed"
    MISSING = "missing"
    EXTRA = "extra"
    """It is there, but not in the list of checksums."""
    UNREADABLE = "unreadable"
    DIFFERS = "differs"
    """A run whose content is not what was recorded, or another run than the pack and its report say."""
    SIGNATURE = "signature"


@dataclass(frozen=True, slots=True)
class Found:
    """One fault."""

    file: str
    fault: Fault
    message: str


@dataclass(frozen=True, slots=True)
class RunInPack:
    """A run whose content hash was computed again."""

    file: str
    verdict: str
    content_sha256: str


@dataclass(frozen=True, slots=True)
class CheckedFile:
    """A pack, or a signed file, after its check."""

    path: Path
    kind: str
    """``evidence pack`` or ``signed file``."""
    files: int
    faults: tuple[Found, ...]
    fingerprint: str
    """Of the key that signed; empty where no valid signature was found."""
    runs: tuple[RunInPack, ...] = ()

    @property
    def is_good(self) -> bool:
        """True where every file is what was made."""
        return not self.faults


def check_signed(path: Path, signed_by: str = "", progress: Progress | None = None) -> CheckedFile:
    """Check a file against the signature beside it; ``path`` may name either. ``signed_by``: see :func:`check_pack`."""
    path = Path(path)
    target = path.with_name(path.name.removesuffix(SUFFIX)) if path.suffix == SUFFIX else path
    beside, faults, fingerprint = signature_path(target), [], ""
    try:
        told = read_signature(beside.read_bytes()[: MOST_BYTES + 1], where=beside.name)
        fingerprint = told.fingerprint
        if told.file != target.name:
            faults.append(Found(beside.name, Fault.SIGNATURE, f"it was made for a file named {told.file!r}"))
        if sha256_of_file(target, progress) != told.sha256:
            faults.append(Found(target.name, Fault.CHANGED, "not the bytes that were signed"))
    except DataError as error:
        faults.append(Found(beside.name, Fault.SIGNATURE, str(error)))
    except OSError as error:
        lost = beside if not beside.is_file() else target
        faults.append(Found(lost.name, Fault.MISSING if not lost.is_file() else Fault.UNREADABLE, str(error.strerror)))
    faults += _signer(beside.name, fingerprint, signed_by)
    return CheckedFile(target, "signed file", 1, tuple(faults), fingerprint)


def check_pack(path: Path, signed_by: str = "", progress: Progress | None = None) -> CheckedFile:
    """Compare every file of a pack with the checksums, those with the signature, and every run with its content hash.

    ``signed_by`` is a fingerprint, or the first digits of one, that the signature must have; without it any key will
    do. ``progress`` is called with bytes read.
    """
    path = Path(path)
    try:
        with ZipFile(path) as archive:
            return _Check(archive, progress).run(path, signed_by)
    except _READ_FAULTS as error:
        fault = Found(path.name, Fault.UNREADABLE, f"not a zip, or its table of contents is damaged: {error}")
        return CheckedFile(path, "evidence pack", 0, (fault,), "")


class _Check:
    """One pass over an open pack; faults are collected."""

    def __init__(self, archive: ZipFile, progress: Progress | None) -> None:
        self._archive, self._progress = archive, progress
        entries = [entry for entry in archive.infolist() if not (entry.is_dir() and entry.file_size == 0)]
        self._entries: dict[str, ZipInfo] = {entry.filename: entry for entry in entries}
        self._counts = Counter(entry.filename for entry in entries)
        self.faults: list[Found] = []

    def run(self, path: Path, signed_by: str) -> CheckedFile:
        listed = self._sums()
        for name, times in self._counts.items():
            if times > 1:
                self._say(name, Fault.EXTRA, f"it is there {times} times: programs that unpack may take another")
            if not is_safe(name):
                self._say(name, Fault.EXTRA, "a name that leads out of the folder, or that some systems refuse")
            if listed is not None and name not in listed and name not in (sums.NAME, SIGNATURE):
                self._say(name, Fault.EXTRA, f"not in {sums.NAME}")
        for name, wanted in (listed or {}).items():
            self._compare(name, wanted)
        contents = self._json(CONTENTS) if listed is not None else None
        fingerprint = self._signature(contents, signed_by)
        runs = tuple(self._runs(contents))
        return CheckedFile(path, "evidence pack", len(self._entries), tuple(self.faults), fingerprint, runs)

    def _say(self, name: str, fault: Fault, message: str) -> None:
        self.faults.append(Found(name, fault, message))

    def _is_sound(self, name: str) -> bool:
        return name in self._entries and all(found.file != name for found in self.faults)

    def _bytes(self, name: str) -> bytes | None:
        """A small member; None where it is not there or cannot be read."""
        entry = self._entries.get(name)
        if entry is None:
            return None
        try:
            return self._archive.read(entry) if entry.file_size <= _MOST_LIST_BYTES else None
        except _READ_FAULTS as error:
            self._say(name, Fault.CHANGED, f"it cannot be read: {error}")
            return None

    def _sums(self) -> dict[str, str] | None:
        data = self._bytes(sums.NAME)
        if data is None:
            if self._is_sound(sums.NAME) or sums.NAME not in self._entries:
                self._say(sums.NAME, Fault.MISSING, "without it nothing can be compared")
            return None
        try:
            return sums.parse_sums(data)
        except DataError as error:
            self._say(sums.NAME, Fault.CHANGED, str(error))
            return None

    def _compare(self, name: str, wanted: str) -> None:
        entry = self._entries.get(name)
        if entry is None:
            self._say(name, Fault.MISSING, f"{sums.NAME} lists it")
            return
        try:
            with self._archive.open(entry) as stream:
                found = sha256_of_stream(stream, self._progress)
        except _READ_FAULTS as error:
            self._say(name, Fault.CHANGED, f"it cannot be read: {error}")
            return
        if found != wanted:
            self._say(name, Fault.CHANGED, f"SHA-256 {found[:12]}…, {sums.NAME} says {wanted[:12]}…")

    def _json(self, name: str) -> Mapping[str, Any] | None:
        """A member that is as listed, as JSON."""
        if not self._is_sound(name):
            if name not in self._entries and all(found.file != name for found in self.faults):
                self._say(name, Fault.MISSING, "every pack has it")
            return None
        try:
            body = json.loads(self._bytes(name) or b"")
        except (ValueError, RecursionError):
            body = None
        if not isinstance(body, Mapping):
            self._say(name, Fault.UNREADABLE, "not a JSON object")
            return None
        return body

    def _signature(self, contents: Mapping[str, Any] | None, signed_by: str) -> str:
        data, listing = self._bytes(SIGNATURE), self._bytes(sums.NAME)
        fingerprint = ""
        if data is None:
            should = contents is not None and contents.get("is_signed") is not False
            if should and self._counts[SIGNATURE] == 0:
                self._say(SIGNATURE, Fault.MISSING, "the pack was signed when it was made")
        else:
            try:
                told = read_signature(data, where=SIGNATURE)
                fingerprint = told.fingerprint
                if told.file != sums.NAME:
                    self._say(SIGNATURE, Fault.SIGNATURE, f"it was made for a file named {told.file!r}")
                elif listing is None or sha256_of_bytes(listing) != told.sha256:
                    self._say(sums.NAME, Fault.CHANGED, "not the list that was signed")
            except DataError as error:
                self._say(SIGNATURE, Fault.SIGNATURE, str(error))
        self.faults += _signer(SIGNATURE, fingerprint, signed_by)
        return fingerprint

    def _runs(self, contents: Mapping[str, Any] | None) -> Iterator[RunInPack]:
        """Every run in the pack once more, by its content."""
        told = _told_runs(contents)
        if contents is not None and told is None:
            self._say(CONTENTS, Fault.UNREADABLE, f"expected {FORMAT!r}, format version {FORMAT_VERSION}")
        for name in told or {}:
            if name not in self._entries and all(found.file != name for found in self.faults):
                self._say(name, Fault.MISSING, f"{CONTENTS} names it as a run")
        in_report = self._hashes_of_report() if told is not None else None
        for name, entry in self._entries.items():
            if not (name.startswith("runs/") and name.endswith(".h5")) and name not in (told or {}):
                continue
            checked = self._run(name, entry)
            if checked is None:
                continue
            yield checked
            if checked.verdict != Verdict.WHOLE:
                continue  # that is said already
            if told is not None and told.get(name) != checked.content_sha256:
                self._say(name, Fault.DIFFERS, f"another content hash than in {CONTENTS}")
            if in_report is not None and checked.content_sha256 not in in_report:
                self._say(REPORT_JSON, Fault.DIFFERS, f"the report is not about {name}")

    def _run(self, name: str, entry: ZipInfo) -> RunInPack | None:
        with tempfile.TemporaryDirectory(prefix="benchkit_verify_") as folder:
            out = Path(folder) / "run.h5"
            try:
                with self._archive.open(entry) as source, out.open("wb") as target:
                    shutil.copyfileobj(source, target)
            except _READ_FAULTS as error:
                if self._is_sound(name):
                    self._say(name, Fault.UNREADABLE, str(error))
                return None
            checked = check_run(out)
        if not checked.is_good:
            message = checked.message.replace(str(out), name)
            self._say(name, Fault.DIFFERS, f"the run is {checked.verdict.value}: {message}")
        return RunInPack(name, checked.verdict.value, checked.content_sha256)

    def _hashes_of_report(self) -> set[str] | None:
        body = self._json(REPORT_JSON)
        runs = body.get("runs") if body is not None else None
        if not isinstance(runs, list):
            return None
        return {str(run.get("content_sha256")) for run in runs if isinstance(run, Mapping)}


def sha256_of_bytes(data: bytes) -> str:
    """SHA-256 as 64 hexadecimal digits."""
    import hashlib

    return hashlib.sha256(data).hexdigest()


def _told_runs(contents: Mapping[str, Any] | None) -> dict[str, str] | None:
    """Content hash by file, as the pack says it; None where it does not."""
    if contents is None or (contents.get("format"), contents.get("format_version")) != (FORMAT, FORMAT_VERSION):
        return None
    try:
        return {str(run["file"]): str(run["content_sha256"]) for run in contents["runs"]}
    except (KeyError, TypeError):
        return None


def _signer(name: str, fingerprint: str, signed_by: str) -> list[Found]:
    if not signed_by or (fingerprint and fingerprint.startswith(signed_by.lower())):
        return []
    by = f"signed with key {fingerprint[:LEAST_DIGITS]}…" if fingerprint else "no valid signature"
    return [Found(name, Fault.SIGNATURE, f"{by}, expected key {signed_by[:LEAST_DIGITS]}…")]
