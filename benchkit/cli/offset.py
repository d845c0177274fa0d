"""``benchkit offset``: the times of two sources, compared on an edge that both have seen."""

from __future__ import annotations

from argparse import Namespace
from pathlib import Path

from benchkit.cli.common import print_json
from benchkit.decode.common_edge import EdgeOffset, offset_words
from benchkit.errors import UsageError
from benchkit.session.process import LIVE_SUFFIX


def offset(args: Namespace) -> int:
    """Measure it live or in a run; without channels, tell what the run says already."""
    if len(args.channels) not in (0, 2):
        raise UsageError("not two channels", where="benchkit offset", got=args.channels, expected="two, or none")
    if args.run_file.endswith(LIVE_SUFFIX):
        return _ask_recorder(args)
    from benchkit.runfile.edges import common_edge
    from benchkit.runfile.reader import open_run

    if args.last is not None:
        raise UsageError("a run has no last seconds", where="--last", remedy="Use --from and --until.")
    with open_run(Path(args.run_file)) as run:
        if not args.channels:
            _tell(run.time_offsets(), args)
            return 0
        first, second = args.channels
        found, sources = common_edge(run, (first, second), start_s=args.start_s, stop_s=args.stop_s)
    _tell({sources: found}, args)
    return 0


def _ask_recorder(args: Namespace) -> int:
    from benchkit.session.client import RecorderClient, read_live_file

    if not args.channels:
        raise UsageError("no channels named", where="benchkit offset", expected="two channels of two sources")
    if args.start_s is not None or args.stop_s is not None:
        raise UsageError("a recorder looks at the last seconds only", where="--from, --until", remedy="Use --last.")
    span = {} if args.last is None else {"last_s": args.last}
    with RecorderClient(read_live_file(Path(args.run_file))) as client:
        answer = client.request("common_edge", channels=args.channels, who=args.operator, **span)
    first, second = answer["sources"]
    _tell({(first, second): EdgeOffset(answer["offset_s"], answer["u_s"], answer["edges"])}, args)
    return 0


def _tell(offsets: dict[tuple[str, str], EdgeOffset], args: Namespace) -> None:
    if args.json:
        print_json(
            [
                {"sources": pair, "offset_s": found.offset_s, "u_s": found.u_s, "edges": found.edges}
                for pair, found in offsets.items()
            ]
        )
        return
    for pair, found in offsets.items():
        print(offset_words(found, pair))
    if not offsets:
        print("no common edge was measured while this run was recorded")
