"""A fitted network that runs beside the measurement: temperature, time to a limit, and whether it still matches.

Pure: time is an argument, a state goes in and a state comes out. The estimate is never corrected by the measurement,
so a sensor that fails, a pump that stops or a loss that has changed shows as a difference that stays.

It is an estimate beside the limits and takes the place of none: a software trip is not a safety function.

Source: (1) the exact step of :mod:`benchkit.analysis.thermal.lags`; (2) derived here; window and level of the test are
rules of this project.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchkit.analysis.thermal.networks import Foster, reference_weights
from benchkit.errors import UsageError

STOPPED_MATCHING = 3.9
"""The smoothed difference counts as too large beyond this many standard deviations: by chance once in 10 000
independent looks."""
WINDOW = 4.0
"""Memory times over which the difference is smoothed."""
LONGEST_STEP_S = 10.0
"""A longer gap between inputs is no step: the state is not known after it."""


@dataclass(frozen=True, slots=True)
class LiveModel:
    """What runs: ``tau_s``, ``resistance_k_w``, ``reference_weight`` (one each a lag), and how well it fitted.

    ``sd_k`` is the standard deviation of measured less estimated temperature in the fit, ``memory_s`` how long such a
    difference remembers; ``u_k`` is what may stay wrong for a whole run: the sensor, the loss, the parameters.
    """

    tau_s: tuple[float, ...]
    resistance_k_w: tuple[float, ...]
    reference_weight: tuple[float, ...]
    sd_k: float
    memory_s: float
    u_k: float


@dataclass(frozen=True, slots=True)
class LiveState:
    """The model at ``time_s``: rises by loss [K] and lags of the reference [°C], and the smoothed difference.

    ``weight`` is how much of the smoothing has filled, 0 to 1. ``temp_c`` NaN: not started, or lost in a gap.
    """

    time_s: float
    rise_k: tuple[float, ...]
    reference_c: tuple[float, ...]
    loss_w: float
    input_c: float
    temp_c: float
    difference_k: float = 0.0
    weight: float = 0.0
    matches: bool = True


def live_model(foster: Foster, *, sd_k: float, memory_s: float, u_k: float = 0.0) -> LiveModel:
    """Model of a fitted Foster form.

    ``sd_k`` [K], ``memory_s`` [s] and ``u_k`` [K] say how well it fitted, see :class:`LiveModel`.

    Raises:
        UsageError: standard deviation or memory that is not positive.
    """
    if not (sd_k > 0.0 and memory_s > 0.0):
        raise UsageError("a live model needs to know how well it fits", got=f"sd {sd_k:g} K, memory {memory_s:g} s")
    return LiveModel(
        tuple(map(float, foster.tau_s)),
        tuple(map(float, foster.resistance_k_w)),
        tuple(map(float, reference_weights(foster.tau_s))),
        sd_k,
        memory_s,
        u_k,
    )


def start(model: LiveModel, time_s: float, temp_c: float, reference_c: float, loss_w: float = 0.0) -> LiveState:
    """State at ``time_s`` [s] of a part that was long at ``temp_c`` [°C]: the rise [K] lies on its lags by their
    resistances. ``reference_c`` [°C] and ``loss_w`` [W] are the inputs now."""
    total = sum(model.resistance_k_w)
    rise = tuple((temp_c - reference_c) * R / total for R in model.resistance_k_w)
    return LiveState(time_s, rise, (reference_c,) * len(rise), loss_w, reference_c, temp_c)


def step(
    model: LiveModel, state: LiveState, time_s: float, loss_w: float, reference_c: float, measured_c: float = math.nan
) -> LiveState:
    """State at ``time_s`` [s], inputs straight since the last step; ``measured_c`` [°C] NaN: no reading.

    ``x' = phi x + (g - phi) u + (1 - g) u'`` (1) for every lag. Innovation test: the difference measured less
    estimated is smoothed over a window of four memory times, which leaves ``sd² memory/(memory + window)`` of a
    first-order noise; it matches while ``|d| <= 3.9 sqrt(sd² memory/(memory + window) + u²)`` (2). A difference that
    stays is found however small it is against the scatter.

    A NaN input, time that goes back, or a step longer than ten seconds lose the state: ``temp_c`` is NaN until a new
    :func:`start`.
    """
    dt = time_s - state.time_s
    lost = math.isnan(loss_w) or math.isnan(reference_c) or math.isnan(state.temp_c)
    if lost or not 0.0 <= dt <= LONGEST_STEP_S:
        return LiveState(time_s, state.rise_k, state.reference_c, loss_w, reference_c, math.nan, matches=False)
    if dt == 0.0:
        return state
    rises, references = [], []
    total = 0.0
    for tau, R, w, rise, reference in zip(
        model.tau_s, model.resistance_k_w, model.reference_weight, state.rise_k, state.reference_c, strict=True
    ):
        x = dt / tau
        phi = math.exp(-x)
        g = (1.0 - phi) / x if x > 1e-5 else 1.0 - 0.5 * x
        a, b = g - phi, 1.0 - g
        hotter = phi * rise + R * (a * state.loss_w + b * loss_w)
        lagged = phi * reference + a * state.input_c + b * reference_c
        rises.append(hotter)
        references.append(lagged)
        total += hotter + w * lagged
    difference, weight = state.difference_k, state.weight
    if not math.isnan(measured_c):
        keep = math.exp(-dt / (WINDOW * model.memory_s))
        difference = keep * difference + (1.0 - keep) * (measured_c - total)
        weight = 1.0 - keep * (1.0 - weight)
    return LiveState(
        time_s,
        tuple(rises),
        tuple(references),
        loss_w,
        reference_c,
        total,
        difference,
        weight,
        abs(difference) <= allowed_k(model) * max(weight, 1e-12) or weight < 0.5,
    )


def allowed_k(model: LiveModel) -> float:
    """Largest smoothed difference [K] that chance and the known uncertainty explain (2)."""
    return STOPPED_MATCHING * math.sqrt(model.sd_k**2 / (1.0 + WINDOW) + model.u_k**2)


def time_to_limit_s(model: LiveModel, state: LiveState, limit_c: float) -> float:
    """Time [s] until the estimate reaches a limit if loss and reference stay as they are now; NaN where it never does.

    0 beyond the limit; NaN, too, while the state is not known or no longer matches.
    """
    if not state.matches or math.isnan(state.temp_c):
        return math.nan
    if state.temp_c >= limit_c:
        return 0.0
    base = state.input_c
    parts = []
    for tau, R, w, rise, reference in zip(
        model.tau_s, model.resistance_k_w, model.reference_weight, state.rise_k, state.reference_c, strict=True
    ):
        end = R * state.loss_w
        base += end
        parts.append((rise - end + w * (reference - state.input_c), tau))
    scales = sorted(tau for _, tau in parts)
    before, t = 0.0, 0.05 * scales[0]
    while t < 12.0 * scales[-1]:
        if _at(base, parts, t) >= limit_c:
            return _crossing(base, parts, limit_c, before, t)
        before, t = t, 1.6 * t
    return math.nan


def _at(base: float, parts: list[tuple[float, float]], t: float) -> float:
    for part, tau in parts:
        base += part * math.exp(-t / tau)
    return base


def _crossing(base: float, parts: list[tuple[float, float]], limit_c: float, low: float, high: float) -> float:
    """Root between two times by the regula falsi of Illinois: about eight looks."""
    f_low, f_high = _at(base, parts, low) - limit_c, _at(base, parts, high) - limit_c
    side = 0
    t = high
    for _ in range(30):
        if f_high == f_low:
            break
        t = (low * f_high - high * f_low) / (f_high - f_low)
        f = _at(base, parts, t) - limit_c
        if abs(f) < 1e-6:
            break
        if f > 0.0:
            high, f_high = t, f
            if side == 1:
                f_low *= 0.5
            side = 1
        else:
            low, f_low = t, f
            if side == -1:
                f_high *= 0.5
            side = -1
    return t
