"""Zero of a channel at rest: measured, taken off, and compared before and after a run.

A tare is an event of the run. Its offsets are added after calibration to every later row, so that a stored value is
``curve(raw) + offset``: with the raw numbers, the calibrations and the tare events it can always be made again.

Source: common practice (no single source).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.model.events import Event, EventKind
from benchkit.model.interlock import State
from benchkit.model.results import Finding
from benchkit.model.stand import Channel

FloatArray = npt.NDArray[np.float64]

BATCHES = 10


@dataclass(frozen=True, slots=True)
class Zero:
    """Mean of a channel at rest with its standard uncertainty, in bench units, from so many rows."""

    mean: float
    u: float
    rows: int


def zero_of(values: FloatArray) -> Zero:
    """Mean of ``values`` (n,) in their unit, n at least 2; its standard uncertainty from the means of ten batches.

    Neighbouring readings are alike, so single readings would promise too much; batches that are much longer than the
    memory of the signal are independent (method of batch means; common practice, no source).
    """
    means = np.array([part.mean() for part in np.array_split(values, min(BATCHES, values.size))])
    return Zero(float(values.mean()), float(means.std(ddof=1) / math.sqrt(means.size)), values.size)


# ------------------------------------------------------------------------------------- offsets from the events
def offsets_after(event: Event, names: Sequence[str], offsets: FloatArray | None) -> FloatArray:
    """Offsets (channels,) of the channels ``names`` once ``event`` has happened, each in the unit of its channel.

    ``offsets`` are those before it.
    """
    result = np.zeros(len(names)) if offsets is None else offsets.copy()
    for index, name in enumerate(names):
        entry = _entry(event, name)
        if entry is not None:
            result[index] = _number(entry, "after")
    return result


def offsets_of_rows(events: Sequence[Event], source: str, names: Sequence[str], rows: int) -> FloatArray:
    """Offsets (rows, channels) that are in the stored values of a stream, each in the unit of its channel.

    A tare counts from its first row on.
    """
    result = np.zeros((rows, len(names)))
    offsets: FloatArray | None = None
    for event in events:
        start = event.data.get("from_row")
        if event.kind is EventKind.TARE and event.source == source and isinstance(start, int):
            offsets = offsets_after(event, names, offsets)
            result[start:] = offsets
    return result


def _entry(event: Event, name: str) -> Mapping[str, object] | None:
    channels = event.data.get("channels")
    entry = channels.get(name) if isinstance(channels, Mapping) else None
    return entry if isinstance(entry, Mapping) else None


def _number(entry: Mapping[str, object], key: str) -> float:
    value = entry.get(key)
    return float(value) if isinstance(value, (int, float)) else math.nan


# --------------------------------------------------------------------------------------------------- drift
def judge_drift(before: Zero, after: Zero, accuracy_constant: float, channel: str, unit: str) -> Finding:
    """What the zero did between two tares. A note where its move is covered, else a caution.

    ``drift = zero after - zero before``; it is covered by ``2 sqrt(u_before² + u_after² + constant²)``, the constant
    part of the accuracy of the channel (k = 2).
    """
    drift = after.mean - before.mean
    u = math.hypot(before.u, after.u)
    covered = 2.0 * math.hypot(u, accuracy_constant)
    text = f"Zero moved by {drift:+.3g} {unit} (U {2.0 * u:.2g} {unit}) between the tares before and after running"
    if not abs(drift) <= covered:  # NaN is not covered
        text += f": more than the {covered:.2g} {unit} that its accuracy covers."
        return Finding("caution", "zero_drift", text, channel)
    return Finding("note", "zero_drift", f"{text}: within its accuracy.", channel)


def drift_findings(events: Sequence[Event], channels: Sequence[Channel]) -> tuple[Finding, ...]:
    """The zero of every tared channel, before and after each time the stand was running."""
    found = []
    for channel in channels:
        last: Zero | None = None
        has_run = False
        for event in events:
            if event.kind is EventKind.STATE and event.data.get("to") == State.RUNNING.value:
                has_run = True
            entry = _entry(event, channel.name) if event.kind is EventKind.TARE else None
            if entry is None:
                continue
            # the mean was taken with the offset before it in force
            zero = Zero(_number(entry, "mean") - _number(entry, "before"), _number(entry, "u"), 0)
            if last is not None and has_run:
                found.append(judge_drift(last, zero, channel.calibration.accuracy.constant, channel.name, channel.unit))
            last, has_run = zero, False
        if last is not None and has_run:
            text = "Tared before running and not after it: the drift of its zero is not known."
            found.append(Finding("note", "no_tare_after", text, channel.name))
    return tuple(found)
