"""``python -m tests.bench [--only NAME] [--json]``: measure every figure, one line each, in some seven minutes.

With ``--only`` a figure is taken of its whole sample; without it the longest are taken of smaller ones, against the
same goals. How much smaller is said where the figure is taken, and in docs/performance.md.

A measurement takes its reference beside it in the same run and prints the ratio. No test asserts on these times.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import asdict

from benchkit.cli.threads import use_one_thread

use_one_thread()  # as in the programs themselves; before numpy is loaded

from tests.bench import (  # noqa: E402
    adaptive_map,
    burst_capture,
    campaign_speed,
    catalogue,
    compare,
    coverage,
    csv_speed,
    decode_speed,
    derived_channels,
    detectors,
    export_speed,
    limits_cost,
    live_path,
    live_screen,
    live_words,
    maps,
    memory_path,
    monte_carlo,
    plans,
    polled_rate,
    reaction,
    reaction_cpu,
    recorded_view,
    recovery,
    scenarios,
    starts,
    steady_speed,
    thermal_limits,
    transfer,
    trend_frames,
    wrong_rows,
)
from tests.bench.figure import Figure, Measure  # noqa: E402

MEASURES: dict[str, tuple[Measure, tuple[str, ...]] | tuple[Measure, tuple[str, ...], Measure]] = {
    "starts": (starts.measure, starts.NAMES),
    "memory path": (memory_path.measure, memory_path.NAMES),
    "live path": (live_path.measure, live_path.NAMES),
    "limits": (limits_cost.measure, limits_cost.NAMES),
    "reaction": (reaction.measure_short, reaction.NAMES, reaction.measure),
    "reaction, processor": (reaction_cpu.measure, reaction_cpu.NAMES),
    "bursts": (burst_capture.measure_short, burst_capture.NAMES, burst_capture.measure),
    "coverage": (coverage.measure_short, coverage.NAMES, coverage.measure),
    "Monte Carlo": (monte_carlo.measure, monte_carlo.NAMES),
    "maps": (maps.measure_short, maps.NAMES, maps.measure),
    "adaptive map": (adaptive_map.measure_short, adaptive_map.NAMES, adaptive_map.measure),
    "recovery": (recovery.measure, recovery.NAMES),
    "decoders": (decode_speed.measure, decode_speed.NAMES),
    "derived channels": (derived_channels.measure, derived_channels.NAMES),
    "detectors": (detectors.measure, detectors.NAMES),
    "plans": (plans.measure, plans.NAMES),
    "polled instruments": (polled_rate.measure, polled_rate.NAMES),
    "CSV import": (csv_speed.measure_short, csv_speed.NAMES, csv_speed.measure),
    "export": (export_speed.measure_short, export_speed.NAMES, export_speed.measure),
    "scenarios": (scenarios.measure_short, scenarios.NAMES, scenarios.measure),
    "steady points and analysis": (steady_speed.measure_short, steady_speed.NAMES, steady_speed.measure),
    "recorded view": (recorded_view.measure_short, recorded_view.NAMES, recorded_view.measure),
    "words on the screen": (live_words.measure, live_words.NAMES),
    "live screen": (live_screen.measure_short, live_screen.NAMES, live_screen.measure),
    "trend frames": (trend_frames.measure, trend_frames.NAMES),
    "transfer and heat": (transfer.measure_short, transfer.NAMES, transfer.measure),
    "comparison": (compare.measure_short, compare.NAMES, compare.measure),
    "thermal limits": (thermal_limits.measure_short, thermal_limits.NAMES, thermal_limits.measure),
    "catalogue": (catalogue.measure, catalogue.NAMES),
    "campaign": (campaign_speed.measure_short, campaign_speed.NAMES, campaign_speed.measure),
    "wrong rows": (wrong_rows.measure_short, wrong_rows.NAMES, wrong_rows.measure),
}
"""Measurement -> function, the names of the figures it gives, and where there is one its long form for ``--only``."""


def main() -> int:
    parser = argparse.ArgumentParser(prog="run.py bench", description=__doc__)
    names = [name for _, figures, *_ in MEASURES.values() for name in figures]
    parser.add_argument("--only", metavar="NAME", choices=names, help=f"one figure: {', '.join(names)}")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    found: list[Figure] = []
    for short, figures, *long in MEASURES.values():
        if args.only and args.only not in figures:
            continue
        measure = long[0] if args.only and long else short
        began = time.monotonic()
        for figure in measure():
            if args.only and figure.name != args.only:
                continue
            found.append(figure)
            if not args.json:
                print(figure.line(), flush=True)
        print(f"{figures[0]} …: {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
    if args.json:
        print(json.dumps([asdict(figure) for figure in found], indent=2))
    return 1 if any(figure.holds is False for figure in found) else 0


if __name__ == "__main__":
    sys.exit(main())
