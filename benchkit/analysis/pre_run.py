"""Checks before a run: temperatures that agree when cold, zeros at rest, and what the gates of the inverter do to the
measurement. Functions on arrays; each gives findings that name the channel, and none where all is well.

Expanded uncertainties are with k = 2. Where a rule is not from a standard it says so.

Sources: JCGM 100:2008 for uncertainties, NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.9, for the F test.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.tare import zero_of
from benchkit.model.results import Finding

FloatArray = npt.NDArray[np.float64]

K = 2.0
"""Coverage factor: about 95 % for a normal distribution (JCGM 100:2008, 6.2.2 and table G.1)."""
NOISY_RATIO = 2.0
"""Scatter on over scatter off from which a channel counts as noisy (our rule): neighbouring readings are alike, so that
the F-test alone would call every difference real."""
SIGNIFICANCE = 0.01
JUMP_K = 3.0
"""A mean that moves by more than so many standard uncertainties has jumped (our rule)."""


@dataclass(frozen=True, slots=True)
class Reading:
    """Mean of a channel with its standard uncertainty, that of its calibration included, in ``unit``."""

    value: float
    u: float
    unit: str


@dataclass(frozen=True, slots=True)
class NoiseRatio:
    """Scatter of a channel with the gates off and on."""

    s_off: float
    """Standard deviation of single readings, bench unit."""
    s_on: float
    ratio: float
    """``s_on / s_off``; infinite where nothing scattered before."""
    p: float
    """Of the F-test: how likely a ratio of variances at least this large is, if the gates change nothing."""
    step: float
    """Mean on minus mean off."""
    u_step: float


def reading_of(values: FloatArray, constant: float, of_reading: float, unit: str) -> Reading:
    """Mean of ``values`` (n,), n >= 2, with ``u² = u_mean² + constant² + (of_reading · mean)²`` (bench unit; a share).

    NaN in, NaN out.
    """
    zero = zero_of(values)
    return Reading(zero.mean, math.hypot(zero.u, constant, of_reading * zero.mean), unit)


def cold_soak(readings: Mapping[str, Reading]) -> tuple[Finding, ...]:
    """Which temperatures do not agree after a cold soak, when all of them show the same temperature.

    The rule: ``|T_i - T_ref| <= 2 sqrt(u_i² + u_ref²)`` with ``T_ref`` the mean of the others weighted by ``1/u²`` and
    ``u_ref² = 1 / sum(1/u²)``. The one furthest out is named and left out of the reference, then the rest is looked at
    again, until all agree. Two that disagree are both named. The form is that of the normalized error of
    interlaboratory comparisons (ISO/IEC 17043, from memory); its use on a cold soak is common practice, no source.
    """
    found = [
        Finding("caution", "cold_soak", "not measured: its agreement is not known", name)
        for name, one in readings.items()
        if not (math.isfinite(one.value) and one.u > 0.0)
    ]
    left = {name: one for name, one in readings.items() if math.isfinite(one.value) and one.u > 0.0}
    while len(left) > 1:
        errors = {name: _normalized_error(name, left) for name in left}
        worst = max(errors, key=lambda name: errors[name])
        if errors[worst] <= 1.0:
            break
        names = tuple(left) if len(left) == 2 else (worst,)
        for name in names:
            found.append(_apart(name, left))
        for name in names:
            del left[name]
    return tuple(found)


def _reference(name: str, readings: Mapping[str, Reading]) -> tuple[float, float]:
    others = [one for other, one in readings.items() if other != name]
    weights = np.array([one.u**-2 for one in others])
    values = np.array([one.value for one in others])
    return float((weights * values).sum() / weights.sum()), float(weights.sum() ** -0.5)


def _normalized_error(name: str, readings: Mapping[str, Reading]) -> float:
    reference, u = _reference(name, readings)
    return abs(readings[name].value - reference) / (K * math.hypot(readings[name].u, u))


def _apart(name: str, readings: Mapping[str, Reading]) -> Finding:
    reference, u = _reference(name, readings)
    one = readings[name]
    band = K * math.hypot(one.u, u)
    others = len(readings) - 1
    text = (
        f"{one.value:.4g} {one.unit} differs by {one.value - reference:+.3g} K from the {others} other(s), "
        f"{reference:.4g} {one.unit}; they agree within {band:.2g} K (k = 2)"
    )
    return Finding("caution", "cold_soak", text, name)


def zero_check(readings: Mapping[str, Reading]) -> tuple[Finding, ...]:
    """Which channels that should show zero at rest do not: ``|mean| > 2 u``. Common practice, no source."""
    found = []
    for name, one in readings.items():
        if not abs(one.value) <= K * one.u:  # NaN is not zero
            shown = "not measured" if math.isnan(one.value) else f"{one.value:+.4g} {one.unit}"
            text = (
                f"shows {shown} at rest, more than its {K * one.u:.2g} {one.unit} (k = 2). Tare it, or look for a load"
            )
            found.append(Finding("caution", "zero", text, name))
    return tuple(found)


def noise_ratio(off: FloatArray, on: FloatArray) -> NoiseRatio:
    """Scatter and mean of a channel with the gates off (n,) and on (m,), n and m at least 10, any unit, at zero torque.

    F-test of equal variances, one-sided: ``F = s_on² / s_off²`` with m - 1 and n - 1 degrees of freedom (NIST/SEMATECH
    e-Handbook of Statistical Methods, 1.3.5.9). It takes readings for independent. Uncertainties of the means by batch
    means, which need not.
    """
    from scipy.special import fdtrc

    s_off, s_on = float(np.std(off, ddof=1)), float(np.std(on, ddof=1))
    before, after = zero_of(off), zero_of(on)
    if s_off == 0.0:
        ratio, p = (math.inf, 0.0) if s_on > 0.0 else (1.0, 1.0)
    else:
        ratio = s_on / s_off
        p = float(fdtrc(on.size - 1, off.size - 1, ratio**2))
    return NoiseRatio(s_off, s_on, ratio, p, after.mean - before.mean, math.hypot(before.u, after.u))


def noise_findings(
    ratios: Mapping[str, NoiseRatio], units: Mapping[str, str], temperatures: frozenset[str]
) -> tuple[Finding, ...]:
    """Channels that scatter more with the gates on, and temperatures that jump when they go on.

    Noisy: scatter at least twice that with the gates off, and the F-test at 1 %. A temperature cannot jump: a mean that
    moves by more than three standard uncertainties and by more than the scatter is interference. Common practice, no
    source.
    """
    found = []
    for name, one in ratios.items():
        unit = units[name]
        if math.isnan(one.ratio) or math.isnan(one.step):
            found.append(Finding("caution", "gates_noise", "not measured in every row", name))
            continue
        if one.ratio >= NOISY_RATIO and one.p < SIGNIFICANCE:
            text = (
                f"scatters {one.ratio:.3g} times as much with the gates on: {one.s_on:.3g} {unit} against "
                f"{one.s_off:.3g} {unit} (F-test p = {one.p:.1g}). Look at shield, ground and filter"
            )
            found.append(Finding("caution", "gates_noise", text, name))
        if name in temperatures and abs(one.step) > max(JUMP_K * one.u_step, one.s_off):
            text = (
                f"jumps by {one.step:+.3g} K when the gates go on (u {one.u_step:.2g} K): a temperature cannot, "
                "this is interference"
            )
            found.append(Finding("caution", "gates_jump", text, name))
    return tuple(found)
