"""What ``compare``, ``plan`` and ``history`` do."""

from __future__ import annotations

import math
import sys
import time
from argparse import Namespace
from pathlib import Path

from benchkit.analysis.compare.comparison import Comparison, Settings, compare
from benchkit.analysis.compare.planning import Noise, assumed_noise, noise_of, plan
from benchkit.cli.common import print_json
from benchkit.cli.pages import page_of, write_page
from benchkit.errors import UsageError
from benchkit.report.gather_compare import gather_run, gather_sides
from benchkit.report.numbers import report_json
from benchkit.report.page import write_text
from benchkit.report.plan_text import plan_text
from benchkit.report.sections_compare import build_comparison, headline, marks
from benchkit.report.sections_history import build_history

REFUSED_EXIT = 4
"""Nothing can be said: the runs measured different things."""


def compare_runs(args: Namespace) -> int:
    """Compare, write the page, say the answer. Exit code 4 where no verdict is given."""
    began = time.monotonic()
    a, b = [Path(p) for p in args.runs], [Path(p) for p in args.against]
    page = page_of(args, a[0].with_name("compare.html"), [*a, *b])
    settings = Settings(
        divide=(args.divide[0], args.divide[1]),
        margin=math.nan if args.margin is None else args.margin,
        rule=args.many,
        matters=args.matters,
        accepted=_accepted(args.accept),
    )
    runs_a, runs_b, reports = gather_sides(a, b, _tell)
    _tell("comparing")
    found = compare(runs_a, runs_b, settings)
    model = build_comparison(found, reports)
    _tell("drawing")
    written = write_page(model, page)
    _tell(f"done in {time.monotonic() - began:.1f} s")
    if args.json:
        print_json(report_json(model))
    else:
        _print_answer(found, written)
    return REFUSED_EXIT if found.refused else 0


def _print_answer(found: Comparison, written: list[Path]) -> None:
    print(headline(found)[0])
    told = marks(found)
    if told:
        print(told)
    loss = found.losses[0]
    for region, verdict in zip(found.points.regions, loss.regions, strict=True):
        print(f"  {region.name:28} {verdict.text}")
    print(*written, sep="\n")


def plan_runs(args: Namespace) -> int:
    """Work out a plan and write it."""
    out = Path(args.out or "plan.md")
    points: list[tuple[float, float]] = []
    if args.runs and args.against:
        a, b, _ = gather_sides([Path(p) for p in args.runs], [Path(p) for p in args.against], _tell)
        found = compare(a, b, Settings(rule=args.many, matters=args.matters, subjects=("drive",)))
        noise: Noise = noise_of(found)
        points = list(zip(found.points.speed_rpm.tolist(), found.points.torque_nm.tolist(), strict=True))
    elif args.noise is not None:
        noise = assumed_noise(args.noise, args.scatter, 9)
    else:
        raise UsageError(
            "a plan needs the noise of the bench",
            remedy="Name runs of both sides (A --against B), or state it: --noise 0.05.",
        )
    count = len(points) or args.points
    made = plan(
        noise, args.matters, wanted=args.power, rule=args.many, points=count, dwell_s=args.dwell, warm_up_s=args.warm_up
    )
    write_text(out, plan_text(made, noise, points, dwell_s=args.dwell, warm_up_s=args.warm_up, count=count))
    if args.json:
        print_json(
            {
                "days": made.days,
                "runs": made.runs,
                "pattern": made.pattern,
                "points_factor": made.points_factor,
                "hours": made.hours,
                "power": made.power.tolist(),
                "mean_power": made.mean_power,
                "reached": made.reached,
            }
        )
    else:
        word = "" if made.reached else "NOT REACHED: "
        print(
            f"{word}{made.days} days of {made.pattern}, {made.runs} runs, {made.points_factor * count} points a run, "
            f"{made.hours:.1f} h: {made.difference:g} % of the input power is shown in a region with "
            f"{100.0 * made.mean_power:.0f} % probability"
        )
        print(out)
    return 0


def history_of_runs(args: Namespace) -> int:
    """Loss over the revisions, with control limits."""
    paths = [Path(p) for p in args.runs]
    page = page_of(args, paths[0].with_name("history.html"), paths)
    runs, reports = [], []
    for index, path in enumerate(paths):
        _tell(f"reading {index + 1} of {len(paths)}: {path.name}")
        data, report = gather_run(path, f"R{index + 1}")
        runs.append(data)
        reports.append(report)
    model = build_history(runs, reports, args.base)
    written = write_page(model, page)
    if args.json:
        print_json(report_json(model))
    else:
        print(*written, sep="\n")
    return 0


def _accepted(texts: list[str]) -> dict[str, str]:
    found = {}
    for text in texts:
        name, sign, reason = text.partition("=")
        if not sign:
            raise UsageError("a difference is accepted with a reason", got=text, expected="NAME=REASON")
        found[name.strip()] = reason.strip()
    return found


def _tell(text: str) -> None:
    """Progress, on standard error so that the answer alone goes down a pipe."""
    print(text, file=sys.stderr, flush=True)
