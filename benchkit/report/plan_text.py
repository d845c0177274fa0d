"""A plan of a comparison as text that a person at the stand can follow and tick off."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from benchkit.analysis.compare.planning import Noise, Plan, order_of_days
from benchkit.model.cautions import ONE_LINE


def plan_text(
    plan: Plan,
    noise: Noise,
    points: Sequence[tuple[float, float]] = (),
    *,
    dwell_s: float,
    warm_up_s: float,
    count: int,
) -> str:
    """The plan in Markdown: what it promises, the bench, one list a run, what to do when something goes wrong.

    ``points`` are speeds [rpm] and torques [N·m]; where they are not known the sheet leaves room for them.
    """
    order = order_of_days(plan.days, plan.pattern)
    letters = ["B" if b else "A" for b in order.is_b.tolist()]
    visits = _sweep(points) * plan.points_factor
    minutes = (warm_up_s + (count * plan.points_factor + 2) * dwell_s) / 60.0
    power = f"{100.0 * plan.mean_power:.0f} %"
    promise = f"{plan.difference:g} % of the input power is shown in a region of the map with {power} probability"
    lines = [
        "# Plan of a comparison",
        "",
        f"**Promise**: {promise} (wanted {100.0 * plan.wanted:.0f} %; by region "
        f"{100.0 * plan.power.min():.0f} … {100.0 * plan.power.max():.0f} %), if the noise stays what it was.",
        "",
        *(
            []
            if plan.reached
            else [
                f"**Not reached**: even {plan.days} days do not suffice. Make the bench quieter first.",
                "",
            ]
        ),
        "| | |",
        "|---|---|",
        f"| days, runs | {plan.days} days of four runs, {plan.runs} runs |",
        f"| order | {' / '.join(''.join(letters[4 * d : 4 * d + 4]) for d in range(plan.days))} |",
        f"| points a run | {count * plan.points_factor} and the reference point twice |",
        f"| time | about {minutes:.0f} min a run, {plan.runs * minutes / 60.0:.1f} h in all |",
        f"| noise assumed | run to run {_range(noise.run)} %, points {_range(noise.point)} % of the input power (1 sd"
        + (f", known with {noise.dof:.0f} degrees of freedom) |" if math.isfinite(noise.dof) else ", stated) |"),
        f"| reference point | {_reference(points)} |",
        f"| rule for many regions | {plan.rule} |",
        "",
        f"{ONE_LINE}",
        "",
        "## Before the first day",
        "",
        "- [ ] Same inverter, same motor, same couplings for all runs; nothing is taken off between them.",
        "- [ ] No calibration between the first and the last run. If one is due, do it before.",
        "- [ ] Same limits and same profile for both firmwares; only revision and hash differ.",
        "- [ ] Coolant and bus voltage set to one value; write them here: ______ °C, ______ V.",
        "- [ ] Hashes of the firmware files, A: ____________________, B: ____________________",
        "",
        "## Every run",
        "",
        "1. Flash the firmware of the list; read its hash back.",
        "2. At rest: tare in every run or in none; let the recorder see ten seconds of rest.",
        f"3. **Precondition**: hold the reference point for {warm_up_s / 60.0:.0f} min, or until the winding moves "
        "less than 1 K in 10 min, the longer of the two.",
        f"4. **Reference point** for {dwell_s:.0f} s.",
        f"5. The points in the order of the sheet, {dwell_s:.0f} s each, in every run alike.",
        f"6. **Reference point** again for {dwell_s:.0f} s.",
        "7. Stop; ten seconds of rest before the recorder is closed.",
        "",
        "A run that tripped or was interrupted is repeated whole, in its place. Note why.",
        "",
        "## Sheet of points",
        "",
        "| no | speed rpm | torque N·m |",
        "|---|---|---|",
        *(
            [f"| {k + 1} | {n:.0f} | {t:.1f} |" for k, (n, t) in enumerate(visits)]
            or [f"| {k + 1} |  |  |" for k in range(count * plan.points_factor)]
        ),
    ]
    for day in range(plan.days):
        lines += ["", f"## Day {day + 1}", ""]
        for k in range(4):
            lines.append(
                f"- [ ] run {4 * day + k + 1}: firmware **{letters[4 * day + k]}**   file ____________________   note"
            )
    lines += ["", "Then: `benchkit compare A-RUNS --against B-RUNS`", ""]
    return "\n".join(lines)


def _reference(points: Sequence[tuple[float, float]]) -> str:
    """The point nearest to the middle of the map: a load that the bench holds long without harm."""
    if not points:
        return "____ rpm, ____ N·m"
    middle = [0.5 * (min(v) + max(v)) for v in zip(*points, strict=True)]
    spans = [(max(v) - min(v)) or 1.0 for v in zip(*points, strict=True)]
    n, t = min(points, key=lambda p: sum(((x - m) / s) ** 2 for x, m, s in zip(p, middle, spans, strict=True)))
    return f"{n:.0f} rpm, {t:.1f} N·m"


def _sweep(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Speeds rising, torques up and down in turns: no jump is larger than it must be."""
    rows: list[list[tuple[float, float]]] = []
    for n, t in sorted(points):
        if rows and abs(rows[-1][-1][0] - n) <= 0.01 * abs(n) + 1.0:
            rows[-1].append((n, t))
        else:
            rows.append([(n, t)])
    found: list[tuple[float, float]] = []
    for k, row in enumerate(rows):
        found += sorted(row, key=lambda p: p[1], reverse=bool(k % 2))
    return found


def _range(values: Iterable[float]) -> str:
    numbers = [float(v) for v in values]
    low, high = min(numbers), max(numbers)
    return f"{low:.2g}" if high - low < 1e-9 else f"{low:.2g} … {high:.2g}"
