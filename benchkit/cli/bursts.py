"""``benchkit bursts``: which bursts a run has, and what they say."""

from __future__ import annotations

import math
from argparse import Namespace
from dataclasses import asdict
from pathlib import Path

from benchkit.cli.common import print_json
from benchkit.model.metrics import Metric


def bursts(args: Namespace) -> int:
    """Print every burst with its metrics, one after the other."""
    from benchkit.analysis.signals.burst_metrics import burst_metrics
    from benchkit.profiles import stand_from_json
    from benchkit.report.metric_words import shown, title_of
    from benchkit.report.numbers import show
    from benchkit.runfile.reader import open_run

    told = []
    with open_run(Path(args.run_file)) as run:
        stand = stand_from_json(run.header.profile_json)
        for burst in run.bursts():
            source = stand.bursts.get(burst.source)
            u_rate = source.u_rate if source is not None else 0.0
            metrics = burst_metrics(burst, pole_pairs=stand.motor.pole_pairs, u_rate=u_rate)
            record = burst.record
            if args.json:
                facts = {"source": burst.source, "number": burst.number, "reason": record.reason}
                facts |= {"trigger_s": burst.trigger_time_s, "u_trigger_s": record.u_trigger_ns * 1e-9}
                facts |= {"samples": len(burst), "missing": record.missing}
                facts["sample_rate_hz"] = record.sample_rate_hz
                told.append(facts | {"metrics": [_plain(metric) for metric in metrics]})
                continue
            gap = f"{record.missing} samples missing" if record.missing else "no sample missing"
            print(f"{burst.source} {burst.number}: {record.reason}")
            rate = f"{len(burst)} samples at {record.sample_rate_hz:g} Hz"
            print(f"  {rate}, {gap}; trigger at {burst.trigger_time_s:.4f} s")
            for metric in metrics:
                print(f"  {title_of(metric.name):36} {show(shown(metric))!s:>24}  {metric.region}")
        if args.json:
            print_json(told)
        elif not sum(run.burst_counts().values()):
            print(f"{run.path.name}: no bursts")
    return 0


def _plain(metric: Metric) -> dict[str, object]:
    fields = asdict(metric)
    return {key: None if isinstance(x, float) and math.isnan(x) else x for key, x in fields.items()}
