"""Checks between devices: two streams that saw the same thing at different times."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from benchkit.analysis.quality.look import FloatArray
from benchkit.model.events import Event, EventKind
from benchkit.model.results import Finding
from benchkit.model.stand import Role, Stand
from benchkit.model.stream import Stream, StreamRows

PAIRS: tuple[tuple[Role, Role], ...] = (
    (Role.SPEED, Role.ELECTRICAL_FREQUENCY),
    (Role.TORQUE, Role.PHASE_CURRENT),
    (Role.AC_POWER, Role.DC_CURRENT),
    (Role.TORQUE, Role.DC_CURRENT),
)
"""Quantities that move together; a pair is looked at where its two channels come from different sources."""
FURTHEST_S = 5.0
ALIKE = 0.9
"""Correlation of the two movements below which they are not the same thing."""
INTERVALS = 2.0
"""An offset below two intervals of the slower source is what sampling itself makes."""
_MOST_ROWS = 200_000


@dataclass(frozen=True, slots=True)
class Lag:
    """Times of the second signal minus those of the first; ``alike`` is the correlation there."""

    lag_s: float
    alike: float
    interval_s: float


def lag_between(time_a: FloatArray, a: FloatArray, time_b: FloatArray, b: FloatArray) -> Lag | None:
    """Offset of two signals of one movement by cross-correlation of their changes, in any units.

    Both are laid on the finer of the two intervals, their levels are taken off, and the peak of the correlation within
    :data:`FURTHEST_S` is refined by a parabola. None where they do not overlap or do not move.
    """
    keep_a, keep_b = ~np.isnan(a), ~np.isnan(b)
    time_a, a, time_b, b = time_a[keep_a], a[keep_a], time_b[keep_b], b[keep_b]
    if min(a.size, b.size) < 50:
        return None
    intervals = float(np.median(np.diff(time_a))), float(np.median(np.diff(time_b)))
    start, stop = max(time_a[0], time_b[0]), min(time_a[-1], time_b[-1])
    step = min(intervals)
    if step <= 0.0 or stop - start < 4.0 * FURTHEST_S:
        return None
    grid = np.arange(start, stop, max(step, (stop - start) / _MOST_ROWS))
    step = float(grid[1] - grid[0])
    # what moves within a second, so that neither level nor slow drift counts
    width = max(1, round(1.0 / step))
    x, y = (_movement(np.interp(grid, t, v), width) for t, v in ((time_a, a), (time_b, b)))
    scale = math.sqrt(float(np.sum(x**2)) * float(np.sum(y**2)))
    if scale == 0.0:
        return None
    size = 1 << (2 * grid.size - 1).bit_length()
    product = np.fft.irfft(np.conj(np.fft.rfft(x, size)) * np.fft.rfft(y, size), size) / scale
    reach = min(round(FURTHEST_S / step), grid.size // 2)
    near = np.concatenate([product[-reach:], product[: reach + 1]])
    k = int(np.argmax(np.abs(near)))
    if not 0 < k < near.size - 1:
        return None
    left, peak, right = near[k - 1], near[k], near[k + 1]
    curve = left - 2.0 * peak + right
    shift = 0.5 * (left - right) / curve if curve != 0.0 else 0.0
    return Lag((k - reach + float(shift)) * step, abs(float(peak)), max(intervals))


def _movement(values: FloatArray, width: int) -> FloatArray:
    sums = np.concatenate([[0.0], np.cumsum(values)])
    smooth = (sums[width:] - sums[:-width]) / width
    moved = smooth[width:] - smooth[:-width]
    return np.asarray(moved - moved.mean())


class Movement:
    """The columns of :data:`PAIRS` of one stream, thinned to means of so many rows that :data:`_MOST_ROWS` are left.
    ``feed`` every block in order, then ``finish``; memory is that of what is left."""

    def __init__(self, stand: Stand, stream: StreamRows) -> None:
        roles = dict.fromkeys(role for pair in PAIRS for role in pair)
        named = [stand.roles[role] for role in roles if role in stand.roles]
        self._names = [name for name in named if name in stream.channels] if pairs_apart(stand) else []
        self._places = [stream.channels.index(name) for name in self._names]
        self._source, self._units = stream.source, tuple(stream.units[k] for k in self._places)
        self.rows_each = max(1, -(-len(stream) // _MOST_ROWS))
        """Rows of one mean."""
        self._rest = np.empty((0, len(self._places) + 1))
        self._kept: list[FloatArray] = []

    def feed(self, block: Stream) -> None:
        """The next rows."""
        if not self._names:
            return
        rows = np.concatenate([self._rest, np.column_stack([block.time_s, block.values[:, self._places]])])
        pieces = rows.shape[0] // self.rows_each
        whole = rows[: pieces * self.rows_each]
        self._kept.append(whole.reshape(pieces, self.rows_each, rows.shape[1]).mean(axis=1))  # NaN stays NaN
        self._rest = rows[pieces * self.rows_each :].copy()

    def finish(self) -> Stream | None:
        """The thinned stream; None where no pair of the stand lies in two sources."""
        if not self._names or not self._kept:
            return None
        rows = np.concatenate(self._kept)
        t = rows[:, 0]
        counter = np.full(t.size, -1, dtype=np.int64)
        return Stream(self._source, tuple(self._names), self._units, t, t, t, counter, rows[:, 1:])


def device_offsets(stand: Stand, streams: Sequence[Stream], events: Sequence[Event] = ()) -> list[Finding]:
    """Sources whose samples of one movement lie apart in time; an offset measured on a common edge is quoted.

    Of long streams take what :class:`Movement` leaves: an offset is then seen from two of its intervals on.
    """
    by_source = {stream.source: stream for stream in streams}
    findings: dict[tuple[str, str], Finding] = {}
    for roles in PAIRS:
        channels = [stand.channel_for(role) for role in roles]
        first, second = channels
        if first is None or second is None or first.source == second.source:
            continue
        key = (first.source, second.source)
        a, b = by_source.get(first.source), by_source.get(second.source)
        if key in findings or a is None or b is None or first.name not in a.channels or second.name not in b.channels:
            continue
        lag = lag_between(a.time_s, a.column(first.name), b.time_s, b.column(second.name))
        if lag is None or lag.alike < ALIKE or abs(lag.lag_s) <= INTERVALS * lag.interval_s:
            continue
        text = (
            f"{second.name} ({second.source}) comes {abs(lag.lag_s) * 1e3:.0f} ms "
            f"{'after' if lag.lag_s > 0 else 'before'} {first.name} ({first.source}), "
            f"correlation {lag.alike:.3f}.{_measured(events, key)}"
        )
        numbers: Mapping[str, float] = {"lag_s": lag.lag_s, "correlation": lag.alike}
        findings[key] = Finding("caution", "device_offset", text, second.name, 0, len(b), numbers)
    return list(findings.values())


def _measured(events: Sequence[Event], sources: tuple[str, str]) -> str:
    for event in reversed(events):
        told = event.data.get("sources")
        if event.kind is EventKind.COMMON_EDGE and isinstance(told, list) and set(map(str, told)) == set(sources):
            return f" A common edge gave {event.data.get('offset_s')} s."
    return ""


def pairs_apart(stand: Stand) -> bool:
    """True where the stand has a pair of :data:`PAIRS` in two sources."""
    found = [(stand.channel_for(a), stand.channel_for(b)) for a, b in PAIRS]
    return any(a is not None and b is not None and a.source != b.source for a, b in found)
