"""Commands around results: ``analyse``, ``bursts``, ``report``, ``dashboard``."""

from __future__ import annotations

from argparse import REMAINDER

from benchkit.cli.common import add_json

TYPE_CHECKING = False
if TYPE_CHECKING:
    from argparse import ArgumentParser, Namespace


def analyse_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("runs", nargs="+", metavar="RUN")
    _add_duty(parser)
    add_json(parser)


def run_analyse(args: Namespace) -> int:
    from benchkit.cli.results import analyse

    return analyse(args)


def bursts_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("run_file", metavar="RUN")
    add_json(parser)


def run_bursts(args: Namespace) -> int:
    from benchkit.cli.bursts import bursts

    return bursts(args)


def report_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("runs", nargs="+", metavar="RUN")
    parser.add_argument("--out", help="the page to write (default: beside the first run)")
    _add_duty(parser)
    add_json(parser)


def run_report(args: Namespace) -> int:
    from benchkit.cli.results import report

    return report(args)


def _add_duty(parser: ArgumentParser) -> None:
    parser.add_argument("--duty", metavar="CSV", help="loads to put over the maps: speed_rpm,torque_nm,time_s")


def dashboard_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("arguments", nargs=REMAINDER, metavar="...", help="a run file, --attach FILE or --runs DIR")


def run_dashboard(args: Namespace) -> int:
    # a process of its own: the dashboard is another package, and benchkit does not know it
    import subprocess
    import sys

    return subprocess.call([sys.executable, "-m", "gui", *args.arguments])
