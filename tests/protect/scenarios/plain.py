"""When each trip limit had to act for the first time, worked out of the rows that were handed in.

A second way to the same answer: every watched value is made anew from all rows before it, and each limit is walked
through from the first row to the last, with the rules of docs/reference/limits.md and nothing of the engine.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchkit.model.limits import Limit, LimitKind, RateWindow, Severity, ThermalReplica, WhileMoving
from benchkit.model.stand import Stand
from tests.protect.scenarios.bench import SOURCE, Record

K = LimitKind
NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Must:
    """A limit had to act at ``time_ns``, ``rows`` rows up to then having come.

    ``is_silence``: missing rows are the condition. ``is_at_row``: the last row completed it, not the time after it.
    """

    limit: Limit
    time_ns: int
    rows: int
    is_silence: bool
    is_at_row: bool = False


def trips_that_must(stand: Stand, record: Record) -> dict[str, Must]:
    """The first time of each trip limit that has one."""
    names = [c.name for c in stand.channels_of(SOURCE)]
    columns = {name: [float(row[i]) for row in record.values] for i, name in enumerate(names)}
    stale_ns = round(stand.sources[SOURCE].stale_after_s * NS)
    found = {}
    for limit in stand.limit_set.limits:
        if limit.severity is Severity.TRIP:
            must = _first(limit, record, columns, stale_ns)
            if must is not None:
                found[limit.name] = must
    return found


def _first(limit: Limit, record: Record, columns: dict[str, list[float]], stale_ns: int) -> Must | None:
    """Walk through all rows, losses and the end."""
    on_ns = round(limit.on_delay_s * NS)
    is_stale = limit.kind is K.STALE
    patience_ns = round(limit.set_point * NS) if is_stale else stale_ns
    conditions = _conditions(limit, record, columns, stale_ns)
    since: int | None = None
    is_silence = False
    heard_ns = record.start_ns
    for t, is_row, i in [*_steps(record), (record.end_ns + 1, True, len(conditions))]:
        silent_at = heard_ns + patience_ns + 1
        if silent_at < t:
            if since is not None and since + on_ns < silent_at:
                return Must(limit, since + on_ns, i, is_silence)
            since, is_silence = silent_at if since is None else since, True
        if since is not None and since + on_ns < t:
            return Must(limit, since + on_ns, i, is_silence)
        if i == len(conditions) and is_row:
            return None
        if not is_row:
            heard_ns = t + 10**15  # the loss itself is the silence, until a row comes
            since, is_silence = t if since is None else since, True
            if t - since >= on_ns:
                return Must(limit, t, i, is_silence=True)
            continue
        is_condition = conditions[i]
        if is_condition is None:
            continue  # of a stale limit: a bad sample, the age goes on
        heard_ns = t
        if not is_condition:
            since, is_silence = None, False
            continue
        since, is_silence = t if since is None else since, False
        if t - since >= on_ns:
            return Must(limit, t, i + 1, is_silence=False, is_at_row=True)
    raise AssertionError("the end is the last step")


def _steps(record: Record) -> list[tuple[int, bool, int]]:
    """Rows and losses in order: time, whether it is a row, rows before it."""
    steps = [(t, True, i) for i, t in enumerate(record.arrival_ns)]
    for t, rows in reversed(record.lost):
        steps.insert(rows, (t, False, rows))
    return steps


def _conditions(limit: Limit, record: Record, columns: dict[str, list[float]], stale_ns: int) -> list[bool | None]:
    """For each row whether it breaks the limit; None for a stale limit: no good sample."""
    times, own = record.arrival_ns, columns[limit.channel]
    others = [columns[name] for name in limit.partners]
    if limit.kind is K.STALE:
        return [None if math.isnan(x) else False for x in own]
    if limit.kind is K.THERMAL_REPLICA:
        lost = {rows for _, rows in record.lost}
        return [used > 1.0 or math.isnan(used) for used in _used(limit, times, own, lost, stale_ns)]
    return [
        True
        if math.isnan(x) or any(math.isnan(other[i]) for other in others)
        else _is_condition(limit, times, own, others, i)
        for i, x in enumerate(own)
    ]


def _is_condition(limit: Limit, times: Sequence[int], own: list[float], others: list[list[float]], i: int) -> bool:
    """Whether row ``i`` breaks the limit, all of it being measured."""
    x, partners = own[i], [other[i] for other in others]
    if limit.kind is K.RATE:
        return _rise(limit, times, own, i) > limit.set_point
    if limit.kind is K.FROZEN:
        return _is_frozen(limit, times, own, others[0], i)
    if limit.kind is K.BELOW:
        return x < limit.set_point
    all_of = (x, *partners)
    watched = {K.ABOVE: x, K.DEVIATION: abs(x - all_of[-1]), K.SPREAD: max(all_of) - min(all_of)}
    return watched[limit.kind] > limit.set_point


def _rise(limit: Limit, times: Sequence[int], own: list[float], i: int) -> float:
    """Rise per second since the newest good sample that is a window old; over no more than two windows."""
    assert isinstance(limit.detail, RateWindow)
    window_s = limit.detail.window_s
    for j in range(i - 1, -1, -1):
        if not math.isnan(own[j]) and times[i] - times[j] >= round(window_s * NS):
            return (own[i] - own[j]) / min((times[i] - times[j]) / NS, 2.0 * window_s)
    return -math.inf


def _is_frozen(limit: Limit, times: Sequence[int], own: list[float], partner: list[float], i: int) -> bool:
    """The value held at the start of the window counts to it."""
    assert isinstance(limit.detail, WhileMoving)
    since_ns = times[i] - round(limit.detail.window_s * NS)
    seen: list[float] = []
    seen_partner: list[float] = []
    for j in range(i, -1, -1):
        if math.isnan(own[j]) or math.isnan(partner[j]):
            continue
        seen.append(own[j])
        seen_partner.append(partner[j])
        if times[j] <= since_ns:
            moved, range_ = max(seen_partner) - min(seen_partner), max(seen) - min(seen)
            return moved > limit.detail.partner_change and range_ < limit.set_point
    return False


def _used(limit: Limit, times: Sequence[int], own: list[float], lost: set[int], stale_ns: int) -> list[float]:
    """IEC 60255-149: H = H_end + (H - H_end) exp(-dt / tau), with H_end = (I / k I_B)²; NaN at a bad sample.

    Over what was not measured the greater of its ends counts.
    """
    detail = limit.detail
    assert isinstance(detail, ThermalReplica)
    used, out = detail.initial_share, []
    before: int | None = None
    for j, x in enumerate(own):
        if math.isnan(x):
            out.append(x)
            continue
        if before is not None:
            held = abs(own[before])
            steps = range(before + 1, j + 1)
            if j - before > 1 or any(times[k] - times[k - 1] > stale_ns or k in lost for k in steps):
                held = max(held, abs(x))
            end = (held / (detail.k * limit.set_point)) ** 2
            tau_s = detail.heating_s if end > used else detail.cooling_s
            used = end + (used - end) * math.exp(-(times[j] - times[before]) / NS / tau_s)
        before = j
        out.append(used)
    return out
