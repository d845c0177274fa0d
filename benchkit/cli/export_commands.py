"""The command that hands a run on: ``export``."""

from __future__ import annotations

from benchkit.cli.common import add_json

TYPE_CHECKING = False  # typing costs milliseconds of every start; checkers take this name for True
if TYPE_CHECKING:
    from argparse import ArgumentParser, Namespace


def export_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("run_file", metavar="RUN")
    parser.add_argument("--to", required=True, choices=("csv", "parquet", "mdf4", "mat"), help="format")
    parser.add_argument("--out", default="exported", help="folder for the new folder RUN_FORMAT (default exported)")
    parser.add_argument("--from", dest="start_s", type=float, metavar="S", help="first sample time (default: all)")
    parser.add_argument("--until", dest="stop_s", type=float, metavar="S", help="sample times before this one only")
    parser.add_argument("--channels", action="append", default=[], metavar="A,B", help="channels (default: all)")
    parser.add_argument("--source", action="append", default=[], metavar="NAME", help="source (default: all)")
    add_json(parser)


def run_export(args: Namespace) -> int:
    from benchkit.cli.exporting import export

    return export(args)
