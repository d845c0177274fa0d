"""Hundreds of simulated comparisons: how often a verdict is false, a difference found, a hidden change flagged.

Beside them, on the same runs, the naive way: each point of B against the nearest point of A, uncorrected, one t test a
region over the points.
"""

from __future__ import annotations

import json
import sys
from functools import cache

import numpy as np

from benchkit.analysis.compare.comparison import Comparison, Settings, compare
from benchkit.analysis.compare.planning import Noise, noise_of, order_of_days, promised_power
from benchkit.analysis.compare.statistics import paired
from benchkit.analysis.compare.verdict import Word
from benchkit.model.stand import Stand
from benchkit.profiles import load_stand, shared_path
from benchkit.simulate.pairs import Hidden, simulated_comparison

PLANTED = 0.002
MARGIN = 0.2
SETTINGS = Settings(margin=MARGIN, subjects=("drive",))
NULL_DAYS, PLANTED_DAYS, HIDDEN_DAYS = 3, 2, 1
CLAIMS = (Word.BETTER, Word.WORSE)


@cache
def stand() -> Stand:
    """The big motor on the load machine."""
    return load_stand(shared_path("stands", "airboat_map.toml")).stand


def one(seed: int, days: int, planted: float = 0.0, hidden: Hidden = Hidden.NOTHING) -> Comparison:
    """One simulated comparison, judged."""
    a, b = simulated_comparison(stand(), seed, days=days, planted=planted, hidden=hidden)
    return compare(a, b, SETTINGS)


def nearest_points(found: Comparison) -> list[bool]:
    """The naive way, region by region: does it claim a difference?"""
    a = [np.concatenate([getattr(run, name) for run in found.a]) for name in ("speed_rpm", "torque_nm", "input_w")]
    loss_a = np.concatenate([run.loss_w["drive"] for run in found.a]) / a[2]
    b = [np.concatenate([getattr(run, name) for run in found.b]) for name in ("speed_rpm", "torque_nm", "input_w")]
    loss_b = np.concatenate([run.loss_w["drive"] for run in found.b]) / b[2]
    spans = float(np.ptp(a[0])), float(np.ptp(a[1]))
    away = ((b[0][:, None] - a[0]) / spans[0]) ** 2 + ((b[1][:, None] - a[1]) / spans[1]) ** 2
    d = loss_b - loss_a[np.argmin(away, axis=1)]
    claims = []
    for r in found.points.regions:
        here = (
            (b[0] >= r.speed_low_rpm)
            & (b[0] < r.speed_high_rpm)
            & (b[1] >= r.torque_low_nm)
            & (b[1] < r.torque_high_nm)
        )
        claims.append(paired(np.zeros(int(here.sum())), d[here]).p_value < 0.05)
    return claims


def no_difference(seeds: range) -> dict[str, float]:
    """Shares in per cent of regions and of comparisons with a claim, and of regions called equivalent."""
    claims, naive, equal = [], [], []
    for seed in seeds:
        found = one(seed, NULL_DAYS)
        words = [v.word for v in found.losses[0].regions]
        claims.append([w in CLAIMS for w in words])
        equal.append([w is Word.EQUIVALENT for w in words])
        naive.append(nearest_points(found))
    return {
        "regions": 100.0 * float(np.mean(claims)),
        "comparisons": 100.0 * float(np.any(claims, axis=1).mean()),
        "naive_regions": 100.0 * float(np.mean(naive)),
        "naive_comparisons": 100.0 * float(np.any(naive, axis=1).mean()),
        "equivalent": 100.0 * float(np.mean(equal)),
    }


def noise(days: int = 40, seed: int = 90_001) -> Noise:
    """What a long record of the same bench shows of its noise."""
    return noise_of(one(seed, days))


def with_difference(seeds: range, seen: Noise) -> dict[str, float]:
    """Found and promised shares of regions in per cent, and of regions called equivalent at the edge of the margin."""
    found, equal = [], []
    for seed in seeds:
        regions = one(seed, PLANTED_DAYS, planted=PLANTED).losses[0].regions
        found.append([v.word is Word.WORSE for v in regions])
        equal.append([v.p_equivalent < 0.05 for v in regions])
    promised = promised_power(seen, order_of_days(PLANTED_DAYS), 100.0 * PLANTED)
    return {
        "found": 100.0 * float(np.mean(found)),
        "promised": 100.0 * float(promised.mean()),
        "equivalent_at_margin": 100.0 * float(np.mean(equal)),
    }


FLAGS = {
    Hidden.COOLANT: "coolant_inlet_temp",
    Hidden.BUS: "dc_voltage",
    Hidden.CALIBRATION: "calibration",
    Hidden.CALIBRATION_UNSAID: "torque_per_ampere",
    Hidden.ZERO: "torque_zero_drift",
}
"""What has to be flagged by name."""


def hidden_changes(seeds: range) -> dict[str, float]:
    """Shares in per cent of comparisons in which the change is flagged by its name, and of clean ones with a flag."""
    shares = {}
    for hidden, name in FLAGS.items():
        hits = [
            any(c.name == name and c.is_flagged for c in one(s, HIDDEN_DAYS, hidden=hidden).confounders) for s in seeds
        ]
        shares[hidden.value] = 100.0 * float(np.mean(hits))
    clean = [any(c.is_flagged for c in one(s, HIDDEN_DAYS).confounders) for s in seeds]
    return shares | {"clean": 100.0 * float(np.mean(clean))}


if __name__ == "__main__":
    count = int(sys.argv[1])
    parts = {
        "null": lambda: no_difference(range(count)),
        "planted": lambda: with_difference(range(10_000, 10_000 + count), noise()),
        "hidden": lambda: hidden_changes(range(20_000, 20_000 + count)),
    }
    for part in sys.argv[2:] or parts:
        print(json.dumps({part: parts[part]()}), flush=True)
