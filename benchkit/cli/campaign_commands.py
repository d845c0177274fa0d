"""Commands over folders of runs: ``runs``, ``campaign``."""

from __future__ import annotations

from benchkit.cli.common import add_beside, add_json

TYPE_CHECKING = False
if TYPE_CHECKING:
    from argparse import ArgumentParser, Namespace


def runs_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("folder", nargs="?", default=".", metavar="FOLDER", help="folder of runs, with its folders (.)")
    _add_filter(parser)
    parser.add_argument("--add-tag", metavar="TAG", help="put a tag on the runs that are listed")
    parser.add_argument("--remove-tag", metavar="TAG", help="take a tag off the runs that are listed")
    parser.add_argument("--watch", action="store_true", help="stay, and print what is new, changed, moved or gone")
    parser.add_argument("--every", type=float, default=2.0, metavar="S", help="with --watch: look so often (2 s)")
    parser.add_argument("--rebuild", action="store_true", help="read every file anew")
    add_json(parser)


def run_runs(args: Namespace) -> int:
    from benchkit.cli.run_list import run

    return run(args)


def campaign_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("folder", metavar="FOLDER", help="folder of runs, with its folders")
    parser.add_argument(
        "--out", required=True, metavar="DIR", help="folder for tables and report; what is done is kept there"
    )
    parser.add_argument(
        "--analysis", default="points", metavar="NAME", help="points (default), or MODULE:FUNCTION of your own"
    )
    parser.add_argument("--workers", type=int, metavar="N", help="processes on this computer (default: its cores)")
    parser.add_argument(
        "--scheduler", default="", metavar="tcp://HOST:PORT", help="work on a Dask cluster (extra 'cluster')"
    )
    parser.add_argument("--no-verify", action="store_true", help="do not compute the content hashes again")
    _add_filter(parser)
    add_beside(parser)
    add_json(parser)


def run_campaign(args: Namespace) -> int:
    from benchkit.cli.campaigning import run

    return run(args)


def _add_filter(parser: ArgumentParser) -> None:
    parser.add_argument(
        "--article", default="", metavar="ID", help="id of inverter or motor; all texts may hold * and ?"
    )
    parser.add_argument("--firmware", default="", metavar="REV")
    parser.add_argument("--propeller", default="", metavar="ID")
    parser.add_argument("--operator", default="", metavar="NAME")
    parser.add_argument("--stand", default="", metavar="NAME")
    parser.add_argument("--run", default="", metavar="RUN", help="run id, file, or the beginning of a content hash")
    parser.add_argument("--from", dest="first_day", default="", metavar="DAY", help="first day, as in 2026-03-01")
    parser.add_argument("--until", dest="last_day", default="", metavar="DAY", help="last day")
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--simulated", action="store_true", default=None, help="only simulated runs")
    which.add_argument("--real", dest="simulated", action="store_false", help="only runs that are not simulated")
    parser.add_argument(
        "--state",
        action="append",
        default=[],
        choices=("closed", "not closed", "being recorded", "damaged"),
        help="only runs in this state; may be given again",
    )
    parser.add_argument(
        "--tag", action="append", default=[], metavar="TAG", help="only runs with this tag; all of them if several"
    )
    parser.add_argument(
        "--cache", metavar="FILE", help="keep the catalogue there (default: a hidden file in the folder)"
    )
