"""What ``evidence`` and ``verify`` do."""

from __future__ import annotations

import re
import sys
from argparse import Namespace
from dataclasses import asdict
from pathlib import Path
from typing import Any

from benchkit.cli.common import print_json, progress, show_bytes
from benchkit.errors import DataError, UsageError
from benchkit.evidence.check import LEAST_DIGITS, CheckedFile, check_pack, check_signed
from benchkit.evidence.signature import SUFFIX, signature_path
from benchkit.runfile.reader import open_run
from benchkit.runfile.verify import Checked, check_run
from benchkit.session.signing import FINGERPRINT_SHOWN, key_path, load_pair, make_key
from benchkit.session.trusted_keys import proof_key, read_trusted_keys

_ZIP, _HDF5 = b"PK", b"\x89HDF"
"""First bytes of a zip (APPNOTE 4.3) and of an HDF5 file (format specification, II.A)."""
SIGNED_SUFFIXES = (".html", ".pdf")


def evidence(args: Namespace) -> int:
    """``benchkit evidence``: check, report, pack, sign."""
    from benchkit.cli.duty_file import read_duty
    from benchkit.evidence.pack import write_pack

    if args.sign and args.unsigned:
        raise UsageError("--sign and --unsigned exclude each other", where="evidence")
    key = None if args.unsigned else Path(args.sign) if args.sign else key_path()
    if key is not None and not args.sign and not key.exists():
        make_key(key)
    pair = None if key is None else load_pair(key)
    packed = write_pack(
        [Path(run) for run in args.runs],
        Path(args.out),
        key=key,
        plan=Path(args.plan) if args.plan else None,
        loads=(Path(args.duty), read_duty(Path(args.duty))) if args.duty else None,
        attached=[Path(path) for path in args.attach],
        progress=_tell,
    )
    fingerprint = "" if pair is None else pair.fingerprint
    if args.json:
        print_json({"path": packed.path, "files": packed.files, "size_bytes": packed.size_bytes,
                    "fingerprint": fingerprint, "left_out": packed.left_out})  # fmt: skip
        return 0
    signed = f"signed with key {fingerprint[:FINGERPRINT_SHOWN]}…" if fingerprint else "NOT SIGNED"
    print(f"made {packed.path}: {len(packed.files)} files, {packed.size_bytes / 1e6:.2f} MB, {signed}")
    for line in packed.left_out:
        print(f"not in it: {line}")
    return 0


def verify(args: Namespace) -> int:
    """``benchkit verify``: every file is checked, also after one that failed; 4 when one is not what was made.

    With ``--trusted`` the key behind a run's proof of limits is looked at as well; 4 when there is a proof and it
    cannot be trusted.
    """
    trusted = None if args.trusted is None else read_trusted_keys(Path(args.trusted))
    wanted = args.signed_by.lower().rstrip("…")
    if wanted and not re.fullmatch(rf"[0-9a-f]{{{LEAST_DIGITS},64}}", wanted):
        raise UsageError("not a fingerprint", where="--signed-by", got=args.signed_by,
                         expected=f"at least {LEAST_DIGITS} hexadecimal digits")  # fmt: skip
    found: list[dict[str, Any]] = []
    for path in map(Path, args.runs):
        kind = _kind(path)
        if kind == "run" and wanted:
            raise UsageError("a run carries no signature", where=str(path), remedy="Leave --signed-by out for runs.")
        checked = _check(path, kind, wanted)
        found.append(asdict(checked) | {"good": checked.is_good})
        if not args.json:
            _print_run(checked) if isinstance(checked, Checked) else _print_file(checked)
        if trusted is not None and kind == "run" and checked.is_good:
            with open_run(path) as run:
                key = proof_key(run.events(), trusted)
            found[-1] |= {"proof_key": asdict(key), "good": key.is_good}
            if not args.json:
                print(f"  {key.message}")
    if args.json:
        print_json(found)
    return 0 if all(each["good"] for each in found) else DataError.exit_code


def _kind(path: Path) -> str:
    """``pack``, ``signed`` or ``run``, by the first bytes, then by the name."""
    try:
        with path.open("rb") as file:
            head = file.read(4)
    except OSError:
        head = b""
    if path.suffix == SUFFIX:
        return "signed"
    if head.startswith(_HDF5):
        return "run"
    if path.suffix == ".zip" or head.startswith(_ZIP):
        return "pack"
    return "signed" if path.suffix in SIGNED_SUFFIXES or signature_path(path).is_file() else "run"


def _check(path: Path, kind: str, signed_by: str) -> Checked | CheckedFile:
    with progress(1, path.name, "B") as bar:
        if kind == "run":
            return check_run(path, lambda *now: show_bytes(bar, *now))
        bar.total = path.stat().st_size if path.is_file() else None
        return (check_pack if kind == "pack" else check_signed)(path, signed_by, bar.update)


def _print_run(found: Checked) -> None:
    content = f", content {found.content_sha256}" if found.is_good else ""
    print(f"{found.path}: {found.verdict.value}{content}")
    if found.message:
        print(f"  {found.message}")


def _print_file(found: CheckedFile) -> None:
    state = "whole" if found.is_good else f"NOT what was made, {len(found.faults)} fault{'s' * (len(found.faults) > 1)}"
    files = f", {found.files} files" if found.kind == "evidence pack" else ""
    print(f"{found.path}: {state}, {found.kind}{files}")
    for fault in found.faults:
        print(f"  {fault.fault.value}: {fault.file}: {fault.message}")
    for run in found.runs:
        print(f"  run {run.file}: {run.verdict}, content {run.content_sha256}")
    print(
        f"  signed with key {found.fingerprint}" if found.fingerprint else "  NOT SIGNED: it does not say whose it is"
    )


def _tell(text: str) -> None:
    if sys.stderr.isatty():
        print(text, file=sys.stderr)
