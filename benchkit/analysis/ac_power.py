"""Powers of alternating quantities from simultaneous samples of voltage and current.

Active power is the mean of the product v·i over whole electrical periods: exact for any waveform, harmonics and
switching included, as long as both were sampled at the same instants and fast enough. The product of means or of RMS
values is not a power. Motoring is positive: currents count towards the motor.

Source of the definitions: IEEE Std 1459-2010 (from memory): effective voltage and current of a three-wire system.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.uncertainty import propagate
from benchkit.errors import UsageError
from benchkit.model.results import Estimate

FloatArray = npt.NDArray[np.float64]

_THRESHOLD = 0.5
"""A crossing counts where the signal goes from so many RMS below zero to so many above: ripple is no period."""


@dataclass(frozen=True, slots=True)
class AcPower:
    """Powers of one window of ``periods`` whole periods at ``frequency_hz``."""

    active_w: float
    apparent_va: float
    voltage_v: float
    """Effective voltage: phase to neutral in a three-wire system, else RMS."""
    current_a: float
    """Effective current, RMS."""
    frequency_hz: float
    periods: int

    @property
    def power_factor(self) -> float:
        """``P / S`` [1], negative when power comes back; NaN without voltage or current."""
        return self.active_w / self.apparent_va if self.apparent_va > 0.0 else math.nan

    @property
    def nonactive_va(self) -> float:
        """``sqrt(S² - P²)`` [VA]: reactive power and everything else that carries no energy on the mean."""
        return math.sqrt(max(self.apparent_va**2 - self.active_w**2, 0.0))


def rising_crossings(time_s: npt.ArrayLike, signal: npt.ArrayLike) -> FloatArray:
    """Times [s] at which a signal about zero rises through it, interpolated; shape (k,).

    A crossing counts where the signal goes from half its RMS below zero to half its RMS above; of several in between
    (ripple) the last.

    >>> t = np.arange(0.0, 1.0, 0.01)
    >>> rising_crossings(t, np.sin(2 * np.pi * 4 * (t - 0.05))).round(3).tolist()
    [0.05, 0.3, 0.55, 0.8]
    """
    t, y = np.asarray(time_s, dtype=np.float64), np.asarray(signal, dtype=np.float64)
    level = _THRESHOLD * math.sqrt(float(np.mean(y**2))) if y.size else 0.0
    far = np.flatnonzero(np.abs(y) > level)
    turns = np.flatnonzero((y[far[:-1]] < 0.0) & (y[far[1:]] > 0.0))  # from far below to far above
    up = np.flatnonzero((y[:-1] < 0.0) & (y[1:] >= 0.0))
    at = up[np.searchsorted(up, far[turns + 1], side="left") - 1]  # the last crossing before
    return np.asarray(t[at] - y[at] * (t[at + 1] - t[at]) / (y[at + 1] - y[at]))


def mean_over(time_s: npt.ArrayLike, values: npt.ArrayLike, start_s: float, stop_s: float) -> FloatArray:
    """Mean of samples over a window whose ends need not be samples, by trapezoids.

    Times in [s], ``values`` (n,) or (n, columns) in any unit.

    ``1/(t2 - t1) ∫ y dt`` (1), y straight between samples. Over whole periods of equally spaced samples this is the
    plain mean, and exact for every harmonic below half the sample rate.
    """
    t, y = np.asarray(time_s, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if not (t.size >= 2 and t[0] <= start_s < stop_s <= t[-1]):
        raise UsageError("the window lies outside the samples", got=f"{start_s:g} … {stop_s:g} s")
    inside = (t > start_s) & (t < stop_s)
    grid = np.concatenate([[start_s], t[inside], [stop_s]])
    columns = y[:, None] if y.ndim == 1 else y
    ends = np.stack([[np.interp(at, t, column) for column in columns.T] for at in (start_s, stop_s)])
    z = np.concatenate([ends[:1], columns[inside], ends[1:]])
    total = np.sum(0.5 * (z[1:] + z[:-1]) * np.diff(grid)[:, None], axis=0) / (stop_s - start_s)
    return np.asarray(total if y.ndim > 1 else total[0])


def whole_periods(time_s: npt.ArrayLike, reference: npt.ArrayLike) -> tuple[float, float, int]:
    """Longest window of whole periods of ``reference``: its start and stop [s], and the number of periods.

    Take a phase current as reference: the inductance of the motor has smoothed it.

    Raises:
        UsageError: less than one whole period.
    """
    at = rising_crossings(time_s, reference)
    if at.size < 2:
        raise UsageError(
            "no whole electrical period in the window",
            got=f"{at.size} rising zero crossing{'s' if at.size != 1 else ''}",
            expected="two or more",
            remedy="Take a longer window, or a signal that goes through zero.",
        )
    return float(at[0]), float(at[-1]), int(at.size - 1)


def phase_power(time_s: npt.ArrayLike, voltage_v: npt.ArrayLike, current_a: npt.ArrayLike) -> AcPower:
    """Powers of one phase over whole periods of its current.

    ``P = 1/T ∫ v i dt`` (2), ``S = V I`` of RMS values (3).

    Args:
        time_s: sample times [s], shape (n,).
        voltage_v: [V], shape (n,), sampled at the same instants as
        current_a: [A], shape (n,).

    Raises:
        UsageError: shapes, samples that are not measured, or no whole period.

    >>> t = np.arange(4000) / 10e3
    >>> v, i = 325.0 * np.cos(314.159265 * t), 14.1 * np.cos(314.159265 * t - np.pi / 3)
    >>> found = phase_power(t, v, i)
    >>> round(found.active_w, 1), round(found.power_factor, 4)
    (1145.6, 0.5)
    """
    t, v, i = _checked(time_s, voltage_v, current_a, 1)
    start, stop, periods = whole_periods(t, i[:, 0])
    p, v2, i2 = mean_over(t, np.column_stack([v * i, v**2, i**2]), start, stop)
    voltage, current = math.sqrt(v2), math.sqrt(i2)
    return AcPower(float(p), voltage * current, voltage, current, periods / (stop - start), periods)


def three_phase_power(time_s: npt.ArrayLike, voltages_v: npt.ArrayLike, currents_a: npt.ArrayLike) -> AcPower:
    """Powers of three phases, voltages against one common point (neutral, or an artificial one).

    ``P = 1/T ∫ (v_u i_u + v_v i_v + v_w i_w) dt`` (4). Without a neutral conductor the common point may be any: it
    drops out. Effective values of the three-wire system: ``V_e² = (V_uv² + V_vw² + V_wu²)/9``,
    ``I_e² = (I_u² + I_v² + I_w²)/3``, ``S = 3 V_e I_e`` (5).

    Args:
        time_s: sample times [s], shape (n,).
        voltages_v: [V], shape (n, 3), sampled at the same instants as
        currents_a: [A], shape (n, 3); the first is the reference of the periods.

    Source: IEEE Std 1459-2010, three-wire systems (from memory).
    """
    t, v, i = _checked(time_s, voltages_v, currents_a, 3)
    between = v - np.roll(v, -1, axis=1)
    return _three_wire(t, np.sum(v * i, axis=1), between, i)


def aron_power(time_s: npt.ArrayLike, voltages_v: npt.ArrayLike, currents_a: npt.ArrayLike) -> AcPower:
    """Powers of a three-wire system by two wattmeters: line-to-line voltages and two line currents.

    ``P = 1/T ∫ (v_uw i_u + v_vw i_v) dt`` (6), exact wherever the three currents sum to zero: no neutral conductor and
    no leakage. S as (5). The common-mode current of an inverter goes to earth and is not in it.

    Args:
        time_s: sample times [s], shape (n,).
        voltages_v: v_uw, v_vw [V], shape (n, 2), sampled at the same instants as
        currents_a: i_u, i_v [A], shape (n, 2).
    """
    t, v, i = _checked(time_s, voltages_v, currents_a, 2)
    between = np.column_stack([v[:, 0] - v[:, 1], v[:, 1], -v[:, 0]])
    currents = np.column_stack([i, -i.sum(axis=1)])
    return _three_wire(t, np.sum(v * i, axis=1), between, currents)


def _three_wire(t: FloatArray, power: FloatArray, between: FloatArray, currents: FloatArray) -> AcPower:
    start, stop, periods = whole_periods(t, currents[:, 0])
    means = mean_over(t, np.column_stack([power, between**2, currents**2]), start, stop)
    voltage, current = math.sqrt(means[1:4].sum() / 9.0), math.sqrt(means[4:7].sum() / 3.0)
    return AcPower(float(means[0]), 3.0 * voltage * current, voltage, current, periods / (stop - start), periods)


def _checked(
    time_s: npt.ArrayLike, voltages: npt.ArrayLike, currents: npt.ArrayLike, columns: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    t = np.asarray(time_s, dtype=np.float64)
    v, i = (np.asarray(x, dtype=np.float64) for x in (voltages, currents))
    if columns == 1 and v.ndim == 1 and i.ndim == 1:
        v, i = v[:, None], i[:, None]
    if v.shape != (t.size, columns) or i.shape != v.shape:
        raise UsageError(
            "voltages and currents must have one column a phase",
            got=f"{v.shape}, {i.shape}",
            expected=str((t.size, columns)),
        )
    if not (np.all(np.isfinite(v)) and np.all(np.isfinite(i)) and np.all(np.diff(t) > 0.0)):
        raise UsageError(
            "samples of voltage and current with gaps, or times that do not rise",
            remedy="Take a window without gaps: a mean over part of a period is no power.",
        )
    return t, v, i


# ----------------------------------------------------------------------------------------------- uncertainty
def phase_of_delay(frequency_hz: npt.ArrayLike, delay_s: npt.ArrayLike) -> FloatArray:
    """Angle [rad] by which a delay between voltage and current channel turns the phase: ``2 pi f dt`` (7)."""
    return np.asarray(2.0 * math.pi * np.multiply(frequency_hz, delay_s), dtype=np.float64)


def active_power(found: AcPower, u_voltage: float, u_current: float, u_phase_rad: float) -> Estimate:
    """Active power [W] with its uncertainty from ratio and phase errors of the instruments.

    ``u(P)² = (P u_v)² + (P u_i)² + (N u_phi)²`` (8), N the nonactive power: at low power factor the phase angle rules,
    ``u(P)/P = tan(phi) u_phi``. Holds for the fundamental: harmonics are taken to have the same angle.

    Args:
        found: powers of a window.
        u_voltage: relative standard uncertainty of the voltage channel [1].
        u_current: relative standard uncertainty of the current channel [1].
        u_phase_rad: standard uncertainty of the angle between the two channels [rad].

    >>> at_low_factor = AcPower(100.0, 1000.0, 100.0, 10.0, 50.0, 10)
    >>> found = active_power(at_low_factor, 0.001, 0.001, 0.001)
    >>> round(found.u, 2), found.budget[0].name
    (1.0, 'phase angle')
    """
    p, q = found.active_w, found.nonactive_va

    def formula(gain_v: float, gain_i: float, angle: float) -> float:
        return gain_v * gain_i * (p * math.cos(angle) + q * math.sin(angle))

    inputs = [Estimate(1.0, u_voltage, "1"), Estimate(1.0, u_current, "1"), Estimate(0.0, u_phase_rad, "rad")]
    return propagate(formula, inputs, names=["voltage ratio", "current ratio", "phase angle"], unit="W")


def power_factor(found: AcPower, u_phase_rad: float) -> Estimate:
    """Power factor [1]; ratio errors cancel, ``u = sqrt(1 - PF²) u_phi`` (9)."""
    factor = found.power_factor
    sine = math.sqrt(max(1.0 - factor**2, 0.0))
    return propagate(
        lambda angle: factor * math.cos(angle) + sine * math.sin(angle),
        [Estimate(0.0, u_phase_rad, "rad")],
        names=["phase angle"],
    )


# ---------------------------------------------------------------------------------------------------- energy
@dataclass(frozen=True, slots=True)
class Energy:
    """Energy of a window, drawn and given back apart; ``missing_s`` is the time without a power."""

    drawn_j: float
    returned_j: float
    """Counted positive."""
    covered_s: float
    missing_s: float

    @property
    def net_j(self) -> float:
        """Drawn less returned [J]."""
        return self.drawn_j - self.returned_j


def energy(time_s: npt.ArrayLike, power_w: npt.ArrayLike, longest_gap_s: float) -> Energy:
    """Energy [J] of a power [W] over time [s], straight between samples; drawn (positive) and returned apart.

    An interval longer than ``longest_gap_s`` or with an end that was not measured counts as missing: it is not filled.
    An interval in which the power changes sign is cut at its zero.

    >>> energy([0.0, 1.0, 2.0], [10.0, 10.0, -10.0], 5.0)
    Energy(drawn_j=12.5, returned_j=2.5, covered_s=2.0, missing_s=0.0)
    """
    t, p = np.asarray(time_s, dtype=np.float64), np.asarray(power_w, dtype=np.float64)
    if t.shape != p.shape or t.ndim != 1 or not np.all(np.diff(t) > 0.0):
        raise UsageError("energy needs one power a time, and times that rise", got=f"{t.shape}, {p.shape}")
    step, a, b = np.diff(t), p[:-1], p[1:]
    good = np.isfinite(a) & np.isfinite(b) & (step <= longest_gap_s)
    step_good, a, b = step[good], a[good], b[good]
    mean = 0.5 * (a + b)
    with np.errstate(divide="ignore", invalid="ignore"):
        crosses = a * b < 0.0
        high, low = np.maximum(a, b), np.minimum(a, b)
        above = np.where(crosses, 0.5 * high * high / (high - low), np.maximum(mean, 0.0))
    drawn = float(np.sum(above * step_good))
    net = float(np.sum(mean * step_good))
    covered = float(np.sum(step_good))
    return Energy(drawn, drawn - net, covered, float(np.sum(step)) - covered)
