"""What warms in a mission: the networks that a run has given, and parts with one time constant beside them.

A mission knows the loss of the whole drive; a network was driven by that of the motor or of the inverter. Their share
comes from the operating points of the run, as a line over the loss of the drive: ``P_part = a + b P_drive`` (1).

Source: networks as in :mod:`benchkit.analysis.thermal.networks`; the line (1) is a rule of this project.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchkit.analysis.endurance import ThermalModel, draw_parts
from benchkit.analysis.fitting import fit_linear
from benchkit.errors import UsageError
from benchkit.model.battery import Mission
from benchkit.model.results import Estimate, PowerBalance
from benchkit.model.results_thermal import ThermalLimits, ThermalNetwork

FloatArray = npt.NDArray[np.float64]
LEAST_POINTS = 4
"""Fewer operating points give no line (1): the networks are then not used."""


@dataclass(frozen=True, slots=True, eq=False)
class WarmingNetwork:
    """One fitted network by trial: lags ``x' = (R P - x)/tau``, each stepped exactly, their sum over the coolant.

    State (order, trials) [K], temperatures and limits [°C], losses [W], time [s].
    """

    name: str
    limit_c: float
    tau_s: FloatArray
    """(order, trials)."""
    resistance: FloatArray
    """(order, trials) [K/W]."""
    share: FloatArray
    """a [W] and b of (1) by trial (2, trials)."""
    coolant_c: FloatArray

    @property
    def names(self) -> tuple[str, ...]:
        return (self.name,)

    @property
    def limits_c(self) -> tuple[float, ...]:
        return (self.limit_c,)

    def start(self, trials: int) -> FloatArray:
        return np.zeros((self.tau_s.shape[0], trials))

    def step(self, state: FloatArray, loss_w: FloatArray, dt_s: float) -> FloatArray:
        keep = np.exp(-dt_s / self.tau_s)
        part_w = self.share[0] + self.share[1] * loss_w
        return np.asarray(state * keep + self.resistance * part_w * (1.0 - keep))

    def temps_c(self, state: FloatArray) -> FloatArray:
        return np.asarray(self.coolant_c + state.sum(axis=0))[None, :]


@dataclass(frozen=True, slots=True, eq=False)
class SideBySide:
    """Several thermal models under one loss [W]: states [K] one under the other, temperatures [°C], time [s]."""

    models: tuple[ThermalModel, ...]
    rows: tuple[int, ...]
    """Rows of state that each has."""

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(name for model in self.models for name in model.names)

    @property
    def limits_c(self) -> tuple[float, ...]:
        return tuple(limit for model in self.models for limit in model.limits_c)

    def start(self, trials: int) -> FloatArray:
        return np.concatenate([model.start(trials) for model in self.models])

    def step(self, state: FloatArray, loss_w: FloatArray, dt_s: float) -> FloatArray:
        return np.concatenate([m.step(x, loss_w, dt_s) for m, x in zip(self.models, self._split(state), strict=True)])

    def temps_c(self, state: FloatArray) -> FloatArray:
        return np.concatenate([m.temps_c(x) for m, x in zip(self.models, self._split(state), strict=True)])

    def _split(self, state: FloatArray) -> list[FloatArray]:
        return np.split(state, np.cumsum(self.rows)[:-1])


def mission_thermal(
    mission: Mission,
    balances: Sequence[PowerBalance],
    thermal: Sequence[ThermalLimits],
    trials: int,
    rng: np.random.Generator,
) -> ThermalModel | None:
    """The networks of a run that it determines, and the parts of the mission that bear other names; None without any.

    Networks need :data:`LEAST_POINTS` operating points for (1); with fewer, or without any network, the parts stand
    alone.
    """
    networks = [n for limits in thermal for n in limits.networks if not n.notes and n.total_k_w.value > 0.0]
    coolant = mission.coolant_c + mission.u_coolant_k * rng.standard_normal(trials) if networks else np.empty(0)
    warming = [x for n in networks if (x := _drawn(n, balances, coolant, rng)) is not None]
    described = {model.name for model in warming}
    parts = tuple(part for part in mission.parts if part.name not in described)
    models: list[ThermalModel] = [*warming]
    rows = [model.tau_s.shape[0] for model in warming]
    if parts:
        alone = draw_parts(replace(mission, parts=parts), trials, rng)
        # one coolant for all
        models.append(replace(alone, coolant_c=coolant) if warming else alone)
        rows.append(len(parts))
    if not models:
        return None
    return models[0] if len(models) == 1 else SideBySide(tuple(models), tuple(rows))


def _drawn(
    network: ThermalNetwork, balances: Sequence[PowerBalance], coolant_c: FloatArray, rng: np.random.Generator
) -> WarmingNetwork | None:
    """Trials of a network: the total resistance as a lognormal, the parts in proportion, each time constant on its own.

    Errors of parts that leave their sum as it is are left out: they move the way to the end, not the end.
    """
    trials = coolant_c.size
    share = _share(network.loss, balances, trials, rng)
    if share is None:
        return None
    total = _lognormal(network.total_k_w, trials, rng)
    fitted = np.array([R.value for R in network.resistance_k_w])
    return WarmingNetwork(
        name=network.channel,
        limit_c=network.limit_c,
        tau_s=np.stack([_lognormal(tau, trials, rng) for tau in network.tau_s]),
        resistance=fitted[:, None] / fitted.sum() * total,
        share=share,
        coolant_c=coolant_c,
    )


def _lognormal(estimate: Estimate, trials: int, rng: np.random.Generator) -> FloatArray:
    u = estimate.u / estimate.value
    return np.asarray(estimate.value * np.exp(u * rng.standard_normal(trials) - 0.5 * u**2))


def _share(loss: str, balances: Sequence[PowerBalance], trials: int, rng: np.random.Generator) -> FloatArray | None:
    """Trials (2, trials) of a and b of (1); what the points scatter about the line goes into a."""
    part = {"motor loss": "motor_loss_w", "inverter loss": "inverter_loss_w"}[loss]
    pairs = [(b.drive_loss_w, getattr(b, part)) for b in balances]
    pairs = [(x, y) for x, y in pairs if x.is_measured and y.is_measured]
    if len(pairs) < LEAST_POINTS:
        return None
    x, y = np.array([p[0].value for p in pairs]), np.array([p[1].value for p in pairs])
    try:
        fit = fit_linear(np.stack([np.ones_like(x), x], axis=1), y)
    except UsageError:  # all points at one loss
        return None
    values, vectors = np.linalg.eigh(fit.covariance)
    drawn = fit.parameters[:, None] + (vectors * np.sqrt(np.maximum(values, 0.0))) @ rng.standard_normal((2, trials))
    scatter = math.sqrt(float(fit.residuals @ fit.residuals) / (x.size - 2))
    drawn[0] += scatter * rng.standard_normal(trials)
    return np.asarray(drawn)
