"""``benchkit exclude``: what a person leaves out of a closed run, with reason and name."""

from __future__ import annotations

from argparse import Namespace
from datetime import UTC, datetime
from pathlib import Path

from benchkit.cli.common import print_json
from benchkit.errors import UsageError
from benchkit.runfile.exclusions import all_lines, exclude, read_exclusions, take_back
from benchkit.runfile.reader import Run, open_run


def run(args: Namespace) -> int:
    """Add an exclusion, take one back, or list them."""
    path = Path(args.run)
    with open_run(path) as opened:
        if not opened.is_closed:
            raise UsageError(
                "the run is not closed",
                where=path.name,
                remedy="While it is recorded: benchkit ask RUN exclude …; after a crash: benchkit recover.",
            )
        sha256 = opened.content_sha256
        now = datetime.now(UTC).isoformat(timespec="seconds")
        if args.take_back is not None:
            print(take_back(path, sha256, args.take_back, args.reason, args.who, now).message)
        elif args.point is not None or args.start is not None:
            print(exclude(path, sha256, _span(args, opened), args.reason, args.who, now).message)
        else:
            _list(path, sha256, as_json=args.json)
    return 0


def _span(args: Namespace, opened: Run) -> tuple[float, float]:
    if args.point is not None:
        return _point_span(Path(args.run), opened, args.point)
    if args.stop is None:
        raise UsageError("a stretch has two ends", where="exclude", remedy="Give --from and --to, or --point.")
    return args.start, args.stop


def _point_span(path: Path, opened: Run, number: int) -> tuple[float, float]:
    """Host times of the first and the last row of a point as the report numbers it."""
    from benchkit.report.gather import points_of_run

    points = points_of_run(opened, (*opened.events(), *read_exclusions(path, opened.content_sha256)))
    found = [point for point in points if point.index + 1 == number]
    if len(found) != 1:
        got = f"{len(found)} points of this number, {len(points)} in all"
        raise UsageError(f"not one point P{number}", where=path.name, got=got, remedy="Give --from and --to.")
    stream = opened.stream_rows(found[0].stream)
    rows = (found[0].row_start, found[0].row_stop - 1)
    first, last = (float(stream.rows(row, row + 1).arrival_s[0]) for row in rows)
    return first, last


def _list(path: Path, sha256: str, *, as_json: bool) -> None:
    lines = all_lines(path, sha256)
    in_force = read_exclusions(path, sha256)
    if as_json:
        print_json({"exclusions": [dict(e.data) | {"number": n} for n, e in enumerate(lines, start=1)]})
        return
    for number, event in enumerate(lines, start=1):
        state = "in force" if event in in_force else "taken back" if "from_s" in event.data else "takes back"
        print(f"{number:3}  {state:10}  {event.message} ({event.data['who']})")
    if not lines:
        print("nothing was excluded after the recording")
