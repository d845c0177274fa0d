"""Checks of temperatures: open, reversed or wrong thermocouples, pick-up from the gates, a probe that came off."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from benchkit.analysis.quality.look import FloatArray, Look, longest_run, middle, runs
from benchkit.analysis.quality.point_facts import scatter
from benchkit.model.results import Finding
from benchkit.model.sensors import ThermocoupleType, emf_mv
from benchkit.model.stand import Channel, Role

OPEN_S = 2.0
"""So long at the end of the range, or without a value, before a thermocouple is called open."""
COLDER_K = 5.0
"""A part of a drive cannot be colder than both coolant and air; so much is left for sensors and a cold floor."""
_COLDER_S = 5
SOAK_K = 15.0
"""Coolant must be so much warmer than the terminals before types can be told apart."""
_SOAK_SPREAD_K = 1.0
"""What parts soaked in the coolant may differ by from their losses to the air (common practice, no source)."""
NOISE_RATIO = 3.0
NOISE_K = 0.15
"""Scatter from which pick-up is worth a word: more than any usual converter makes by itself."""
FALL_K = 2.0
FALL_S = 5
NO_LOWER = 0.98
"""A torque lower by 2 % is 4 % less copper loss: a kelvin or two."""
LOAD_MEMORY_S = 60
"""After a lower load parts get colder; after so long the rest of it is slower than :data:`FALL_K` in :data:`FALL_S`."""


def open_circuit(look: Look) -> list[Finding]:
    """A temperature that rests on an end of its range, or has no value, for two seconds and more."""
    findings = []
    for channel in look.temperatures():
        spell = look.rows.at_the_end.get(channel.name)
        if spell is None or spell.length * look.interval_s < OPEN_S:
            continue
        what = "no value" if math.isnan(spell.level) else f"{spell.level:.1f} °C, the end of its range,"
        text = f"{channel.name} shows {what} for {spell.length * look.interval_s:.1f} s."
        rows = (spell.first, spell.first + spell.length)
        findings.append(Finding("error", "thermocouple_open", text, channel.name, *rows))
    return findings


def reversed_wires(look: Look) -> list[Finding]:
    """A temperature below both coolant and air: the wires of its thermocouple are crossed."""
    findings = []
    for channel in look.temperatures():
        around = [
            look.seconds_of(role)
            for role in (Role.COOLANT_INLET_TEMP, Role.AIR_TEMP)
            if look.has(role) and look.name(role) != channel.name
        ]
        if not around or channel.name == look.stand.roles.get(Role.AIR_TEMP):
            continue
        here = look.seconds[:, look.stream.channels.index(channel.name)]
        below = np.fmin.reduce(around, axis=0) - here
        first, length = longest_run(below > COLDER_K)
        if length < _COLDER_S:
            continue
        rows = (int(look.second_edges[first]), int(look.second_edges[first + length]))
        depth = float(np.max(below[first : first + length]))
        text = f"{channel.name} is up to {depth:.1f} K colder than the coldest of coolant and air."
        findings.append(Finding("error", "thermocouple_reversed", text, channel.name, *rows, {"below_k": depth}))
    return findings


def soaked(look: Look) -> str:
    """Why the soak check cannot be made; empty where it can: parts at rest in coolant warmer than the air."""
    if not look.rest:
        return "needs a stretch at rest"
    coolant = _at_rest(look, look.channel(Role.COOLANT_INLET_TEMP))
    air = _at_rest(look, look.channel(Role.AIR_TEMP))
    if not coolant - air >= SOAK_K:
        return f"needs coolant {SOAK_K:g} K warmer than the air before the run"
    return ""


def wrong_type(look: Look) -> list[Finding]:
    """Soaked at rest all parts have the temperature of the coolant; a wrong type shows the difference to its terminals
    too small or too large by the ratio of the types."""
    parts = [c for c in look.temperatures() if c.name != look.stand.roles.get(Role.AIR_TEMP)]
    if len(parts) < 3:
        return []
    air = _at_rest(look, look.channel(Role.AIR_TEMP))
    level = np.array([_at_rest(look, c) for c in parts])
    middle = float(np.nanmedian(level))
    findings = []
    for channel, here in zip(parts, level.tolist(), strict=True):
        covered = 3.0 * math.hypot(channel.calibration.accuracy.constant, 0.3) + _SOAK_SPREAD_K
        if not abs(here - middle) > covered or here < air - COLDER_K:
            continue
        ratio = (here - air) / (middle - air)
        name, _ = min(_ratios(air, middle).items(), key=lambda pair: abs(math.log(max(ratio, 1e-3) / pair[1])))
        text = (
            f"Soaked at rest {channel.name} shows {here:.1f} °C, the others {middle:.1f} °C: {ratio:.2f} of the "
            f"difference to the terminals at {air:.1f} °C, as if {name}."
        )
        findings.append(Finding("caution", "thermocouple_type", text, channel.name, *look.rest[0], {"ratio": ratio}))
    return findings


def _ratios(terminals_c: float, level_c: float) -> Mapping[str, float]:
    """Shown over true difference to the terminals for each pair of types near ``level_c``."""
    difference = {
        kind: float(emf_mv(kind, np.array([level_c]))[0] - emf_mv(kind, np.array([terminals_c]))[0])
        for kind in ThermocoupleType
    }
    return {
        f"a {a.name} wire were read as {b.name}": difference[a] / difference[b]
        for a in ThermocoupleType
        for b in ThermocoupleType
        if a is not b
    }


def gate_noise(look: Look) -> list[Finding]:
    """Scatter of a temperature at load against that at rest."""
    names = [channel.name for channel in look.temperatures()]
    at_rest = [{name: scatter(still.column(name)) for name in names} for still in map(look.at_rest, look.rest)]
    at_load = [look.facts(point).scatter_k for point in look.points]
    findings = []
    for channel in look.temperatures():
        still = np.array([found[channel.name] for found in at_rest])
        running = np.array([found[channel.name] for found in at_load])
        if np.isnan(still).all() or np.isnan(running).all():
            continue
        quiet, loud = float(np.nanmedian(still)), float(np.nanmax(running))
        if loud > NOISE_K and loud > NOISE_RATIO * max(quiet, 0.01):
            point = look.points[int(np.nanargmax(running))]
            text = f"{channel.name} scatters by {loud:.2f} K while the gates switch and by {quiet:.2f} K at rest."
            numbers = {"running_k": loud, "rest_k": quiet}
            rows = (point.row_start, point.row_stop)
            findings.append(Finding("caution", "gate_noise", text, channel.name, *rows, numbers))
    return findings


def detached(look: Look) -> list[Finding]:
    """A part that gets colder fast while the load is not lower than before and the coolant no colder."""
    speed, torque = np.abs(look.seconds_of(Role.SPEED)), np.abs(look.seconds_of(Role.TORQUE))
    # neither may have been larger: iron goes with speed, copper with torque
    held = speed >= NO_LOWER * _trailing_max(speed, LOAD_MEMORY_S)
    held &= torque >= NO_LOWER * _trailing_max(torque, LOAD_MEMORY_S)
    held &= speed * torque > 0.02 * look.stand.motor.rated_torque_nm * look.stand.motor.max_speed_rpm
    load = speed
    inlet = look.seconds_of(Role.COOLANT_INLET_TEMP) if look.has(Role.COOLANT_INLET_TEMP) else None
    window = FALL_S + 1
    if load.size <= window:
        return []
    whole = np.lib.stride_tricks.sliding_window_view(held, window).all(axis=1)
    findings = []
    for channel in look.parts():
        here = look.seconds[:, look.stream.channels.index(channel.name)]
        fall = here[:-FALL_S] - here[FALL_S:]
        if inlet is not None:
            fall = fall - np.maximum(0.0, inlet[:-FALL_S] - inlet[FALL_S:])
        rows = runs(whole & (fall > FALL_K))
        if not rows:
            continue
        first = rows[0][0]
        most = float(np.nanmax(np.where(whole, fall, np.nan)))
        text = (
            f"{channel.name} falls by {most:.1f} K in {FALL_S} s while the load is as high as before: is it still on?"
        )
        where = (int(look.second_edges[first]), int(look.second_edges[min(rows[-1][1] + FALL_S, load.size)]))
        findings.append(Finding("error", "probe_detached", text, channel.name, *where, {"fall_k": most}))
    return findings


# ------------------------------------------------------------------------------------------------ small parts
def _at_rest(look: Look, channel: Channel) -> float:
    """Median of a channel over the first rest; NaN where it is not measured there."""
    return middle(look.at_rest(look.rest[0]).column(channel.name))


def _trailing_max(values: FloatArray, width: int) -> FloatArray:
    """Largest of the last ``width`` values up to each one; NaN counts as nothing."""
    padded = np.concatenate([np.full(width - 1, -np.inf), np.where(np.isnan(values), -np.inf, values)])
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, width).max(axis=1))
