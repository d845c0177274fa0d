"""What ``export`` does."""

from __future__ import annotations

from argparse import Namespace
from dataclasses import asdict
from pathlib import Path

from benchkit.cli.common import print_json, progress, show_bytes
from benchkit.export.export import export_run


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
