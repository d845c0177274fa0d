"""What ``export`` and ``verify`` do."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from benchkit.cli.common import print_json, progress, show_bytes
from benchkit.errors import DataError
from benchkit.export.export import export_run
from benchkit.runfile.reader import open_run
from benchkit.runfile.verify import Checked, check_run

if TYPE_CHECKING:
    from benchkit.session.trusted_keys import ProofKey


def export(args: Namespace) -> int:
    """``benchkit export``."""
    with progress(1, "exporting", "rows") as bar:
        done = export_run(
            Path(args.run_file),
            Path(args.out),
            args.to,
            sources=args.source,
            channels=[name.strip() for names in args.channels for name in names.split(",") if name.strip()],
            start_s=args.start_s,
            stop_s=args.stop_s,
            progress=lambda *now: show_bytes(bar, *now),
        )
    if args.json:
        print_json(asdict(done))
        return 0
    rows = ", ".join(f"{source} {count} rows" for source, count in done.rows.items())
    print(f"made {done.folder}: {rows}, {done.events} events, {done.size_bytes / 1e6:.2f} MB")
    for file in done.files:
        print(f"  {file.name}")
    return 0


def verify(args: Namespace) -> int:
    """``benchkit verify``: every run is checked, also after one that failed; 4 when one is not what was recorded.

    With ``--trusted`` the key behind the proof of limits is looked at as well; 4 when there is a proof and it cannot be
    trusted.
    """
    from benchkit.session.trusted_keys import read_trusted_keys

    trusted = None if args.trusted is None else read_trusted_keys(Path(args.trusted))
    found = [_check(Path(run), trusted, is_quiet=args.json) for run in args.runs]
    if args.json:
        print_json(
            [asdict(run) | {"good": run.is_good} | ({"proof_key": asdict(key)} if key else {}) for run, key in found]
        )
    is_good = all(run.is_good and (key is None or key.is_good) for run, key in found)
    return 0 if is_good else DataError.exit_code


def _check(path: Path, trusted: Mapping[str, str] | None, *, is_quiet: bool) -> tuple[Checked, ProofKey | None]:
    with progress(1, path.name, "B") as bar:
        found = check_run(path, lambda *now: show_bytes(bar, *now))
    if not is_quiet:
        content = f", content {found.content_sha256}" if found.is_good else ""
        print(f"{found.path}: {found.verdict.value}{content}")
        if found.message:
            print(f"  {found.message}")
    key = None
    if trusted is not None and found.is_good:
        from benchkit.session.trusted_keys import proof_key

        with open_run(path) as run:
            key = proof_key(run.events(), trusted)
        if not is_quiet:
            print(f"  {key.message}")
    return found, key
