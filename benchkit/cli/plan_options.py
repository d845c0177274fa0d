"""Options of ``benchkit plan`` for plans that a stand carries out."""

from __future__ import annotations

TYPE_CHECKING = False
if TYPE_CHECKING:
    from argparse import ArgumentParser

KINDS = ("map", "sweep", "heat", "steps", "blocks", "endurance", "ladder")
"""Plans that are made from a few numbers."""
WORDS = (*KINDS, "next", "check", "account")


def add_plan_options(parser: ArgumentParser) -> None:
    """All of them; which belong to which kind stands in their help."""
    add = parser.add_argument
    add("--speeds", metavar="LIST", help="rpm: 500,1000,1500 or 500:3000:500 (map, sweep, heat, steps, blocks)")
    add("--torques", metavar="LIST", help="N·m (map, heat, steps, blocks)")
    add("--mode", choices=("drive", "lead"), default="drive", help="who sets: the tool, or a person (drive)")
    add("--blocks", type=int, default=3, help="map: blocks that each go over the whole map (3)")
    add("--every", type=int, default=10, metavar="N", help="map: the reference point after so many points (10)")
    add("--seed", type=int, default=1, help="map: seed of the order (1)")
    add("--passes", type=int, default=1, metavar="N", help="sweep, steps: so many times (1)")
    add("--read", type=float, default=10.0, metavar="S", help="reading of a point after it has settled (10 s)")
    add("--longest", type=float, metavar="S", help="longest wait of a point (120 s; heat: 4 h)")
    add("--temperatures", metavar="NAME,NAME", help="heat: channels that must stand (default: winding and magnet)")
    add("--change", type=float, default=1.0, metavar="K", help="heat: so much change is standing (1 K)")
    add("--over", type=float, default=1800.0, metavar="S", help="heat: in so much time (1800 s)")
    add("--rise", type=float, metavar="K", help="heat: expected rise, for the check before the start")
    add("--tau", type=float, metavar="S", help="heat: slowest time constant, for the same")
    add("--cool-below", type=float, metavar="C", help="heat: then rest until the first temperature is below this")
    add("--hold", type=float, default=5.0, metavar="S", help="steps: time at each level (5 s)")
    add("--days", type=int, default=1, help="blocks: days of ABBA (1)")
    add("--phase", action="append", default=[], metavar="NAME=RPM,NM,S[,RATING]", help="endurance: one segment")
    add("--cycles", type=int, default=1, metavar="N", help="endurance: the segments so many times (1)")
    add("--approver", default="test lead", metavar="ROLE", help="ladder: who decides on each rung (test lead)")
    add(
        "--approval",
        action="append",
        default=[],
        metavar="ROLE",
        help="an approval that must be there before the start",
    )
    add("--wanted", type=float, metavar="%", help="next: how certain the efficiency map is to be")
    add("--count", type=int, default=8, metavar="N", help="next: points of the block (8)")
    add("--acknowledge", type=float, default=600.0, metavar="S", help="the operator acknowledges so often (600 s)")
    add("--within", type=float, default=60.0, metavar="S", help="and is waited for so long (60 s)")
