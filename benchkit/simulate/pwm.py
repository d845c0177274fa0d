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
ComplexArray = npt.NDArray[np.complex128]

DEAD_TIME_LEFT = 0.25
EDGE_SAMPLES = 2.0
LEAST_PULSE = 0.04
"""Shortest pulse and shortest pause, as a share of the period: the drive does not make shorter ones."""
GATE_V = 15.0
TORQUE_ORDER_6 = 0.012
"""Amplitude of the torque ripple at six times the electrical frequency over the mean torque."""
NOISE_COUNTS = 0.7
"""Standard deviation of the noise of every channel, in steps of its converter."""
MOST_ROWS = 1 << 15
"""Of one block."""
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
        self._noise = NOISE_COUNTS * rng.standard_normal((len(source.channels), 2 * MOST_ROWS))
        self._rng = rng
        self._sample = 0
        self._angle = 0.0

    def block(self, rows: int, state: PwmState) -> npt.NDArray[np.generic]:
        """The next ``rows`` samples (at most ``MOST_ROWS``) at that operating point."""
        t = np.arange(rows) / self._rate
        values = self._values(t, state)
        counts = np.empty((len(self._source.channels), rows))
        for i, channel in enumerate(self._source.channels):
            counts[i] = values(channel)
            if channel.offset:
                counts[i] -= channel.offset
            counts[i] *= 1.0 / channel.gain
        start = int(self._rng.integers(0, MOST_ROWS))
        counts += self._noise[:, start : start + rows]
        self.skip(rows, state)
        wire = np.dtype(self._source.wire_type)
        if wire.kind != "f":
            limits = np.iinfo(wire)
            np.rint(counts, out=counts)
            np.clip(counts, limits.min, limits.max, out=counts)  # a converter has rails
        block: npt.NDArray[np.generic] = np.ascontiguousarray(counts.T.astype(wire))
        return block

    def skip(self, rows: int, state: PwmState) -> None:
        """Go on by so many samples that nobody sees."""
        self._sample += rows
        self._angle = (self._angle + self._omega(state) * rows / self._rate) % (2.0 * pi)

    def _omega(self, state: PwmState) -> float:
        return 2.0 * pi * self._drive.pole_pairs * state.speed_rpm / 60.0

    def _turn(self, rows: int, state: PwmState) -> ComplexArray:
        """exp(j angle) at every sample, as a product of coarse and fine steps: exact, and quicker than a cosine."""
        step = self._omega(state) / self._rate
        coarse = np.exp(1j * (self._angle + step * 64.0 * np.arange(-(-rows // 64))))
        turn: ComplexArray = np.outer(coarse, np.exp(1j * step * np.arange(64))).ravel()[:rows]
        return turn

    def _values(self, t: FloatArray, state: PwmState) -> _Values:
        turn = self._turn(len(t), state)
        sixth = (turn**2) ** 3
        torque_nm = state.torque_nm * (1.0 + TORQUE_ORDER_6 * sixth.real)
        if state.gates_off:
            return _Values(t, state, {}, {}, {}, {}, np.zeros_like(t), torque_nm)
        d, u = self._drive, state.dc_voltage_v
        w = self._omega(state)
        v = complex(
            d.resistance_ohm * state.i_d_a - w * d.inductance_h * state.i_q_a,
            d.resistance_ohm * state.i_q_a + w * (d.inductance_h * state.i_d_a + d.flux_wb),
        )
        current = complex(state.i_d_a, state.i_q_a)
        period = 1.0 / d.switching_frequency_hz
        begin = self._sample / self._rate
        first = int(begin / period) - 1
        middles = (np.arange(first, first + int(len(t) / self._rate / period) + 4) + 0.5) * period - begin
        at_middles = np.exp(1j * (self._angle + w * middles))
        references = _three(v, at_middles)
        references -= 0.5 * (references.max(axis=0) + references.min(axis=0))
        duties = np.full_like(references, 0.5)
        if u > 0.0:
            duties = np.clip(0.5 + references / u, LEAST_PULSE, 1.0 - LEAST_PULSE)
        ramp = EDGE_SAMPLES / self._rate
        upper, lower = {}, {}
        legs = np.empty((3, len(t)))
        for x, (name, at) in enumerate(zip(LEGS, _three(current, at_middles), strict=True)):
            up, down, positive = middles - 0.5 * duties[x] * period, middles + 0.5 * duties[x] * period, at > 0.0
            legs[x] = _pulses(t, up + d.dead_time_s * positive, down + d.dead_time_s * ~positive, ramp)
            if self._wants(BurstRole.GATE_UPPER, name):
                upper[name] = _pulses(t, up + d.dead_time_s, down, ramp)
            if self._wants(BurstRole.GATE_LOWER, name):
                lower[name] = _pulses(t, down[:-1] + d.dead_time_s, up[1:], ramp)
        bounds: FloatArray = np.asarray(middles - 0.5 * period, dtype=np.float64)
        phase = u * (legs - legs.mean(axis=0)) - _three(v, turn)
        ripple = np.array([_without_line(t, np.cumsum(e) / (self._rate * d.inductance_h), bounds) for e in phase])
        currents = _three(current, turn) + self._distortion(state, turn, sixth, w) + ripple
        drawn = np.einsum("xt,xt->t", legs, currents)
        taken = _without_line(t, np.cumsum(drawn - drawn.mean()) / (self._rate * d.link_capacitance_f), bounds)
        by_leg = dict(zip(LEGS, currents, strict=True))
        return _Values(t, state, by_leg, dict(zip(LEGS, u * legs, strict=True)), upper, lower, -taken, torque_nm)

    def _wants(self, role: BurstRole, leg: str) -> bool:
        return bool([c for c in self._source.channels if c.role is role and c.leg == leg])

    def _distortion(self, state: PwmState, turn: ComplexArray, sixth: ComplexArray, w: float) -> FloatArray:
        """Harmonics 5 and 7 that are left of the dead-time error, a square wave of voltage with the current."""
        d = self._drive
        if not w > 0.0:
            return np.zeros((3, len(turn)))
        step_v = state.dc_voltage_v * d.dead_time_s * d.switching_frequency_hz * DEAD_TIME_LEFT
        lag = np.exp(1j * np.arctan2(state.i_q_a, state.i_d_a))
        total = np.zeros((3, len(turn)))
        for order, wave in ((5, sixth * turn.conj()), (7, sixth * turn)):
            peak = 4.0 / pi / order * step_v / (order * w * d.inductance_h)
            for x in range(3):
                total[x] += (peak * lag**order * np.exp(-2j * pi * order * x / 3.0) * wave).imag
        return total


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


def _three(peak: complex, turn: ComplexArray) -> FloatArray:
    """Phase quantities (3, n) of a dq quantity d + j q: d cos - q sin of the angle, a third of a turn apart."""
    shifts = peak * np.exp(-2j * pi * np.arange(3) / 3.0)
    phases: FloatArray = np.outer(shifts.real, turn.real) - np.outer(shifts.imag, turn.imag)
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
    rest: FloatArray = values - np.interp(t, knots, np.interp(knots, t, values))
    return rest
