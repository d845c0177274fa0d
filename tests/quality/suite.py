"""Counts of the suite: how many of the injected faults are found, and what clean runs raise."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from benchkit.analysis.quality import DETECTORS
from benchkit.model.results import Finding
from tests.quality.faults import FAULTS, Fault
from tests.quality.runs import clean_run

LOUD = frozenset({"error", "caution"})
FIRST_CLEAN_SEED = 10_000
"""Clean runs have seeds of their own, which no fault uses."""


@dataclass(frozen=True)
class Score:
    """``found`` of ``seeds`` faults raised their code; ``severities`` of those that did; ``missed`` are the seeds."""

    fault: Fault
    found: int
    seeds: int
    severities: tuple[str, ...]
    missed: tuple[int, ...]


@dataclass(frozen=True)
class Clean:
    """Findings in clean runs by code."""

    runs: int
    errors: Counter[str]
    cautions: Counter[str]


def score(fault: Fault, seeds: int, first: int = 1) -> Score:
    """Put the fault into ``seeds`` runs of their own seeds and look for its code at caution or error."""
    severities: list[str] = []
    missed = []
    for seed in range(first, first + seeds):
        rng = np.random.default_rng([seed, 99])
        run = fault.inject(clean_run(seed, fault.wish), rng)
        words = fault.says(run) if fault.says is not None else ""
        hits = [f for f in run.findings() if f.code == fault.code and f.severity in LOUD and words in f.message]
        if hits:
            severities.append(hits[0].severity)
        else:
            missed.append(seed)
    return Score(fault, len(severities), seeds, tuple(sorted(set(severities))), tuple(missed))


def clean(runs: int, first: int = FIRST_CLEAN_SEED, each: Callable[[int, Finding], None] | None = None) -> Clean:
    """Errors and cautions in ``runs`` clean runs, each code counted once a run."""
    errors: Counter[str] = Counter()
    cautions: Counter[str] = Counter()
    for seed in range(first, first + runs):
        found = clean_run(seed).findings()
        for finding in found:
            if each is not None and finding.severity in LOUD:
                each(seed, finding)
        errors.update({f.code for f in found if f.severity == "error"})
        cautions.update({f.code for f in found if f.severity == "caution"})
    return Clean(runs, errors, cautions)


def table(scores: Iterable[Score], clean_runs: Clean) -> str:
    """The table of docs/reference/data-quality.md, as Markdown."""
    scores = list(scores)
    seeds = scores[0].seeds if scores else 0
    lines = [
        f"| code | what it sees | injected | found of {seeds} | false in {clean_runs.runs} clean runs | severity "
        "| could run live | what to do |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for row in scores:
        code = row.fault.code
        words = DETECTORS[code]
        false = clean_runs.errors[code] + clean_runs.cautions[code]
        lines.append(
            f"| `{code}` | {words.sees} | {row.fault.size} | {row.found} | {false} | {', '.join(row.severities)} "
            f"| {'yes' if words.live else 'no'} | {words.action} |"
        )
    others = sorted((set(clean_runs.errors) | set(clean_runs.cautions)) - {row.fault.code for row in scores})
    total = sum(clean_runs.errors.values())
    lines += ["", f"False errors in all clean runs: {total}. False cautions: {sum(clean_runs.cautions.values())}."]
    if others:
        lines += ["", f"Of codes without a fault in this suite: {', '.join(others)}."]
    return "\n".join(lines) + "\n"


def scores(seeds: int, first: int = 1) -> list[Score]:
    """All faults."""
    return [score(fault, seeds, first) for fault in FAULTS]
