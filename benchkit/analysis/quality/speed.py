"""Checks of the speed: pulses seen twice or missed, steps of a coarse counter."""

from __future__ import annotations

import numpy as np

from benchkit.analysis.quality.look import Look
from benchkit.model.results import Finding
from benchkit.model.stand import Role

TURNING_RPM = 100.0
"""Below it a pulse more or less says nothing."""
PULSES = 5
"""So many odd readings before a word: a single one is a spike."""
COARSE_STEP = 5e-4
"""Step of the speed, as a share of it, from which the rounding is larger than the accuracy of a power analyser."""
MOST_ROWS = 100_000
"""Readings that are sorted to find the step."""


def pulses(look: Look) -> list[Finding]:
    """Single readings of twice or half the speed on either side: a pulse seen twice, or one missed."""
    n = look.values(Role.SPEED)
    if n.size < 3:
        return []
    before, here, after = n[:-2], n[1:-1], n[2:]
    level = 0.5 * (before + after)
    with np.errstate(invalid="ignore", divide="ignore"):
        calm = (np.abs(level) > TURNING_RPM) & (np.abs(after - before) < 0.2 * np.abs(level))
        ratio = np.where(calm, here / level, 1.0)
    findings = []
    for code, low, high, words in (
        ("pulses_doubled", 1.8, 2.2, "twice the speed: a pulse seen twice"),
        ("pulses_missed", 0.4, 0.6, "half the speed: a pulse missed"),
    ):
        rows = np.flatnonzero((ratio > low) & (ratio < high)) + 1
        if rows.size >= PULSES:
            share = rows.size / n.size
            text = f"{rows.size} readings ({share:.2%}) of {words}."
            where = (int(rows[0]), int(rows[-1]) + 1)
            findings.append(Finding("caution", code, text, look.name(Role.SPEED), *where, {"share": share}))
    return findings


def quantised(look: Look) -> list[Finding]:
    """Speed in coarse steps: of all speeds while turning, ramps too, no two are nearer than a step."""
    n = look.values(Role.SPEED)
    n = n[:: max(1, n.size // MOST_ROWS)]
    turning = np.abs(n[np.abs(n) > TURNING_RPM])
    different = np.unique(turning)  # NaN is not above anything
    if different.size < 2:
        return []
    step, level = float(np.diff(different).min()), float(np.median(turning))
    if step <= COARSE_STEP * level:
        return []
    text = f"The speed comes in steps of {step:.3g} rpm ({step / level:.2%} of the median)."
    return [Finding("caution", "speed_quantised", text, look.name(Role.SPEED), 0, len(look.stream), {"step_rpm": step})]
