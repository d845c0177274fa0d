"""Requests for the checks before a run. Each looks at the last two seconds at rest; what it found is an event.

cold_soak       channels=[NAME, …]    temperatures that should agree; without it, all measured temperatures
zero_check      channels=[NAME, …]    channels that should show zero; without it, all forces, torques and currents
gates_noise     gates=off, later gates=on     scatter of every channel; both at zero torque

None of them keeps a run from starting: the checklist is where a person answers for them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from importlib import import_module
from threading import Thread
from typing import TYPE_CHECKING, Any

from benchkit.analysis.pre_run import (
    NoiseRatio,
    Reading,
    cold_soak,
    noise_findings,
    noise_ratio,
    reading_of,
    zero_check,
)
from benchkit.errors import RefusedError, did_you_mean
from benchkit.model.events import EventKind, JsonValue
from benchkit.model.results import Finding
from benchkit.model.stand import Channel
from benchkit.model.start_conditions import ZERO_AT_REST
from benchkit.session.tare import AT_REST, FEWEST_ROWS, WINDOW_NS, largest_speed, rows_of
from benchkit.units import Quantity

if TYPE_CHECKING:
    from benchkit.session.recorder import Recorder

Request = dict[str, Any]
FEWEST_FOR_SCATTER = 20
SHOWN = 12


class _Library:
    """What the F-test needs, fetched in a thread of its own: importing it takes a second; the loop does not wait."""

    def __init__(self) -> None:
        self._thread: Thread | None = None

    def fetch(self) -> None:
        """Begin to fetch it, once."""
        if self._thread is None:
            self._thread = Thread(target=import_module, args=("scipy.special",), daemon=True)
            self._thread.start()

    @property
    def is_there(self) -> bool:
        """True when a comparison holds nothing up."""
        return self._thread is not None and not self._thread.is_alive()


_LIBRARY = _Library()


def take_cold_soak(recorder: Recorder, request: Request) -> Request:
    """Do the temperatures agree?"""
    readings = _readings(recorder, request, "cold_soak", frozenset({Quantity.TEMPERATURE}))
    if len(readings) < 2:
        raise RefusedError("two temperatures or more are needed", where="cold_soak", got=list(readings))
    return _told(recorder, request, "cold_soak", cold_soak(readings), _as_json(readings))


def take_zero_check(recorder: Recorder, request: Request) -> Request:
    """Do forces, torques and currents show zero?"""
    readings = _readings(recorder, request, "zero_check", ZERO_AT_REST)
    if not readings:
        raise RefusedError("no channel of this stand is zero at rest", where="zero_check")
    return _told(recorder, request, "zero_check", zero_check(readings), _as_json(readings))


def take_gates_noise(recorder: Recorder, request: Request) -> Request:
    """With ``gates=off`` keep the rows to compare with; with ``gates=on`` compare."""
    gates = request.get("gates")
    if gates not in ("off", "on"):
        raise RefusedError("not said whether the gates are on", where="gates_noise", got=gates, expected="off, or on")
    if gates == "off":
        _LIBRARY.fetch()
    elif not _LIBRARY.is_there:
        raise RefusedError(
            "nothing to compare with yet",
            where="gates_noise",
            remedy="Ask with gates=off before; then wait some seconds.",
        )
    now = recorder.clock.now_ns()
    largest_speed(recorder, now, "gates_noise")
    channels = {c.name: c for c in recorder.stand.channels.values() if c.source in recorder.lanes}
    ratios: dict[str, NoiseRatio] = {}
    for lane in recorder.lanes.values():
        rows_of(lane, channels[lane.channel_names[0]], now, FEWEST_FOR_SCATTER, "gates_noise", allow_nan=True)
        _, table = lane.recent.since(now - WINDOW_NS)
        if gates == "off":
            lane.gates_off = table
        elif lane.gates_off is None:
            raise RefusedError("nothing to compare with", where="gates_noise", remedy="Ask with gates=off before.")
        else:
            pairs = zip(lane.channel_names, lane.gates_off.T, table.T, strict=True)
            ratios |= {name: noise_ratio(off, on) for name, off, on in pairs}
    if gates == "off":
        data: dict[str, JsonValue] = {"gates": "off", "channels": len(channels)}
        return _told(recorder, request, "gates_noise", (), data, "gates off: scatter kept for comparison")
    is_temperature = {name: c.quantity is Quantity.TEMPERATURE for name, c in channels.items()}
    units = {name: "K" if is_temperature[name] else c.unit for name, c in channels.items()}
    temperatures = frozenset(name for name in channels if is_temperature[name])
    found = noise_findings(ratios, units, temperatures)
    shown: dict[str, JsonValue] = {name: _plain(asdict(one)) for name, one in ratios.items()}
    return _told(recorder, request, "gates_noise", found, {"gates": "on", "channels": shown})


def _readings(recorder: Recorder, request: Request, check: str, quantities: frozenset[Quantity]) -> dict[str, Reading]:
    """Readings of the channels named, or of all measured ones of these quantities; at rest only."""
    now = recorder.clock.now_ns()
    if recorder.protection.state not in AT_REST:
        state = recorder.protection.state.value
        raise RefusedError("the stand must be at rest", where=check, got=state, remedy="Stop and disarm.")
    largest_speed(recorder, now, check)
    found = {}
    for channel in _channels(recorder, request.get("channels"), check, quantities):
        values = rows_of(recorder.lanes[channel.source], channel, now, FEWEST_ROWS, check, allow_nan=True)
        accuracy = channel.calibration.accuracy
        found[channel.name] = reading_of(values, accuracy.constant, accuracy.of_reading, channel.unit)
    return found


def _channels(recorder: Recorder, names: object, check: str, quantities: frozenset[Quantity]) -> Sequence[Channel]:
    known = {
        c.name: c
        for c in recorder.stand.channels.values()
        if c.source in recorder.lanes and c.derived is None and c.quantity in quantities
    }
    if names is None:
        return tuple(known.values())
    if not isinstance(names, list) or not names:
        raise RefusedError("no channels named", where=check, got=names, expected="a list of channel names")
    for name in names:
        if name not in known:
            hint = did_you_mean(str(name), known)
            raise RefusedError("no measured channel for this check", where=check, got=name, remedy=hint)
    return [known[name] for name in dict.fromkeys(names)]


def _told(
    recorder: Recorder,
    request: Request,
    check: str,
    findings: Sequence[Finding],
    data: Mapping[str, JsonValue],
    good: str = "",
) -> Request:
    lines: list[JsonValue] = [f"{one.channel} {one.message}" for one in findings]
    text = f"{check}: {good or 'all is well'}" if not lines else f"{check}: {'; '.join(map(str, lines[:SHOWN]))}"
    who = str(request.get("who", ""))[:80]
    body: dict[str, JsonValue] = {"check": check, "who": who, "findings": lines, **data}
    recorder.note(EventKind.PRE_RUN_CHECK, text, body)
    return {"done": [text], "findings": lines}


def _as_json(readings: Mapping[str, Reading]) -> dict[str, JsonValue]:
    return {"readings": {name: _plain(asdict(one)) for name, one in readings.items()}}


def _plain(values: Mapping[str, Any]) -> dict[str, JsonValue]:
    """JSON has no number for what is not finite."""
    return {key: None if isinstance(x, float) and not math.isfinite(x) else x for key, x in values.items()}
