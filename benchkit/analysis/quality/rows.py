"""Checks of the rows of one stream: its time, its counter, what is missing, out of range, saturated, frozen, damaged.

A check is a plain function of stand and stream and one line in :data:`STREAM_CHECKS`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

import numpy as np

from benchkit.analysis.quality.look import Look, edges_of, longest_run, places, samples, times
from benchkit.model.events import EventKind
from benchkit.model.results import Finding
from benchkit.model.sources import counter_modulus_of
from benchkit.model.stand import Stand
from benchkit.model.stream import Stream

FROZEN_S = 5.0
"""A channel that repeats one value for so long, while it changes elsewhere, is called frozen."""
FROZEN_TIMES = 50.0  # ... and so many times longer than it usually repeats one
FROZEN_CHANGES = 20  # ... and only a channel that changes so often can freeze
_GAP_INTERVALS = 5.0
_SATURATED_ROWS = 5
RANGE_MARGIN = 0.005
"""Share of its span by which a channel may leave its range unremarked."""


BUNCHED_SHARE = 0.3
"""Share of intervals below a fifth of the mean from which times look like those of arrivals: of evenly timed samples
there are none, of a 200 Hz stream behind a 16 ms adapter two in three."""
DRIFT_PPM = 100.0
"""A crystal is within 50 ppm (common practice, no source); 100 ppm is twice the 50 ppm to which the speed of the
example stand is calibrated, so a speed timed by that clock is outside its statement."""
_COMPARABLE = 0.02  # beyond, device and host time do not run at one rate: a file, or a simulation faster than real time
_DRIFT_WINDOWS = 32
_LEAST_DRIFT_S = 30.0
DROPOUT_S = 0.5
"""A longer spell without a value is a missing channel, not a dropout."""
DROPOUTS = 3
_DAMAGED = 3
"""Refused frames in one run up to which they are a note: one can be the first, cut by the opening of the port."""


# ------------------------------------------------------------------------------------------------ the checks
def check_time(_stand: Stand, stream: Stream) -> list[Finding]:
    """Sample time that stands still or goes back."""
    step = np.diff(stream.time_s)
    findings = []
    for code, severity, rows, text in (
        ("time_backward", "error", np.flatnonzero(step < 0.0), "Sample time goes back"),
        ("time_repeated", "caution", np.flatnonzero(step == 0.0), "Sample time repeats"),
    ):
        if rows.size:
            where = f"{text} {times(rows.size)}, first at {stream.time_s[rows[0]]:.3f} s."
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
            text = f"{missing} rows are missing ({share:.2%}), in {places(lost.size)}."
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
    text = f"{places(wide.size)} without samples, the longest {longest:.3g} s; usual is {usual:.3g} s."
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
                f"{samples(outside.size)} outside {channel.low:g} … {channel.high:g} {channel.unit}, "
                f"worst {worst:g} {channel.unit}."
            )
            findings.append(Finding("caution", "out_of_range", text, name, int(outside[0]), int(outside[-1]) + 1))
        for end in (channel.low, channel.high):
            if end == 0.0 or not lowest[k] <= end <= highest[k]:
                continue
            first, length = longest_run(stream.column(name) == end)
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
        first, length = longest_run(same)
        if length * interval < FROZEN_S:
            continue
        changes = int(np.count_nonzero(~same & ~np.isnan(values[1:]) & ~np.isnan(values[:-1])))
        usual = (same.size - length) / max(changes, 1)
        if changes >= FROZEN_CHANGES and length > FROZEN_TIMES * usual:
            text = f"The value stands at {values[first]:g} for {length * interval:.1f} s: frozen?"
            findings.append(Finding("caution", "frozen", text, name, first, first + length + 1))
    return findings


def check_dropouts(stand: Stand, stream: Stream) -> list[Finding]:
    """Short spells in which a channel has no value, or exactly zero, between values far from zero: a loose contact."""
    findings: list[Finding] = []
    if len(stream) < 3:
        return findings
    # one pass each: exact zeros, and NaN, which is the only number that is not itself
    zeros = len(stream) - np.count_nonzero(stream.values, axis=0)
    absent = np.isnan(stream.values.sum(axis=0))
    interval = float(np.median(np.diff(stream.time_s)))
    for k, name in enumerate(stream.channels):
        channel = stand.channels.get(name)
        if channel is None or channel.derived is not None or not (zeros[k] >= DROPOUTS or absent[k]):
            continue
        values = np.ascontiguousarray(stream.column(name))
        starts, stops = edges_of(np.isnan(values) | (values == 0.0))
        inside = (starts > 0) & (stops < values.size) & ((stops - starts) * interval <= DROPOUT_S)
        starts, stops = starts[inside], stops[inside]
        far = 0.02 * (channel.high - channel.low)
        is_far = (np.abs(values[starts - 1]) > far) & (np.abs(values[stops]) > far)
        starts, stops = starts[is_far], stops[is_far]
        if starts.size >= DROPOUTS:
            share = int(np.sum(stops - starts)) / values.size
            text = f"{starts.size} spells of at most {DROPOUT_S:g} s without a value ({share:.2%} of samples)."
            findings.append(Finding("caution", "dropouts", text, name, int(starts[0]), int(stops[-1])))
    return findings


def check_arrival_as_time(_stand: Stand, stream: Stream) -> list[Finding]:
    """Sample times that come in bunches: they are times of arrival."""
    step = np.diff(stream.time_s)
    step = step[step >= 0.0]
    if step.size < 100:
        return []
    mean = float(step.mean())
    bunched = float(np.mean(step < 0.2 * mean))
    if bunched < BUNCHED_SHARE:
        return []
    portion = float(np.median(step[step > 0.2 * mean]))
    text = (
        f"{bunched:.0%} of the samples follow the one before within a fifth of the mean interval, in portions every "
        f"{1e3 * portion:.3g} ms: the times are those of arrivals."
    )
    return [Finding("caution", "arrival_as_time", text, "", 0, len(stream), {"portion_s": portion})]


def check_clock_drift(_stand: Stand, stream: Stream) -> list[Finding]:
    """Drift of the clock of the device against the host, from the samples that waited least."""
    x, y = stream.device_time_s, stream.arrival_s
    if len(stream) < 10 * _DRIFT_WINDOWS or np.isnan(x).any() or bool(np.any(np.diff(x) < 0.0)):
        return []
    if x[-1] - x[0] < _LEAST_DRIFT_S:
        return []
    delay = y - x
    rows = len(stream) // _DRIFT_WINDOWS
    lowest = np.argmin(delay[: rows * _DRIFT_WINDOWS].reshape(_DRIFT_WINDOWS, rows), axis=1)
    at = lowest + rows * np.arange(_DRIFT_WINDOWS)
    t, d = x[at] - x[at].mean(), delay[at] - delay[at].mean()
    slope = float(np.sum(t * d) / np.sum(t**2))
    u = float(np.sqrt(np.sum((d - slope * t) ** 2) / (_DRIFT_WINDOWS - 2) / np.sum(t**2)))
    if not DRIFT_PPM * 1e-6 < abs(slope) < _COMPARABLE or abs(slope) < 4.0 * u:
        return []
    text = (
        f"The clock of {stream.source} is {'slow' if slope > 0 else 'fast'} by {abs(slope) * 1e6:.0f} ppm "
        f"(u {u * 1e6:.0f} ppm) against the host: {abs(slope) * float(x[-1] - x[0]) * 1e3:.3g} ms over the run."
    )
    return [Finding("caution", "clock_drift", text, "", 0, len(stream), {"drift_ppm": slope * 1e6, "u_ppm": u * 1e6})]


def damaged_frames(look: Look) -> list[Finding]:
    """Frames that were refused, those cut short apart from those with damaged bytes."""
    reasons: Counter[str] = Counter()
    for event in look.events:
        if event.kind is EventKind.BAD_FRAME and event.source == look.stream.source:
            # a line that ends before its check value has lost its end, too
            is_cut = event.data.get("reason") in _CUT or "no check value" in event.message
            reasons["partial_lines" if is_cut else "damaged_lines"] += 1
    words = {
        "partial_lines": "are cut short or run into each other",
        "damaged_lines": "are damaged (check value, characters or numbers)",
    }
    return [
        Finding("caution" if count > _DAMAGED else "note", code, f"{count} refused frames {words[code]}.", "", 0, 0)
        for code, count in reasons.items()
    ]


_CUT = frozenset({"field_count", "partial", "length", "too_long"})

StreamCheck = Callable[[Stand, Stream], list[Finding]]
STREAM_CHECKS: tuple[StreamCheck, ...] = (
    check_time,
    check_gaps,
    check_missing,
    check_range,
    check_frozen,
    check_dropouts,
    check_arrival_as_time,
    check_clock_drift,
)


def check_stream(stand: Stand, stream: Stream) -> tuple[Finding, ...]:
    """All findings of :data:`STREAM_CHECKS`."""
    if len(stream) == 0:
        return (Finding("error", "no_samples", f"Stream {stream.source} holds no samples."),)
    return tuple(finding for check in STREAM_CHECKS for finding in check(stand, stream))
