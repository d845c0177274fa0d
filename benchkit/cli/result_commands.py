"""Commands around results: ``analyse``, ``bursts``, ``report``, ``exclude``, ``dashboard``."""

from __future__ import annotations

from benchkit.cli.common import add_json, add_page

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
    add_page(parser, "beside the first run")
    _add_duty(parser)
    add_json(parser)


def run_report(args: Namespace) -> int:
    from benchkit.cli.results import report

    return report(args)


def exclude_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("run", metavar="RUN", help="a closed run; without more, what was excluded is listed")
    parser.add_argument("--point", type=int, metavar="N", help="the operating point that the report calls P N")
    parser.add_argument("--from", dest="start", type=float, metavar="S", help="seconds since the start of the run")
    parser.add_argument("--to", dest="stop", type=float, metavar="S")
    parser.add_argument("--take-back", type=int, metavar="N", help="number of an exclusion in the list")
    parser.add_argument("--reason", default="", help="why; it is kept with the exclusion")
    parser.add_argument("--who", default="", metavar="NAME", help="who says so")
    add_json(parser)


def run_exclude(args: Namespace) -> int:
    from benchkit.cli.excluding import run

    return run(args)


def _add_duty(parser: ArgumentParser) -> None:
    parser.add_argument(
        "--duty",
        metavar="FILE",
        help="loads for the maps (CSV: speed_rpm,torque_nm,time_s), or a mission with its battery (TOML)",
    )


def dashboard_arguments(parser: ArgumentParser) -> None:
    # as the dashboard itself takes them: a remainder that begins with an option would be refused here
    parser.add_argument("run", nargs="?", metavar="RUN.h5", help="open a recorded run")
    parser.add_argument(
        "--attach",
        metavar="FILE.live.json",
        help="attach to the recorder this file announces, or a pass leads to; a folder: to its newest",
    )
    parser.add_argument("--edit", metavar="STAND.toml", help="edit a stand profile")
    parser.add_argument("--runs", metavar="DIR", help="choose from the runs in a folder (default: .)")
    parser.add_argument("--scale", metavar="PERCENT", help="size of all that is drawn: 100, 125, 150, 175 or 200")


def run_dashboard(args: Namespace) -> int:
    # a process of its own: the dashboard is another package, and benchkit does not know it
    import subprocess
    import sys

    given = [
        word
        for name in ("attach", "runs", "edit", "scale")
        if (value := getattr(args, name))
        for word in (f"--{name}", value)
    ]
    return subprocess.call([sys.executable, "-m", "gui", *([args.run] if args.run else []), *given])
