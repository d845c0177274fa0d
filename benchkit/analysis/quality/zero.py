"""Checks of the zero: what torque and thrust read at rest, what the tares did to it, and whether it moved."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np

from benchkit.analysis.quality.look import STANDS_STILL_RPM, Look, Rows
from benchkit.analysis.tare import Zero, zero_of
from benchkit.model.events import Event, EventKind
from benchkit.model.results import Finding
from benchkit.model.stand import Channel, Role

ZERO_ROLES = (Role.TORQUE, Role.THRUST)
FRICTION_SHARE = 0.001
"""Part of the full scale that a bearing at rest may hold back (common practice, no source)."""
STALE_S = 2.0 * 3600.0
"""A zero older than this is not that of the run: bridges drift with the hall (common practice, no source)."""
_K = 3.0  # one run in 370 by chance


def zero_offsets(look: Look) -> list[Finding]:
    """Torque or thrust at rest that is not zero; where a tare explains the number, the finding says which mistake."""
    findings = []
    for channel in _channels(look):
        tares = list(_tares(look, channel))
        for rows in look.rest:
            tare = next((entry for entry in reversed(tares) if entry.from_row <= rows[0]), None)
            inside = [entry for entry in tares if rows[0] < entry.from_row < rows[1]]
            for part, last in _parts(rows, inside, tare):
                found = _judged(look, channel, part, last)
                if found is not None:
                    findings.append(found)
    return _first_of_each(findings)


def zero_drift(look: Look) -> list[Finding]:
    """Zero of the last rest against that of the first, where the shaft turned between them."""
    findings = []
    if len(look.rest) < 2:
        return []
    for channel in _channels(look):
        tares = [entry.from_row for entry in _tares(look, channel)]
        first = max([look.rest[0][0], *(row for row in tares if row < look.rest[0][1])]), look.rest[0][1]
        last = look.rest[-1]
        if any(first[1] <= row for row in tares):
            continue  # a later tare took the drift away; drift_findings tells of it
        a, b = _zero(look, channel, first), _zero(look, channel, last)
        if a is None or b is None:
            continue
        move, u = b.mean - a.mean, math.hypot(a.u, b.u)
        covered = max(_K * math.hypot(u, channel.calibration.accuracy.constant), FRICTION_SHARE * channel.high)
        if abs(move) > covered:
            text = f"Zero moved by {move:+.3g} {channel.unit} between the first rest and the last (U {2.0 * u:.2g})."
            findings.append(Finding("caution", "zero_drift", text, channel.name, *last, {"drift": move, "u": u}))
    return findings


def tare_turning(look: Look) -> list[Finding]:
    """A tare while the shaft turned: the load was taken off every later value."""
    findings = []
    for event in look.events:
        if event.kind is not EventKind.TARE or event.source != look.stream.source:
            continue
        row = event.data.get("from_row")
        told = event.data.get("largest_speed_rpm")
        speed = float(told) if isinstance(told, (int, float)) else 0.0
        if isinstance(row, int) and look.has(Role.SPEED) and row > 0:
            stop = min(row, len(look.stream))
            before = look.read((max(0, stop - math.ceil(1.0 / look.interval_s) - 1), stop))
            seen = before.column(look.name(Role.SPEED))[before.time_s >= before.time_s[-1] - 1.0]
            speed = max(speed, float(np.nanmedian(np.abs(seen)))) if np.any(~np.isnan(seen)) else speed
        if speed > STANDS_STILL_RPM:
            text = f"Tare at {event.time_s:.1f} s while the shaft turned with {speed:.4g} rpm."
            rows = (row, len(look.stream)) if isinstance(row, int) else (0, 0)
            findings.append(Finding("error", "tare_while_turning", text, "", *rows, {"speed_rpm": speed}))
    return findings


def tare_stale(look: Look) -> list[Finding]:
    """The last tare long before the last point that stands on it."""
    findings = []
    for channel in _channels(look):
        tares = list(_tares(look, channel))
        if not tares or not look.points:
            continue
        last = look.points[-1]
        before = [entry for entry in tares if entry.from_row <= last.row_start]
        if before:
            age = last.time_start_s - look.stream.time_at(before[-1].time_s)
            if age > STALE_S:
                text = f"The last point stands on a tare {age / 3600.0:.1f} h old; {STALE_S / 3600.0:g} h is our limit."
                rows = (before[-1].from_row, last.row_stop)
                findings.append(Finding("caution", "tare_stale", text, channel.name, *rows, {"age_s": age}))
    return findings


# ------------------------------------------------------------------------------------------------ small parts
class _Tare:
    """One channel in one tare event: raw zero before any offset, offset after it."""

    def __init__(self, event: Event, entry: Mapping[str, object], from_row: int) -> None:
        def number(key: str) -> float:
            value = entry.get(key)
            return float(value) if isinstance(value, (int, float)) else math.nan

        self.time_s, self.from_row = event.time_s, from_row
        self.zero = number("mean") - number("before")


def _channels(look: Look) -> Iterator[Channel]:
    for role in ZERO_ROLES:
        if look.has(role):
            yield look.channel(role)


def _tares(look: Look, channel: Channel) -> Iterator[_Tare]:
    for event in look.events:
        if event.kind is EventKind.TARE and event.source == look.stream.source:
            entries, row = event.data.get("channels"), event.data.get("from_row")
            entry = entries.get(channel.name) if isinstance(entries, Mapping) else None
            if isinstance(entry, Mapping) and isinstance(row, int):
                yield _Tare(event, entry, row)


def _parts(rows: Rows, inside: list[_Tare], before: _Tare | None) -> Iterator[tuple[Rows, _Tare | None]]:
    """A rest cut where a tare took effect; what lies before a tare is what the tare was for, and is left alone."""
    if inside:
        yield (inside[-1].from_row, rows[1]), inside[-1]
    else:
        yield rows, before


def _zero(look: Look, channel: Channel, rows: Rows) -> Zero | None:
    values = look.at_rest(rows).column(channel.name)
    values = values[~np.isnan(values)]
    return zero_of(values) if values.size >= 20 else None


def _judged(look: Look, channel: Channel, rows: Rows, tare: _Tare | None) -> Finding | None:
    zero = _zero(look, channel, rows)
    if zero is None:
        return None
    covered = max(_K * math.hypot(zero.u, channel.calibration.accuracy.constant), FRICTION_SHARE * channel.high)
    if abs(zero.mean) <= covered:
        return None
    said = f"{channel.name} reads {zero.mean:+.3g} {channel.unit} at rest; {covered:.2g} {channel.unit} is covered"
    code, text = "zero_offset", f"{said}."
    if tare is not None and abs(tare.zero) > 2.0 * covered:
        if abs(zero.mean - tare.zero) <= covered:
            code, text = "tare_lost", f"{said}; it is the zero before the tare: the offset is not in force."
        elif abs(zero.mean + tare.zero) <= covered:
            code, text = "tare_doubled", f"{said}; it is the zero before the tare turned round: taken off twice."
    numbers = {"zero": zero.mean, "u": zero.u, "covered": covered, "of_range": zero.mean / channel.high}
    return Finding("caution", code, text, channel.name, *rows, numbers)


def _first_of_each(findings: list[Finding]) -> list[Finding]:
    """One finding a code and channel, the first: a wrong zero is wrong at every rest."""
    kept: dict[tuple[str, str], Finding] = {}
    for finding in findings:
        kept.setdefault((finding.code, finding.channel), finding)
    return list(kept.values())
