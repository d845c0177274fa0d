"""What is wrong, or odd, with the data of a run: open flags with their evidence. Nothing is mended here.

Checks are plain functions in two lists: :data:`STREAM_CHECKS` look at the samples of one stream,
:data:`RESULT_CHECKS` at results. A new check is a function and one line in its list.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date

import numpy as np
import numpy.typing as npt

from benchkit.analysis.air import in_range
from benchkit.model.results import Estimate, Finding, OperatingPoint, PowerBalance, StaticThrust
from benchkit.model.sources import counter_modulus_of
from benchkit.model.stand import Role, Stand
from benchkit.model.stream import Stream, StreamRows

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

FROZEN_S = 5.0
"""A channel that repeats one value for so long, while it changes elsewhere, is called frozen."""
_FROZEN_TIMES = 50.0  # ... and so many times longer than it usually repeats one
_FROZEN_CHANGES = 20  # ... and only a channel that changes so often can freeze
_GAP_INTERVALS = 5.0
_SATURATED_ROWS = 5
RANGE_MARGIN = 0.005
"""Share of its span by which a channel may leave its range unremarked."""


# ------------------------------------------------------------------------------------------------ streams
def check_time(_stand: Stand, stream: Stream) -> list[Finding]:
    """Sample time that stands still or goes back."""
    step = np.diff(stream.time_s)
    findings = []
    for code, severity, rows, text in (
        ("time_backward", "error", np.flatnonzero(step < 0.0), "Sample time goes back"),
        ("time_repeated", "caution", np.flatnonzero(step == 0.0), "Sample time repeats"),
    ):
        if rows.size:
            where = f"{text} {_times(rows.size)}, first at {stream.time_s[rows[0]]:.3f} s."
            findings.append(Finding(severity, code, where, "", int(rows[0]), int(rows[-1]) + 2))
    return findings


def check_gaps(stand: Stand, stream: Stream) -> list[Finding]:
    """Rows that the counter says are missing or doubled; without a counter, intervals five times the usual one."""
    source = stand.sources.get(stream.source)
    modulus = counter_modulus_of(source) if source is not None and bool(np.all(stream.counter >= 0)) else None
    if len(stream) < 3:
        return []
    if modulus is not None:
        step = np.diff(stream.counter) % modulus
        lost, twice = np.flatnonzero(step > 1), np.flatnonzero(step == 0)
        findings = []
        if lost.size:
            missing = int(np.sum(step[lost] - 1))
            share = missing / (missing + len(stream))
            text = f"{missing} rows are missing ({share:.2%}), in {_places(lost.size)}."
            severity = "caution" if share > 1e-3 else "note"
            findings.append(Finding(severity, "rows_missing", text, "", int(lost[0]), int(lost[-1]) + 2))
        if twice.size:
            text = f"{twice.size} rows repeat the counter of the row before."
            findings.append(Finding("caution", "rows_repeated", text, "", int(twice[0]), int(twice[-1]) + 2))
        return findings
    interval = np.diff(stream.time_s)
    usual = float(np.median(interval))
    wide = np.flatnonzero(interval > _GAP_INTERVALS * usual)
    if not wide.size:
        return []
    longest = float(interval[wide].max())
    text = f"{_places(wide.size)} without samples, the longest {longest:.3g} s; usual is {usual:.3g} s."
    return [Finding("caution", "time_gap", text, "", int(wide[0]), int(wide[-1]) + 2)]


def check_missing(stand: Stand, stream: Stream) -> list[Finding]:
    """Share of samples of each channel that were not measured.

    Of a derived channel only those count whose inputs were measured: its formula has no value there, and may mean it.
    """
    findings = []
    absent = np.isnan(stream.values)
    place = {name: k for k, name in enumerate(stream.channels)}
    for name, share, rows in zip(stream.channels, absent.mean(axis=0), absent.T, strict=True):
        channel = stand.channels.get(name)
        if channel is not None and channel.derived is not None:
            inputs = absent[:, [place[n] for n in channel.derived.inputs if n in place]]
            where = np.flatnonzero(rows & ~inputs.any(axis=1))
            if where.size:
                text = f"The formula has no value in {where.size / rows.size:.2%} of the samples."
                findings.append(Finding("note", "no_value", text, name, int(where[0]), int(where[-1]) + 1))
        elif share > 0.0:
            severity = "note" if share <= 0.01 else "caution" if share <= 0.2 else "error"
            where = np.flatnonzero(rows)
            text = f"{share:.2%} of the samples are not measured."
            findings.append(Finding(severity, "not_measured", text, name, int(where[0]), int(where[-1]) + 1))
    return findings


def check_range(stand: Stand, stream: Stream) -> list[Finding]:
    """Samples outside the range of the channel, or resting on an end of it (saturation).

    Half a percent of the span beyond an end is let pass: a quantity at zero scatters round zero.
    """
    findings = []
    lowest, highest = np.fmin.reduce(stream.values, axis=0), np.fmax.reduce(stream.values, axis=0)
    for k, name in enumerate(stream.channels):
        channel = stand.channels.get(name)
        if channel is None:
            continue
        margin = RANGE_MARGIN * (channel.high - channel.low)
        low, high = channel.low - margin, channel.high + margin
        if lowest[k] < low or highest[k] > high:
            values = stream.column(name)
            outside = np.flatnonzero((values < low) | (values > high))
            worst = float(lowest[k] if low - lowest[k] > highest[k] - high else highest[k])
            text = (
                f"{_samples(outside.size)} outside {channel.low:g} … {channel.high:g} {channel.unit}, "
                f"worst {worst:g} {channel.unit}."
            )
            findings.append(Finding("caution", "out_of_range", text, name, int(outside[0]), int(outside[-1]) + 1))
        for end in (channel.low, channel.high):
            if end == 0.0 or not lowest[k] <= end <= highest[k]:
                continue
            first, length = _longest_run(stream.column(name) == end)
            if length >= _SATURATED_ROWS:
                text = f"{length} samples in a row rest on the end of the range, {end:g} {channel.unit}: saturated?"
                findings.append(Finding("caution", "saturated", text, name, first, first + length))
    return findings


def check_frozen(stand: Stand, stream: Stream) -> list[Finding]:
    """A measured channel that repeats one value for long while elsewhere in the run it changes often."""
    findings: list[Finding] = []
    if len(stream) < 20:
        return findings
    interval = float(np.median(np.diff(stream.time_s)))
    for name in stream.channels:
        channel = stand.channels.get(name)
        if channel is not None and channel.derived is not None:
            continue
        values = np.ascontiguousarray(stream.column(name))  # columns lie apart in memory: read them once
        same = values[1:] == values[:-1]
        first, length = _longest_run(same)
        if length * interval < FROZEN_S:
            continue
        changes = int(np.count_nonzero(~same & ~np.isnan(values[1:]) & ~np.isnan(values[:-1])))
        usual = (same.size - length) / max(changes, 1)
        if changes >= _FROZEN_CHANGES and length > _FROZEN_TIMES * usual:
            text = f"The value stands at {values[first]:g} for {length * interval:.1f} s: frozen?"
            findings.append(Finding("caution", "frozen", text, name, first, first + length + 1))
    return findings


StreamCheck = Callable[[Stand, Stream], list[Finding]]
STREAM_CHECKS: tuple[StreamCheck, ...] = (check_time, check_gaps, check_missing, check_range, check_frozen)


def check_stream(stand: Stand, stream: Stream) -> tuple[Finding, ...]:
    """All findings of :data:`STREAM_CHECKS`."""
    if len(stream) == 0:
        return (Finding("error", "no_samples", f"Stream {stream.source} holds no samples."),)
    return tuple(finding for check in STREAM_CHECKS for finding in check(stand, stream))


def check_calibrations(stand: Stand, run_date: date, channels: Sequence[str]) -> tuple[Finding, ...]:
    """Channels whose calibration was overdue, not yet valid or without certificate on the day of the run."""
    findings = []
    for name in channels:
        channel = stand.channels.get(name)
        if channel is None or channel.derived is not None:
            continue
        certificate = channel.calibration.certificate
        if certificate is None:
            findings.append(Finding("note", "no_certificate", "The channel has no calibration certificate.", name))
        elif run_date > certificate.due:
            text = f"Calibration {certificate.id} was due on {certificate.due}, the run is of {run_date}."
            findings.append(Finding("caution", "calibration_overdue", text, name))
        elif run_date < certificate.date:
            text = f"Calibration {certificate.id} is of {certificate.date}, after the run of {run_date}."
            findings.append(Finding("caution", "calibration_after_run", text, name))
    return tuple(findings)


# ------------------------------------------------------------------------------------------------ results
def check_balance(balance: PowerBalance) -> list[Finding]:
    """Efficiency above one, negative loss: impossible where the excess is more than its uncertainty."""
    findings = []
    point = balance.point
    pairs: tuple[tuple[str, Estimate, Estimate], ...] = (
        ("inverter", balance.inverter_loss_w, balance.inverter_efficiency),
        ("motor", balance.motor_loss_w, balance.motor_efficiency),
        ("drive", balance.drive_loss_w, balance.drive_efficiency),
    )
    for subject, loss, eta in pairs:
        if not loss.is_measured or loss.value >= 0.0:
            continue
        beyond = -loss.value > 2.0 * loss.u
        severity, code = ("error", "negative_loss") if beyond else ("note", "loss_not_resolved")
        text = f"Point {point.index + 1}: loss of the {subject} {loss.value:.1f} W ± {2.0 * loss.u:.1f} W"
        text += f", efficiency {eta.value:.4f}." if eta.is_measured else "."
        findings.append(Finding(severity, code, text, "", point.row_start, point.row_stop))
    return findings


def check_thrust(thrust: StaticThrust) -> list[Finding]:
    """Figure of merit above one."""
    merit = thrust.figure_of_merit
    if not merit.is_measured or merit.value <= 1.0:
        return []
    severity = "error" if merit.value - 2.0 * merit.u > 1.0 else "caution"
    text = f"Point {thrust.point.index + 1}: figure of merit {merit.value:.3f} ± {2.0 * merit.u:.3f} is above 1."
    return [Finding(severity, "figure_of_merit_above_one", text, "", thrust.point.row_start, thrust.point.row_stop)]


def check_air(stand: Stand, point: OperatingPoint) -> list[Finding]:
    """Air outside the range for which the density formula was agreed."""
    names = [stand.roles.get(role) for role in (Role.AIR_TEMP, Role.AIR_PRESSURE)]
    means = [point.means[name] for name in names if name is not None and name in point.means]
    if len(means) < 2 or any(not e.is_measured for e in means) or bool(in_range(means[0].value, means[1].value)):
        return []
    text = (
        f"Point {point.index + 1}: air at {means[0].value:.1f} °C, {means[1].value / 100.0:.0f} hPa is outside "
        "15-27 °C, 600-1100 hPa of CIPM-2007; the density is computed all the same."
    )
    return [Finding("note", "air_out_of_range", text, "", point.row_start, point.row_stop)]


def check_acceleration(stand: Stand, stream: StreamRows, point: OperatingPoint) -> list[Finding]:
    """Speed that drifts within a point: part of the torque accelerates the rotor."""
    channel = stand.channel_for(Role.SPEED)
    if channel is None or channel.name not in stream.channels:
        return []
    part = stream.rows(point.row_start, point.row_stop)
    t, n = part.time_s, part.column(channel.name)
    good = ~np.isnan(n)
    if np.count_nonzero(good) < 3:
        return []
    centred = t[good] - t[good].mean()
    slope = float(np.sum(centred * n[good]) / np.sum(centred**2))
    drift = abs(slope) * float(t[-1] - t[0])
    if drift <= 0.5 * stand.steadiness.speed_band_rpm:
        return []
    text = f"Point {point.index + 1}: speed drifts by {drift:.1f} rpm ({slope:+.3g} rpm/s): inertia takes torque."
    return [Finding("caution", "acceleration", text, channel.name, point.row_start, point.row_stop)]


def check_results(
    stand: Stand,
    stream: StreamRows,
    points: Sequence[OperatingPoint],
    balances: Sequence[PowerBalance],
    thrust: Sequence[StaticThrust],
) -> tuple[Finding, ...]:
    """All findings about results, in the order of the points."""
    findings: list[Finding] = []
    if not points:
        text = "No stretch of this stream was steady: no operating points."
        findings.append(Finding("caution", "no_steady_point", text))
    for point in points:
        findings += check_acceleration(stand, stream, point)
    for balance in balances:
        findings += check_balance(balance)
    for row in thrust:
        findings += check_thrust(row)
    with_air = [row.point for row in thrust]
    if with_air:
        findings += [finding for point in with_air[:1] for finding in check_air(stand, point)]
    return tuple(findings)


# ------------------------------------------------------------------------------------------------ small parts
def _longest_run(mask: BoolArray) -> tuple[int, int]:
    """First row and length of the longest run of True; (0, 0) where there is none."""
    padded = np.concatenate([[False], mask, [False]]).astype(np.int8)
    change = np.diff(padded)
    starts, stops = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
    if starts.size == 0:
        return 0, 0
    longest = int(np.argmax(stops - starts))
    return int(starts[longest]), int(stops[longest] - starts[longest])


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _places(count: int) -> str:
    return "one place" if count == 1 else f"{count} places"


def _samples(count: int) -> str:
    return "1 sample is" if count == 1 else f"{count} samples are"
