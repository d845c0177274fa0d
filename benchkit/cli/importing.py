"""What ``benchkit import`` does: a text file becomes a run, or is shown before it does."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Iterator
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from benchkit.cli.common import print_json, progress, show_bytes
from benchkit.cli.texts import imported_lines
from benchkit.errors import UsageError, did_you_mean
from benchkit.profiles import find_stand, load_stand

if TYPE_CHECKING:
    from benchkit.ingest.csv_preview import Preview


def import_file(args: Namespace) -> int:
    """``benchkit import``: a CSV file becomes a run; what was refused is counted and listed."""
    from benchkit.ingest.csv_import import import_csv
    from benchkit.profiles.file_format import load_file_format

    loaded = load_stand(find_stand(args.stand))
    source = args.source or next(iter(loaded.stand.sources))
    if source not in loaded.stand.sources:
        raise UsageError(
            "no source of that name", where="--source", got=source, remedy=did_you_mean(source, loaded.stand.sources)
        )
    path = Path(args.file)
    if args.preview:
        from benchkit.ingest.csv_preview import preview_csv

        preview = preview_csv(path, loaded, source)
        if args.json:
            print_json(asdict(preview))
        else:
            print(*preview_lines(preview), sep="\n")
        return 0
    declared = load_file_format(Path(args.format)) if args.format else None
    started = _moment(args.started) if args.started else None
    out = Path(args.out)
    out.mkdir(parents=True, exist_ok=True)
    with progress(1, "importing", "B") as bar:
        summary = import_csv(
            path,
            loaded,
            source,
            out / f"{path.stem}.h5",
            text_format=declared,
            rate_hz=args.rate,
            started_utc=started,
            progress=lambda *d: show_bytes(bar, *d),
        )
    if args.json:
        print_json(asdict(summary))
    else:
        print(*imported_lines(summary), sep="\n")
    return 0


def preview_lines(p: Preview) -> Iterator[str]:
    """What a file looks like, for a person to check."""
    d = p.dialect
    part = "" if p.read_bytes >= p.size_bytes else f", of it the first {p.read_bytes / 1e6:.0f} MB read"
    yield f"{p.path}: {p.size_bytes / 1e6:.3f} MB{part}; a PROPOSAL, nothing is imported"
    name = {"\t": "tab", " ": "space"}.get(d.separator, repr(d.separator))
    yield f"  looks like   {d.encoding.value}, {name} between the fields, decimal {d.decimal_mark!r}" + (
        ", fields in quotes" if d.is_quoted else ""
    )
    rate = f", {p.rows_per_s:.6g} rows/s" if p.rows_per_s == p.rows_per_s else ""
    yield f"  rows         {p.rows}{rate}; {p.refused} lines refused"
    yield f"  {'column':24} {'unit in file':14} {'in profile':12} {'lowest':>12} {'highest':>12} {'missing':>8}"
    for c in p.columns:
        unit = c.unit_in_profile or "not taken"
        yield f"  {c.name[:24]:24} {c.unit_in_file[:14]:14} {unit:12} {c.low:>12.6g} {c.high:>12.6g} {c.missing:>8}"
    if p.lacking:
        yield f"  the profile takes columns that are not in the file: {', '.join(p.lacking)}"
    yield "  first lines"
    for line in p.first_lines:
        yield f"    {line}"
    for bad in p.bad:
        yield f"  refused: {bad}"
    for doubt in p.doubts:
        yield f"  look at: {doubt}"
    yield "To read it so, put this into a file and give it with --format:"
    yield ""
    yield p.toml


def _moment(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise UsageError(
            "not a date and time", where="--started", got=text, expected="ISO 8601, as 2026-03-02T08:30:00+01:00"
        ) from error
    if moment.tzinfo is None:
        raise UsageError(
            "names no zone", where="--started", got=text, remedy="Put Z for UTC or an offset as +01:00 behind it."
        )
    return moment
