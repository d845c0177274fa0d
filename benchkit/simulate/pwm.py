"""What a burst sees of the simulated inverter: pulses, dead time, current and voltage ripple, sampled block by block.

Centre-aligned pulse-width modulation, sampled once a switching period, with the zero-sequence voltage that centres the
three references (common practice). A leg follows its command where the current lets it: during the dead time the diodes
carry the current, so

    (1) i > 0: on at up + t_d, off at down          i < 0: on at up, off at down + t_d

Edges are ramps two samples long, as a probe and an anti-alias filter make them. Between two middles of the off-time the
current moves by the voltage that is too much or too little for its fundamental, and the DC link by its current:

    (2) i_ripple = 1/L ∫ (v_phase - v_1) dt          (3) u_ripple = -1/C ∫ (Σ s_x i_x - mean) dt

both with the straight line between the ends of each period taken off (nothing is carried from period to period). Of the
dead-time error the current control leaves ``DEAD_TIME_LEFT``: it makes the harmonics 5 and 7 of the current.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np
import numpy.typing as npt

from benchkit.model.bursts import BurstChannel, BurstRole, BurstSource

FloatArray = npt.NDArray[np.float64]

DEAD_TIME_LEFT = 0.25
EDGE_SAMPLES = 2.0
LEAST_PULSE = 0.04
"""Shortest pulse and shortest pause, as a share of the period: the drive does not make shorter ones."""
GATE_V = 15.0
TORQUE_ORDER_6 = 0.012
"""Amplitude of the torque ripple at six times the electrical frequency over the mean torque."""
NOISE_COUNTS = 0.7
"""Standard deviation of the noise of every channel, in steps of its converter."""
_TABLE = 1 << 15
LEGS = ("a", "b", "c")


@dataclass(frozen=True, slots=True)
class PwmDrive:
    """What does not change: inductance and flux of the motor, and the inverter's switching. Coherent SI."""

    pole_pairs: int
    inductance_h: float
    resistance_ohm: float
    flux_wb: float
    link_capacitance_f: float
    switching_frequency_hz: float
    dead_time_s: float


@dataclass(frozen=True, slots=True)
class PwmState:
    """The operating point that a block is made for; dq quantities are peak values."""

    speed_rpm: float = 0.0
    torque_nm: float = 0.0
    i_d_a: float = 0.0
    i_q_a: float = 0.0
    dc_voltage_v: float = 0.0
    dc_current_a: float = 0.0
    gates_off: bool = True


class PwmWaves:
    """Samples of one burst source, one block after the other, as counts of its converter (rows, channels)."""

    def __init__(self, source: BurstSource, drive: PwmDrive, seed: int) -> None:
        self._source, self._drive = source, drive
        self._rate = source.sample_rate_hz
        rng = np.random.default_rng([seed, 77])
        self._noise = NOISE_COUNTS * rng.standard_normal((_TABLE, len(source.channels)))
        self._rng = rng
        self._sample = 0
        self._angle = 0.0

    def block(self, rows: int, state: PwmState) -> npt.NDArray[np.generic]:
        """The next ``rows`` samples at that operating point."""
        t = np.arange(rows) / self._rate
        values = self._values(t, state)
        channels = self._source.channels
        counts = np.empty((rows, len(channels)))
        for i, channel in enumerate(channels):
            counts[:, i] = (values(channel) - channel.offset) / channel.gain
        start = int(self._rng.integers(0, _TABLE))
        counts += self._noise[(start + np.arange(rows)) % _TABLE]
        self._sample += rows
        self._angle = (self._angle + 2.0 * pi * self._electrical_hz(state) * rows / self._rate) % (2.0 * pi)
        wire = np.dtype(self._source.wire_type)
        if wire.kind == "f":
            return counts.astype(wire)
        limits = np.iinfo(wire)
        return np.clip(np.rint(counts), limits.min, limits.max).astype(wire)  # a converter has rails

    def _electrical_hz(self, state: PwmState) -> float:
        return self._drive.pole_pairs * state.speed_rpm / 60.0

    def _values(self, t: FloatArray, state: PwmState) -> _Values:
        if state.gates_off:
            return _Values(t, state, {}, {}, {}, {}, np.zeros_like(t), np.zeros_like(t), self._torque(t, state))
        d, u = self._drive, state.dc_voltage_v
        w = 2.0 * pi * self._electrical_hz(state)
        v_d = d.resistance_ohm * state.i_d_a - w * d.inductance_h * state.i_q_a
        v_q = d.resistance_ohm * state.i_q_a + w * (d.inductance_h * state.i_d_a + d.flux_wb)
        period = 1.0 / d.switching_frequency_hz
        begin = self._sample / self._rate
        first = int(begin / period) - 1
        middles = (np.arange(first, first + int(len(t) / self._rate / period) + 4) + 0.5) * period - begin
        at_middles = self._angle + w * middles
        references = _three(v_d, v_q, at_middles)
        references -= 0.5 * (references.max(axis=0) + references.min(axis=0))
        duties = (
            np.clip(0.5 + references / u, LEAST_PULSE, 1.0 - LEAST_PULSE) if u > 0.0 else np.full_like(references, 0.5)
        )
        currents = _three(state.i_d_a, state.i_q_a, at_middles)
        angle = self._angle + w * t
        smooth = _three(state.i_d_a, state.i_q_a, angle) + self._distortion(state, angle, w)
        ramp = EDGE_SAMPLES / self._rate
        sides = {}
        legs = np.empty((3, len(t)))
        for x, name in enumerate(LEGS):
            up, down = middles - 0.5 * duties[x] * period, middles + 0.5 * duties[x] * period
            positive = currents[x] > 0.0
            legs[x] = _pulses(t, up + d.dead_time_s * positive, down + d.dead_time_s * ~positive, ramp)
            sides[name] = (up, down)
        bounds = middles - 0.5 * period
        phase = u * (legs - legs.mean(axis=0)) - _three(v_d, v_q, angle)
        ripple = np.array([_without_line(t, np.cumsum(e) / (self._rate * d.inductance_h), bounds) for e in phase])
        total = smooth + ripple
        drawn = (legs * total).sum(axis=0)
        taken = _without_line(t, np.cumsum(drawn - drawn.mean()) / (self._rate * d.link_capacitance_f), bounds)
        upper = {
            n: _pulses(t, s[0] + d.dead_time_s, s[1], ramp)
            for n, s in sides.items()
            if self._wants(BurstRole.GATE_UPPER, n)
        }
        lower = {
            n: _pulses(t, s[1][:-1] + d.dead_time_s, s[0][1:], ramp)
            for n, s in sides.items()
            if self._wants(BurstRole.GATE_LOWER, n)
        }
        return _Values(
            t, state, dict(zip(LEGS, total, strict=True)), dict(zip(LEGS, u * legs, strict=True)), upper, lower, -taken,
            drawn, self._torque(t, state),
        )  # fmt: skip

    def _wants(self, role: BurstRole, leg: str) -> bool:
        return bool([c for c in self._source.channels if c.role is role and c.leg == leg])

    def _distortion(self, state: PwmState, angle: FloatArray, w: float) -> FloatArray:
        """Harmonics 5 and 7 that are left of the dead-time error, a square wave of voltage with the current."""
        d = self._drive
        if not w > 0.0:
            return np.zeros((3, len(angle)))
        step_v = state.dc_voltage_v * d.dead_time_s * d.switching_frequency_hz * DEAD_TIME_LEFT
        lag = np.arctan2(state.i_q_a, state.i_d_a)
        total = np.zeros((3, len(angle)))
        for order in (5, 7):
            peak = 4.0 / pi / order * step_v / (order * w * d.inductance_h)
            for x in range(3):
                total[x] += peak * np.sin(order * (angle + lag - 2.0 * pi * x / 3.0))
        return total

    def _torque(self, t: FloatArray, state: PwmState) -> FloatArray:
        angle = self._angle + 2.0 * pi * self._electrical_hz(state) * t
        torque: FloatArray = state.torque_nm * (1.0 + TORQUE_ORDER_6 * np.cos(6.0 * angle))
        return torque


@dataclass(frozen=True, slots=True, eq=False)
class _Values:
    """What the channels of a block are read from."""

    t: FloatArray
    state: PwmState
    currents: dict[str, FloatArray]
    legs: dict[str, FloatArray]
    upper: dict[str, FloatArray]
    lower: dict[str, FloatArray]
    link_v: FloatArray
    drawn_a: FloatArray
    torque_nm: FloatArray

    def __call__(self, channel: BurstChannel) -> FloatArray:
        zero, state, leg = np.zeros_like(self.t), self.state, channel.leg
        found: dict[BurstRole, FloatArray] = {
            BurstRole.PHASE_CURRENT: self.currents.get(leg, zero),
            BurstRole.LEG_VOLTAGE: self.legs.get(leg, zero + 0.5 * state.dc_voltage_v),
            BurstRole.DC_VOLTAGE: self.link_v + state.dc_voltage_v,
            BurstRole.DC_CURRENT: zero + state.dc_current_a,
            BurstRole.GATE_UPPER: GATE_V * self.upper.get(leg, zero),
            BurstRole.GATE_LOWER: GATE_V * self.lower.get(leg, zero),
            BurstRole.SPEED: zero + state.speed_rpm,
            BurstRole.TORQUE: self.torque_nm,
        }
        return found.get(channel.role, zero)


def _three(d: float, q: float, angle: FloatArray) -> FloatArray:
    """Phase quantities (3, n) of dq quantities at electrical angles."""
    shifted = angle - np.array([[0.0], [2.0 * pi / 3.0], [4.0 * pi / 3.0]])
    phases: FloatArray = d * np.cos(shifted) - q * np.sin(shifted)
    return phases


def _pulses(t: FloatArray, rises: FloatArray, falls: FloatArray, ramp: float) -> FloatArray:
    """0 and 1, half way up at ``rises`` and half way down at ``falls``; one pulse after the other."""
    half = 0.5 * ramp
    times = np.column_stack([rises - half, rises + half, falls - half, falls + half]).ravel()
    levels = np.tile([0.0, 1.0, 1.0, 0.0], len(rises))
    pulses: FloatArray = np.interp(t, times, levels)
    return pulses


def _without_line(t: FloatArray, values: FloatArray, bounds: FloatArray) -> FloatArray:
    """``values`` less the straight lines between its own values at ``bounds``."""
    inside = bounds[(bounds > t[0]) & (bounds < t[-1])]
    knots = np.concatenate([[t[0]], inside, [t[-1]]])
    return values - np.interp(t, knots, np.interp(knots, t, values))
