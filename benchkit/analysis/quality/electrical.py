"""Checks of what the electrical means hide: ripple, windows that cut a period, low power factor.

Lines are looked for in the spectrum of each steady point. A line at a multiple of the electrical frequency, folded at
half the sample rate, is a window of the instrument that cuts a period; any other line that rotation does not explain
is ripple that the sample rate folds down.

Source: sampling theorem (a frequency folds at multiples of half the rate); thresholds are rules of this project.
"""

from __future__ import annotations

import math

from benchkit.analysis.quality.look import STANDS_STILL_RPM, Look, point_words
from benchkit.analysis.quality.spectrum import Line, folded
from benchkit.model.results import Finding, OperatingPoint
from benchkit.model.stand import Role

LINE_SHARE = 0.001
"""Smallest amplitude of a line, as a share of the mean, that is worth a word: the accuracy of a power analyser."""
CLOCKS_PPM = 250.0
"""By how much the switching clock and that of the instrument may be apart, together."""
LOW_POWER_FACTOR = 0.3
"""Below it a phase error of 1 mrad, usual for current clamps (common practice, no source), is 0.3 % of the power."""
_ELECTRICAL = (Role.DC_VOLTAGE, Role.DC_CURRENT, Role.AC_POWER, Role.PHASE_CURRENT)


def lines(look: Look) -> list[Finding]:
    """Lines in electrical channels, by what they come from; the strongest of each channel and cause."""
    found: dict[tuple[str, str], tuple[float, Finding]] = {}
    for point in look.points:
        speed = look.mean(point, Role.SPEED)
        if speed is None or abs(speed.value) < STANDS_STILL_RPM:
            continue
        for role in _ELECTRICAL:
            mean = look.mean(point, role)
            if mean is None or not look.has(role):
                continue
            line = look.facts(point).lines.get(role)
            least = LINE_SHARE * max(abs(mean.value), 0.2 * look.channel(role).high)
            if line is None or line.amplitude < least:
                continue
            code, words = _cause(look, line, abs(speed.value))
            if not code:
                continue
            share = line.amplitude / abs(mean.value)
            text = f"{point_words(point)}: a line of {share:.2%} of the mean at {line.frequency_hz:.3g} Hz: {words}."
            numbers = {"frequency_hz": line.frequency_hz, "amplitude": line.amplitude, "share": share}
            name = look.name(role)
            finding = Finding("caution", code, text, name, point.row_start, point.row_stop, numbers)
            if share > found.get((code, name), (0.0, finding))[0]:
                found[code, name] = (share, finding)
    return [finding for _, finding in found.values()]


def _cause(look: Look, line: Line, speed_rpm: float) -> tuple[str, str]:
    rate = 1.0 / look.interval_s
    turns = speed_rpm / 60.0
    electrical = look.stand.motor.pole_pairs * turns
    # speed moves a little within a point: its multiples are that much wider
    for multiple in (1, 2, 6):
        if abs(line.frequency_hz - folded(multiple * electrical, rate)) <= 2.0 * line.width_hz + multiple * 0.02:
            return "window_not_whole_periods", f"{multiple} times the electrical frequency, folded"
    switching = look.stand.inverter.switching_frequency_hz
    if abs(line.frequency_hz - folded(switching, rate)) <= CLOCKS_PPM * 1e-6 * switching + line.width_hz:
        return "aliased_ripple", f"the switching frequency of {switching / 1e3:g} kHz folded at {rate:.4g} samples/s"
    blades = look.stand.propeller.blades if look.stand.propeller is not None else 1
    for multiple in (1, 2, blades):
        if abs(line.frequency_hz - folded(multiple * turns, rate)) <= 2.0 * line.width_hz + multiple * 0.02:
            return "", "rotation"
    return "aliased_ripple", "no multiple of rotation or electrical frequency; ripple folded by the sample rate"


def product_of_means(look: Look) -> list[Finding]:
    """Power of the ripple that the product of mean voltage and mean current leaves out."""
    worst: tuple[float, Finding] | None = None
    for balance in look.balances:
        point, power = balance.point, balance.dc_power_w
        if not power.is_measured or abs(power.value) < 1.0:
            continue
        left_out = look.facts(point).covariance_w
        # what the calibrations leave open: the scatter of the means is the ripple itself
        u = math.hypot(*(_relative(look, point, r) for r in (Role.DC_VOLTAGE, Role.DC_CURRENT))) * abs(power.value)
        if math.isnan(left_out) or abs(left_out) <= u:
            continue
        share = left_out / power.value
        text = (
            f"{point_words(point)}: voltage and current ripple together; the product of their means misses "
            f"{left_out:+.3g} W ({share:+.2%}), more than the {u:.2g} W (k = 1) of the calibrations."
        )
        numbers = {"left_out_w": left_out, "share": share}
        name = look.name(Role.DC_CURRENT)
        finding = Finding("caution", "product_of_means", text, name, point.row_start, point.row_stop, numbers)
        if worst is None or abs(share) > worst[0]:
            worst = (abs(share), finding)
    return [] if worst is None else [worst[1]]


def _relative(look: Look, point: OperatingPoint, role: Role) -> float:
    """Standard uncertainty of the calibration of a role at a point, relative."""
    mean = look.mean(point, role)
    if mean is None or mean.value == 0.0:
        return math.nan
    return look.channel(role).calibration.accuracy.standard_uncertainty(mean.value) / abs(mean.value)


def low_power_factor(look: Look) -> list[Finding]:
    """Active power that is a small part of the apparent power: its phase error weighs."""
    lowest: tuple[float, Finding] | None = None
    for point in look.points:
        u, i, p = (look.mean(point, r) for r in (Role.PHASE_VOLTAGE, Role.PHASE_CURRENT, Role.AC_POWER))
        if u is None or i is None or p is None or i.value < 0.05 * look.stand.motor.rated_current_a:
            continue
        apparent = 3.0 * u.value * i.value
        factor = abs(p.value) / apparent if apparent > 0.0 else math.nan
        if factor < LOW_POWER_FACTOR:
            text = (
                f"{point_words(point)}: power factor {factor:.3f}; a phase error of 1 mrad is "
                f"{1e-3 * math.sqrt(1.0 - factor**2) / max(factor, 1e-6):.2%} of the power."
            )
            name = look.name(Role.AC_POWER)
            numbers = {"power_factor": factor}
            finding = Finding("caution", "low_power_factor", text, name, point.row_start, point.row_stop, numbers)
            if lowest is None or factor < lowest[0]:
                lowest = (factor, finding)
    return [] if lowest is None else [lowest[1]]
