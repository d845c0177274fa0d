"""From a fitted part to a model that a profile can carry, with how well it does when it runs by itself.

What a fit leaves over is less than what such a model will: it begins from a reading, takes its loss from a law, and is
never corrected. So the model is run over the record it came from, and its scatter is that of its own differences.

Source: effective number of readings with memory as in :mod:`benchkit.analysis.uncertainty`; the rest is derived here.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from benchkit.analysis.thermal.live import LONGEST_STEP_S, live_model, start, step
from benchkit.analysis.thermal.memory import memory_of
from benchkit.analysis.thermal.networks import Foster
from benchkit.analysis.thermal.runs import ThermalRun
from benchkit.errors import UsageError
from benchkit.model.thermal_models import LossByCurrent, LossMeasured, ThermalModel

FloatArray = npt.NDArray[np.float64]
LEAST_SCATTER_K = 0.05
_BURN_IN = 3.0
"""Slowest time constants, or half of the record, until the start counts as forgotten."""


def differences(model: ThermalModel, run: ThermalRun, load: npt.ArrayLike) -> FloatArray:
    """Reading less estimate (n,) [K] of a model that runs over a record with ``load`` (n,): the mean square of the
    current [A²], or the loss [W]."""
    foster = Foster(np.array(model.resistance_k_w), np.array(model.tau_s))
    live = live_model(foster, sd_k=1.0, memory_s=1.0)
    loads = np.asarray(load, dtype=np.float64)

    def loss(i: int, temp_c: float) -> float:
        if isinstance(model.loss, LossMeasured):
            return float(loads[i])
        return model.loss.loss_w(float(loads[i]), temp_c)

    first = int(np.argmax(np.isfinite(run.temp_c)))
    temp = float(run.temp_c[first])
    state = start(live, float(run.time_s[first]), temp, float(run.reference_c[first]), loss(first, temp))
    found = np.full(run.time_s.size, np.nan)
    for i in range(first + 1, run.time_s.size):
        # a record of means may have longer steps than a recorder: cut, inputs held
        while run.time_s[i] - state.time_s > LONGEST_STEP_S:
            between = state.time_s + LONGEST_STEP_S
            state = step(live, state, between, loss(i, state.temp_c), float(run.reference_c[i]))
        state = step(live, state, float(run.time_s[i]), loss(i, state.temp_c), float(run.reference_c[i]))
        found[i] = run.temp_c[i] - state.temp_c
    return found


def with_scatter(model: ThermalModel, run: ThermalRun, load: npt.ArrayLike, u_k: float) -> ThermalModel:
    """The model with scatter, memory and constant uncertainty as they are over a record.

    The constant part is ``u_k`` [K] (sensor, resistance) and the mean difference together.

    Raises:
        UsageError: too few readings after its start is forgotten.
    """
    span = float(run.time_s[-1] - run.time_s[0])
    after = run.time_s[0] + min(_BURN_IN * model.tau_s[-1], 0.5 * span)
    left = differences(model, run, load)
    left = left[np.isfinite(left) & (run.time_s >= after)]
    if left.size < 20:
        raise UsageError("too few readings to say how well a model runs", got=left.size, expected="at least 20")
    off = float(left.mean())
    dt = span / (run.time_s.size - 1)
    # a first-order memory of tau counts 2 tau/dt readings as one
    memory_s = max(0.5 * memory_of(left - off).time * dt, dt)
    scatter = max(float(np.std(left)), LEAST_SCATTER_K)
    return replace(model, scatter_k=scatter, memory_s=memory_s, u_k=math.hypot(u_k, off))


def section(model: ThermalModel) -> str:
    """``[thermal_models.NAME]`` as TOML, ready to paste into a profile."""
    if isinstance(model.loss, LossByCurrent):
        loss = (
            f'{{ kind = "current", channel = "{model.loss.channel}", w_per_a2 = {model.loss.square_w_a2:.6g}, '
            f"alpha_per_k = {model.loss.alpha_per_k:.4g}, "
            f'standing = {{ value = {model.loss.standing_w:.5g}, unit = "W" }} }}'
        )
    else:
        loss = f'{{ kind = "measured", channel = "{model.loss.channel}" }}'
    return "\n".join(
        (
            f"[thermal_models.{model.name}]",
            f'channel = "{model.channel}"',
            f'reference = "{model.reference}"',
            f'limit = "{model.limit}"',
            f"time_constants_s = [{', '.join(f'{x:.5g}' for x in model.tau_s)}]",
            f"resistances_k_per_w = [{', '.join(f'{x:.5g}' for x in model.resistance_k_w)}]",
            f"loss = {loss}",
            f'scatter = {{ value = {model.scatter_k:.3g}, unit = "K" }}',
            f'memory = {{ value = {model.memory_s:.3g}, unit = "s" }}',
            f'u_constant = {{ value = {model.u_k:.3g}, unit = "K" }}',
        )
    )
