"""What ``campaign`` does."""

from __future__ import annotations

import os
import sys
from argparse import Namespace
from pathlib import Path

from benchkit.campaign.campaign import Made, Settings, run_campaign
from benchkit.cli.common import print_json, progress
from benchkit.cli.pages import beside, write_page
from benchkit.cli.run_list import filter_of
from benchkit.errors import UsageError
from benchkit.report.numbers import json_text
from benchkit.report.page import write_text
from benchkit.report.sections_campaign import build_campaign

PAGE, NUMBERS = "campaign.html", "campaign.json"


def run(args: Namespace) -> int:
    """Analyse, write tables and page, say what was done and what was left out. Exit code 0 also with runs left out."""
    out = Path(args.out)
    if out.exists() and not out.is_dir():
        raise UsageError("the place for the results is no folder", where=str(out), remedy="Name a folder.")
    if args.workers is not None and args.workers < 1:
        raise UsageError("a campaign needs a process to work in", got=args.workers, expected="1 or more")
    if ":" in args.analysis:
        sys.path.insert(0, str(Path.cwd()))  # where a function of one's own is likely to be
    settings = Settings(
        analysis=args.analysis,
        wanted=filter_of(args),
        workers=args.workers or os.cpu_count() or 1,
        scheduler=args.scheduler,
        verify=not args.no_verify,
        cache=Path(args.cache) if args.cache else None,
    )
    out.mkdir(parents=True, exist_ok=True)
    page = beside(args, out / PAGE)
    bar = progress(0, "analysing", "run")

    def show(done: int, total: int) -> None:
        bar.total = total
        bar.update(done - bar.n)

    try:
        made = run_campaign(Path(args.folder), out, settings, show)
    finally:
        bar.close()
    model = build_campaign(made.campaign)
    write_text(out / NUMBERS, json_text(model))
    written = [*made.files, out / NUMBERS, *write_page(model, page)]
    if args.json:
        print_json(_counts(made))
    else:
        _print(made, written)
    return 0


def _counts(made: Made) -> dict[str, object]:
    found = made.campaign
    return {
        "runs": len(found.runs),
        "analysed": made.done,
        "reused": made.reused,
        "skipped": [{"file": each.file, "reason": each.reason} for each in found.skipped],
        "rows": found.rows,
        "table_sha256": found.table_sha256,
        "analysis": found.analysis,
        "analysis_version": found.analysis_version,
        "cpu_s": made.cpu_s,
    }


def _print(made: Made, written: list[Path]) -> None:
    found = made.campaign
    print(f"{len(found.runs)} runs, {found.rows} rows: {made.done} analysed, {made.reused} were done before")
    for each in found.skipped:
        print(f"  left out: {each.file}: {each.reason}")
    print(*written, sep="\n")
