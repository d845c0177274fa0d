"""Commands around evidence: ``evidence``, ``verify``."""

from __future__ import annotations

from benchkit.cli.common import add_json

TYPE_CHECKING = False  # typing costs milliseconds of every start; checkers take this name for True
if TYPE_CHECKING:
    from argparse import ArgumentParser, Namespace


def evidence_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("runs", nargs="+", metavar="RUN", help="closed runs; the report is about all of them")
    parser.add_argument("--out", default="evidence.zip", help="the pack to write (evidence.zip)")
    parser.add_argument("--plan", metavar="FILE", help="the plan that the runs followed")
    parser.add_argument("--duty", metavar="FILE", help="loads for the maps, as in benchkit report; packed as well")
    parser.add_argument("--attach", action="append", default=[], metavar="FILE", help="any other file, unread")
    parser.add_argument("--sign", metavar="KEY", help="private key (default: that of prove, made at first use)")
    parser.add_argument("--unsigned", action="store_true", help="leave the signature out")
    add_json(parser)


def run_evidence(args: Namespace) -> int:
    from benchkit.cli.evidencing import evidence

    return evidence(args)


def verify_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("runs", nargs="+", metavar="FILE", help="runs, evidence packs, signed reports")
    parser.add_argument(
        "--signed-by", default="", metavar="FINGERPRINT", help="the key that must have signed (16 digits or more)"
    )
    parser.add_argument(
        "--trusted", metavar="LIST", help="list of keys: say whether a run's proof of limits is by one of them"
    )
    add_json(parser)


def run_verify(args: Namespace) -> int:
    from benchkit.cli.evidencing import verify

    return verify(args)
