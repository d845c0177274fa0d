"""All that one burst says, by the roles of its channels; what a burst cannot say is left out.

Names: ``current_thd``, ``current_ripple_rms``, ``current_ripple_peak_to_peak``, ``electrical_frequency`` of one phase;
``dc_ripple_rms``, ``dc_ripple_peak_to_peak``, ``regeneration_peak``; ``torque_ripple``, ``torque_ripple_order_N``;
``torque_step_…``, ``speed_step_…``; ``switching_frequency``, ``dead_time``.

Source: of each formula in its own module (harmonics, orders, steps, switching); what belongs to which role is a rule of
this project.
"""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

import numpy as np
import numpy.typing as npt

from benchkit.analysis.signals import harmonics, orders, steps, switching
from benchkit.errors import UsageError
from benchkit.model.bursts import Burst, BurstRole
from benchkit.model.metrics import Metric

FloatArray = npt.NDArray[np.float64]

THD_ORDERS = 40
"""Harmonics that count for the distortion of a current, as IEC 61000-4-7 does."""
TORQUE_ORDERS = (6.0, 12.0)
"""Per electrical turn: the orders of a three-phase inverter; times the pole pairs they are orders of the shaft."""
LEAST_STEP = 0.1
"""A torque or speed whose state levels differ by less than this share of its largest value has no step."""
SWITCHED_OVER = 10.0
"""What switches moves by so many standard uncertainties of the zero of its channel; noise of the converter does not."""
STEP_NOISE = 8.0
"""… or by less than so many standard deviations of its scatter about either level."""


def burst_metrics(burst: Burst, *, pole_pairs: int, u_rate: float = 0.0) -> tuple[Metric, ...]:
    """Metrics of the longest stretch of a burst in which nothing is missing.

    Each metric says its unit. ``u_rate`` is the relative standard uncertainty of the sample clock [1].
    """
    start, stop = burst.whole()
    rate = burst.record.sample_rate_hz
    region = f"{burst.source} {burst.number}"
    metrics: list[Metric] = []
    turn: FloatArray | None = None
    for i in burst.indices(BurstRole.PHASE_CURRENT):
        found, angle = _current(burst, i, slice(start, stop), rate, u_rate, region)
        metrics += found
        turn = angle if turn is None else turn
    for i in burst.indices(BurstRole.DC_VOLTAGE):
        metrics += _dc(burst, i, slice(start, stop), rate, region)
    for i in burst.indices(BurstRole.TORQUE):
        metrics += _torque(burst, i, slice(start, stop), turn, pole_pairs, region)
        metrics += _step(burst, i, slice(start, stop), rate, "torque", region)
    for i in burst.indices(BurstRole.SPEED):
        metrics += _step(burst, i, slice(start, stop), rate, "speed", region)
    metrics += _switching(burst, slice(start, stop), rate, u_rate, region)
    return tuple(metrics)


def _current(
    burst: Burst, i: int, rows: slice, rate: float, u_rate: float, region: str
) -> tuple[list[Metric], FloatArray | None]:
    channel = burst.channels[i]
    region = f"{region}, phase {channel.leg or channel.name}"
    x = burst.values(i)[rows]
    try:
        tracked = harmonics.fundamental(x, rate)
        if not _is_fundamental(x, tracked, rate):
            return [], None
        f = tracked.frequency_hz
        band = min(THD_ORDERS * f, 0.45 * rate)
        thd = harmonics.thd(x, rate, band, tracked=tracked, region=region)
        ripples = harmonics.ripple(
            x,
            rate,
            unit=channel.unit,
            tracked=tracked,
            u_of_reading=channel.accuracy.of_reading,
            name="current_ripple",
            region=region,
        )
    except UsageError:
        return [], None
    t = np.arange(len(x)) / rate
    middle = 0.5 * (len(x) - 1) / rate
    angle = f * t + 0.5 * tracked.drift_hz_per_s * ((t - middle) ** 2 - middle**2)
    u = sqrt(tracked.u_frequency_hz**2 + (u_rate * f) ** 2)
    note = f"fitted over {tracked.periods:.4g} periods"
    return [thd, *ripples, Metric("electrical_frequency", f, u, "Hz", note, region)], angle


def _is_fundamental(x: FloatArray, tracked: harmonics.Fundamental, rate: float) -> bool:
    """True when the tone that was followed is most of what alternates: noise alone has no fundamental."""
    rest = x - x.mean()
    total = float(np.mean(rest * rest))
    found = harmonics.harmonics(x, rate, 2.5 * tracked.frequency_hz, tracked=tracked)
    return 0.5 * float(found.amplitudes[0]) ** 2 > 0.5 * total


def _dc(burst: Burst, i: int, rows: slice, rate: float, region: str) -> list[Metric]:
    channel = burst.channels[i]
    x = burst.values(i)[rows]
    found = harmonics.ripple(
        x,
        rate,
        unit=channel.unit,
        has_fundamental=False,
        u_of_reading=channel.accuracy.of_reading,
        name="dc_ripple",
        region=region,
    )
    peak = regeneration_peak(x, burst.time_s[rows], u_of_reading=channel.accuracy.of_reading, region=region)
    return [*found, *([peak] if peak is not None else [])]


def regeneration_peak(
    dc_voltage_v: FloatArray, time_s: FloatArray, *, u_of_reading: float = 0.0, region: str = ""
) -> Metric | None:
    """How far the DC link rises above its level before the trigger, V: ``regeneration_peak``; None without a level.

    The level is the mean of the samples before the trigger (``time_s`` < 0). The peak is that of single samples: noise
    makes it larger by about σ √(2 ln n), which is part of the uncertainty.
    """
    before = dc_voltage_v[time_s < 0.0]
    after = dc_voltage_v[time_s >= 0.0]
    if len(before) < 16 or len(after) < 16:
        return None
    level = float(before.mean())
    rise = float(after.max()) - level
    # noise of single samples alone: second differences leave the ripple out, as it is slow against the samples
    second = before[2:] - 2.0 * before[1:-1] + before[:-2]
    noise = float(np.median(np.abs(second))) / 0.6745 / sqrt(6.0)
    u = sqrt((u_of_reading * rise) ** 2 + noise**2 * 2.0 * np.log(len(after)) / 3.0)
    at = float(time_s[time_s >= 0.0][int(np.argmax(after))])
    return Metric(
        "regeneration_peak", rise, u, "V", f"above {level:.5g} V, {1e3 * at:.4g} ms after the trigger", region
    )


def _torque(burst: Burst, i: int, rows: slice, turn: FloatArray | None, pole_pairs: int, region: str) -> list[Metric]:
    """Ripple by order, in turns of the electrical angle: a burst is short, and the shaft may not even turn once."""
    if turn is None:
        return []
    x = burst.values(i)[rows]
    try:
        found = orders.torque_ripple(
            x, turn, TORQUE_ORDERS, u_of_reading=burst.channels[i].accuracy.of_reading, region=region
        )
    except UsageError:
        return []
    named = []
    for metric in found:
        prefix, _, order = metric.name.rpartition("_order_")
        if prefix:
            note = f"{metric.note}; order {order} of the electrical angle"
            named.append(replace(metric, name=f"{prefix}_order_{float(order) * pole_pairs:g}", note=note))
        else:
            named.append(metric)
    return named


def _step(burst: Burst, i: int, rows: slice, rate: float, name: str, region: str) -> list[Metric]:
    """Figures of a step where the record has one; a steady record has none, and says nothing."""
    channel = burst.channels[i]
    x = burst.values(i)[rows]
    try:
        levels = steps.state_levels(x)
    except UsageError:
        return []
    amplitude, middle = levels.high - levels.low, 0.5 * (levels.high + levels.low)
    low, high = x[x < middle], x[x >= middle]
    scatter = max(float(low.std()), float(high.std()))
    places = steps.crossings(x, middle, rising=True).size + steps.crossings(x, middle, rising=False).size
    is_large = amplitude >= LEAST_STEP * float(np.abs(x).max()) and amplitude > STEP_NOISE * scatter
    if not is_large or places > 3:
        return []
    try:
        found = steps.step(x, rate)
    except UsageError:
        return []
    return list(steps.step_metrics(found, name, channel.unit, u_of_reading=channel.accuracy.of_reading, region=region))


def _switching(burst: Burst, rows: slice, rate: float, u_rate: float, region: str) -> list[Metric]:
    metrics: list[Metric] = []
    for i in burst.indices(BurstRole.LEG_VOLTAGE):
        if not _moves(burst, i, rows):
            continue
        where = f"{region}, leg {burst.channels[i].leg}"
        metrics.append(switching.switching_frequency(burst.values(i)[rows], rate, u_rate=u_rate, region=where))
    for i in burst.indices(BurstRole.GATE_UPPER):
        leg = burst.channels[i].leg
        for j in burst.indices(BurstRole.GATE_LOWER, leg):
            if not (_moves(burst, i, rows) and _moves(burst, j, rows)):
                continue
            sides = (burst.values(i)[rows], burst.values(j)[rows])
            metrics.append(switching.dead_time(*sides, rate, region=f"{region}, leg {leg}"))
    return [metric for metric in metrics if metric.is_measured]


def _moves(burst: Burst, i: int, rows: slice) -> bool:
    return float(np.ptp(burst.values(i)[rows])) > SWITCHED_OVER * burst.channels[i].accuracy.constant
