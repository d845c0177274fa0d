"""Fitted thermal networks of a profile: they run beside the measurement while it is recorded."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LossByCurrent:
    """``P = k I² (1 + alpha (T - 20 °C)) + P_0`` (1): I the channel [A], T the temperature of the part itself.

    ``square_w_a2`` k [W/A²] at 20 °C, ``alpha_per_k`` alpha [1/K], ``standing_w`` P_0 [W].
    """

    channel: str
    square_w_a2: float
    alpha_per_k: float
    standing_w: float

    def loss_w(self, squared: float, temp_c: float) -> float:
        """Loss [W] at a mean square of the current [A²] and a temperature [°C] (1)."""
        return self.square_w_a2 * squared * (1.0 + self.alpha_per_k * (temp_c - 20.0)) + self.standing_w


@dataclass(frozen=True, slots=True)
class LossMeasured:
    """A channel that is the loss itself [W], measured or derived."""

    channel: str


@dataclass(frozen=True, slots=True)
class ThermalModel:
    """``[thermal_models.NAME]``: what ``channel`` should read, by loss and reference, and how well it fitted.

    ``tau_s`` and ``resistance_k_w`` (fastest first) are the Foster form; ``limit`` names a limit above on ``channel``.
    ``scatter_k`` is the standard deviation of reading less estimate in the fit, ``memory_s`` how long such a difference
    remembers, ``u_k`` what may stay wrong for a whole run. All channels come from ``source``.
    """

    name: str
    source: str
    channel: str
    reference: str
    limit: str
    tau_s: tuple[float, ...]
    resistance_k_w: tuple[float, ...]
    loss: LossByCurrent | LossMeasured
    scatter_k: float
    memory_s: float
    u_k: float
