"""Command around heat runs: ``heat``."""

from __future__ import annotations

from benchkit.cli.common import add_json

TYPE_CHECKING = False
if TYPE_CHECKING:
    from argparse import ArgumentParser, Namespace


def heat_arguments(parser: ArgumentParser) -> None:
    parser.add_argument(
        "run", metavar="RUN_OR_FOLDER", help="a run that is being recorded, its folder, or a closed run"
    )
    parser.add_argument("--channel", default="winding_temp", help="the temperature that is told (default winding_temp)")
    parser.add_argument(
        "--steady",
        metavar="NAME,NAME",
        default="",
        help="temperatures that must all stand still (default: those of the profile, else the channel)",
    )
    parser.add_argument(
        "--every", type=float, default=60.0, metavar="S", help="how often it is told (60 s of the stand)"
    )
    parser.add_argument("--from", dest="start", type=float, metavar="S", help="the load began then [s of the stand]")
    parser.add_argument("--held", action="store_true", help="one load is held: do not use measured losses")
    parser.add_argument("--within", type=float, default=1.5, metavar="K", help="how well the end is wanted (1.5 K)")
    parser.add_argument("--profile-section", metavar="NAME", help="print [thermal_models.NAME], fitted to a closed run")
    add_json(parser)


def run_heat(args: Namespace) -> int:
    from benchkit.cli.heat import heat

    return heat(args)
