"""The command ``transfer``."""

from __future__ import annotations

from benchkit.cli.common import add_json

TYPE_CHECKING = False
if TYPE_CHECKING:
    from argparse import ArgumentParser, Namespace


def transfer_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("runs", nargs="+", metavar="RUN", help="runs whose losses are separated")
    parser.add_argument("--to", metavar="FILE", help="loads to predict: [[loads]] of a TOML file, or CSV")
    parser.add_argument("--test", metavar="RUN", help="a run that tests the prediction")
    parser.add_argument("--subject", choices=("inverter", "motor"), default="inverter", help="whose losses")
    parser.add_argument("--terms", metavar="NAMES", help="loss terms, comma-separated (default: all of the subject)")
    parser.add_argument("--out", metavar="PAGE", help="write a page (HTML) with the prediction on top of the report")
    add_json(parser)


def run_transfer(args: Namespace) -> int:
    from benchkit.cli.transfer import transfer

    return transfer(args)
