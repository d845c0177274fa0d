"""Commands around comparisons of firmware: ``compare``, ``plan``, ``history``."""

from __future__ import annotations

from benchkit.cli.common import add_json, add_page
from benchkit.cli.plan_options import WORDS, add_plan_options

TYPE_CHECKING = False
if TYPE_CHECKING:
    from argparse import ArgumentParser, Namespace


def compare_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("runs", nargs="+", metavar="RUN_A", help="runs of the firmware that was there before (A)")
    parser.add_argument(
        "--against", nargs="+", required=True, metavar="RUN_B", help="runs of the firmware in question (B)"
    )
    add_page(parser, "compare.html beside the first run")
    parser.add_argument("--margin", type=float, metavar="%", help="what still counts as equal, %% of the input power")
    _add_matters(parser)
    _add_rule(parser)
    parser.add_argument(
        "--divide", nargs=2, type=int, default=(3, 3), metavar=("N", "T"), help="regions along speed and torque (3 3)"
    )
    parser.add_argument(
        "--accept",
        action="append",
        default=[],
        metavar="NAME=REASON",
        help="accept a refused difference, with the reason",
    )
    add_json(parser)


def run_compare(args: Namespace) -> int:
    from benchkit.cli.compare import compare_runs

    return compare_runs(args)


def plan_arguments(parser: ArgumentParser) -> None:
    parser.add_argument(
        "runs",
        nargs="*",
        metavar="WHAT",
        help="a plan for a stand: map, sweep, heat, steps, blocks, endurance or ladder, and STAND; next STAND RUN..., "
        "the points that a map needs most; check STAND FILE; account JOURNAL, what a plan has had so far; or the plan "
        "of a comparison: runs that show the noise of the bench, one firmware",
    )
    parser.add_argument(
        "--against", nargs="+", default=[], metavar="RUN_B", help="runs of the other (or the same) firmware"
    )
    parser.add_argument(
        "--noise", type=float, metavar="%", help="without runs: how runs differ, %% of the input power (1 sd)"
    )
    parser.add_argument(
        "--scatter", type=float, default=0.02, metavar="%", help="with --noise: scatter of a region (0.02)"
    )
    parser.add_argument("--points", type=int, default=16, help="with --noise: set-points a run (16)")
    parser.add_argument("--power", type=float, default=0.8, metavar="P", help="wanted probability to show it (0.8)")
    parser.add_argument("--dwell", type=float, default=60.0, metavar="S", help="time at a set-point (60 s)")
    parser.add_argument("--warm-up", type=float, default=1200.0, metavar="S", help="thermal preconditioning (1200 s)")
    parser.add_argument("--out", help="the plan to write (KIND.toml; of a comparison plan.md)")
    add_plan_options(parser)
    _add_matters(parser)
    _add_rule(parser)
    add_json(parser)


def run_plan(args: Namespace) -> int:
    if args.runs and args.runs[0] == "account":
        from benchkit.cli.plan_account import tell_account

        return tell_account(args.runs[1:], as_json=args.json)
    if args.runs and args.runs[0] in WORDS:
        from benchkit.cli.plan_making import make_plan

        return make_plan(args)
    from benchkit.cli.compare import plan_runs

    return plan_runs(args)


def history_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("runs", nargs="+", metavar="RUN", help="runs of all revisions, three or more")
    parser.add_argument("--base", type=int, metavar="N", help="the first N runs make the limits (default: all)")
    add_page(parser, "history.html beside the first run")
    add_json(parser)


def run_history(args: Namespace) -> int:
    from benchkit.cli.compare import history_of_runs

    return history_of_runs(args)


def _add_matters(parser: ArgumentParser) -> None:
    parser.add_argument(
        "--matters",
        type=float,
        default=0.1,
        metavar="%",
        help="the difference that matters, %% of the input power (0.1)",
    )


def _add_rule(parser: ArgumentParser) -> None:
    parser.add_argument(
        "--many", choices=("holm", "bh", "none"), default="holm", help="rule for many regions: holm, bh or none (holm)"
    )
