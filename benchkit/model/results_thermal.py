"""Thermal results of a run: networks, what they let be held, and for how long."""

from __future__ import annotations

from dataclasses import dataclass

from benchkit.model.results import Estimate


@dataclass(frozen=True, slots=True)
class NetworkOrder:
    """One number of nodes that was tried: RMS of the fit, and of what it predicted of readings left out [K]."""

    order: int
    fitted_rms_k: float
    predicted_rms_k: float
    is_chosen: bool
    note: str = ""


@dataclass(frozen=True, slots=True)
class ThermalNetwork:
    """Fitted network of one temperature: time constants, resistances (fastest first), their sum.

    ``loss`` names what drives it, ``reference`` the channel of its coolant (or air). ``notes`` say what the record does
    not determine; ``chosen_by`` what was left out to choose the order.
    """

    channel: str
    loss: str
    reference: str
    limit_c: float
    tau_s: tuple[Estimate, ...]
    resistance_k_w: tuple[Estimate, ...]
    total_k_w: Estimate
    residual_rms_k: float
    orders: tuple[NetworkOrder, ...]
    chosen_by: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ThermalRating:
    """What may be held for ever at a speed and a coolant temperature, and the channel that limits it."""

    coolant_c: float
    speed_rpm: float
    current_a: Estimate
    torque_nm: Estimate
    shaft_power_w: Estimate
    limited_by: str
    is_extrapolated: bool


@dataclass(frozen=True, slots=True)
class ShortTime:
    """How long a load may be held, from coolant temperature and from the end of a lighter load.

    ``current_share`` is that of the continuous current. ``time_s`` infinite: for ever.
    """

    channel: str
    speed_rpm: float
    coolant_c: float
    start_c: float
    current_share: float
    current_a: float
    time_s: Estimate


@dataclass(frozen=True, slots=True)
class ThermalLimits:
    """Networks of a run, the derating map (a row for each coolant temperature), and short-time loads."""

    networks: tuple[ThermalNetwork, ...]
    derating: tuple[tuple[ThermalRating, ...], ...] = ()
    short_times: tuple[ShortTime, ...] = ()
