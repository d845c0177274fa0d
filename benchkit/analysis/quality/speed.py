"""Checks of the speed: pulses seen twice or missed, steps of a coarse counter."""

from __future__ import annotations

import numpy as np

from benchkit.analysis.quality.look import Look, point_words
from benchkit.model.results import Finding
from benchkit.model.stand import Role

TURNING_RPM = 100.0
"""Below it a pulse more or less says nothing."""
PULSES = 5
"""So many odd readings before a word: a single one is a spike."""
COARSE_STEP = 5e-4
"""Step of the speed, as a share of it, from which the rounding is larger than the accuracy of a power analyser."""
_FEW_VALUES = 12


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
    """Speed in coarse steps: few different values in a steady point, far apart."""
    for point in look.points:
        mean = look.mean(point, Role.SPEED)
        if mean is None or abs(mean.value) < TURNING_RPM:
            continue
        values = look.values(Role.SPEED, look.window(point))
        different = np.unique(values[~np.isnan(values)])
        if not 2 <= different.size <= _FEW_VALUES:
            continue
        step = float(np.diff(different).min())
        if step > COARSE_STEP * abs(mean.value):
            text = f"{point_words(point)}: the speed comes in steps of {step:.3g} rpm ({step / abs(mean.value):.2%})."
            rows = (point.row_start, point.row_stop)
            return [Finding("caution", "speed_quantised", text, look.name(Role.SPEED), *rows, {"step_rpm": step})]
    return []
