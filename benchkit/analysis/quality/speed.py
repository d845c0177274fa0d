"""Checks of the speed: pulses seen twice or missed, steps of a coarse counter."""

from __future__ import annotations

import numpy as np

from benchkit.analysis.quality.look import Look
from benchkit.analysis.quality.row_facts import DOUBLED, MISSED
from benchkit.model.results import Finding
from benchkit.model.stand import Role

PULSES = 5
"""So many odd readings before a word: a single one is a spike."""
COARSE_STEP = 5e-4
"""Step of the speed, as a share of it, from which the rounding is larger than the accuracy of a power analyser."""


def pulses(look: Look) -> list[Finding]:
    """Single readings of twice or half the speed on either side: a pulse seen twice, or one missed."""
    findings = []
    for code, words in ((DOUBLED, "twice the speed: a pulse seen twice"), (MISSED, "half the speed: a pulse missed")):
        odd = look.rows.odd_speeds.get(code)
        if odd is not None and odd.count >= PULSES:
            share = odd.count / len(look.stream)
            text = f"{odd.count} readings ({share:.2%}) of {words}."
            where = (odd.first, odd.last + 1)
            findings.append(Finding("caution", code, text, look.name(Role.SPEED), *where, {"share": share}))
    return findings


def quantised(look: Look) -> list[Finding]:
    """Speed in coarse steps: of all speeds while turning, ramps too, no two are nearer than a step."""
    turning = look.rows.turning_rpm
    different = np.unique(turning)
    if different.size < 2:
        return []
    step, level = float(np.diff(different).min()), float(np.median(turning))
    if step <= COARSE_STEP * level:
        return []
    text = f"The speed comes in steps of {step:.3g} rpm ({step / level:.2%} of the median)."
    return [Finding("caution", "speed_quantised", text, look.name(Role.SPEED), 0, len(look.stream), {"step_rpm": step})]
