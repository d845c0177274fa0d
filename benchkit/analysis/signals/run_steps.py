"""Step responses of torque and speed at the set-points of a run, in its stream: ``torque_step_…``, ``speed_step_…``.

A set-point of another value opens a stretch that lasts to the next one. The levels are means, as they are known better
than a histogram knows them: before, of the last fifth of the stretch before; after, of the last fifth of this one. What
comes then is IEEE Std 181-2011, see :mod:`~benchkit.analysis.signals.steps`. A stream shows only what is slow against
its samples: where the transition takes less than ``LEAST_SAMPLES``, all but the amplitude is NaN, and a burst has to
show it. Overshoot and undershoot are peaks of single samples: noise makes them larger by its own peak, in all runs
alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import nan

import numpy as np
import numpy.typing as npt

from benchkit.analysis.signals import steps
from benchkit.errors import UsageError
from benchkit.model.events import Event, EventKind
from benchkit.model.metrics import Metric
from benchkit.model.stand import Role, Stand
from benchkit.model.stream import Stream

FloatArray = npt.NDArray[np.float64]

COMMANDED = {"torque": Role.TORQUE, "speed": Role.SPEED}
"""Name of the set-point, and what answers it."""
LEAST_ROWS = 20
"""Of the stretch before and of that after; below, no level is known."""
LEVEL_SHARE = 0.2
"""Of a stretch, at its end: its level."""
LEAST_STEP = 0.05
"""A step smaller than this share of the largest value of the channel is not looked at."""
STEP_NOISE = 8.0
"""… nor one smaller than so many standard deviations about its levels."""
LEAST_SAMPLES = 3.0
"""A transition over fewer samples is faster than the stream, and so are its aberrations."""
SETTLED_NOISE = 4.0
"""The band of settling has to be so many standard deviations of the noise: one sample would decide else."""


def step_responses(stand: Stand, stream: Stream, events: Sequence[Event]) -> tuple[Metric, ...]:
    """The figures of every step of a set-point that this stream shows, in order; ``region`` names the step."""
    found: list[Metric] = []
    changes = _changes(stream, events)
    for k, (start, _, name, old, new) in enumerate(changes[:-1]):
        channel = stand.channel_for(COMMANDED[name]) if name in COMMANDED else None
        if channel is None or channel.name not in stream.channels or np.isnan(old):
            continue
        x = stream.column(channel.name)
        before = x[changes[k - 1][0] if k else 0 : start]
        after = x[start : changes[k + 1][0]]
        rows = slice(start - len(before), start + len(after))
        place = f"{name} {old:g} to {new:g}"
        u_of_reading = channel.calibration.accuracy.of_reading
        metrics = _step(before, after, stream.time_s[rows], x, name, channel.unit, u_of_reading, place)
        found += metrics
    return tuple(found)


def _changes(stream: Stream, events: Sequence[Event]) -> list[tuple[int, float, str, float, float]]:
    """First row, time, name, value before (NaN: none) and value of every set-point that changed something; the end of
    RUNNING or of the stream closes the list."""
    known: dict[str, float] = {}
    changes: list[tuple[int, float, str, float, float]] = []
    for event in events:
        if event.kind is EventKind.SET_POINT:
            name, value = str(event.data.get("name", "")), event.data.get("value")
            if not isinstance(value, int | float) or known.get(name) == value:
                continue
            changes.append((*_place(stream, event), name, known.get(name, nan), float(value)))
            known[name] = float(value)
        elif event.kind is EventKind.STATE and event.data.get("from") == "RUNNING":
            changes.append((*_place(stream, event), "", nan, nan))
            known.clear()
    changes.append((len(stream), nan, "", nan, nan))
    return changes


def _place(stream: Stream, event: Event) -> tuple[int, float]:
    time_s = stream.time_at(event.time_s)
    return int(np.searchsorted(stream.time_s, time_s)), time_s


def _step(
    before: FloatArray,
    after: FloatArray,
    time_s: FloatArray,
    whole: FloatArray,
    name: str,
    unit: str,
    u_of_reading: float,
    place: str,
) -> tuple[Metric, ...]:
    if min(len(before), len(after)) < LEAST_ROWS:
        return ()
    x, gaps = np.concatenate([before, after]), np.diff(time_s)
    interval = float(np.median(gaps))
    if not np.all(np.isfinite(x)) or not interval > 0.0 or float(gaps.max()) > 1.5 * interval:
        return ()  # a gap would move the crossings
    ends = [part[-max(5, int(LEVEL_SHARE * len(part))) :] for part in (before, after)]
    low, high = (float(end.mean()) for end in ends)
    scatter = [float(end.std(ddof=1)) for end in ends]
    if abs(high - low) < max(LEAST_STEP * float(np.nanmax(np.abs(whole))), STEP_NOISE * max(scatter)):
        return ()
    # of the stretch before only the level counts: its own answer to the set-point before it is no part of this step
    kept = np.concatenate([ends[0], after])
    try:
        found = steps.step(kept, 1.0 / interval, (low, high))
    except UsageError:
        return ()
    u_level = max(s / np.sqrt(len(end)) for s, end in zip(scatter, ends, strict=True))
    found = replace(
        found, u_level=float(u_level), u_percent=float(np.hypot(found.u_percent, 100 * u_level / (high - low)))
    )
    metrics = steps.step_metrics(found, name, unit, u_of_reading=u_of_reading, region=place)
    hidden: dict[str, str] = {}
    if found.transition_s < LEAST_SAMPLES * interval:
        note = f"faster than {LEAST_SAMPLES:g} samples of the stream"
        hidden = dict.fromkeys(("transition", "overshoot", "undershoot", "settling"), note)
    elif SETTLED_NOISE * max(scatter) > found.settled_percent / 100.0 * abs(high - low):
        hidden = {"settling": "the band of settling is within the noise"}
    return tuple(
        replace(m, value=nan, u=nan, note=hidden[part]) if (part := m.name.rpartition("_")[2]) in hidden else m
        for m in metrics
    )
