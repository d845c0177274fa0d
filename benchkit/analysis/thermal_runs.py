"""From the blocks of a run to thermal networks, a derating map and short-time loads.

The measured losses drive the networks: motor loss for winding and magnet, inverter loss for the junction. What is said
holds for the cooling of the run.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchkit.analysis.folding import Segment
from benchkit.analysis.power import shaft_power
from benchkit.analysis.thermal.loss_law import ALPHA_COPPER_20, fit_loss_law
from benchkit.analysis.thermal.orders import OrderChoice, choose_order
from benchkit.analysis.thermal.profile_model import with_scatter
from benchkit.analysis.thermal.ratings import Part, derating_map, rating
from benchkit.analysis.thermal.runs import ThermalRun, thermal_run
from benchkit.analysis.thermal.short_time import time_to_limit
from benchkit.analysis.uncertainty import correlation_time
from benchkit.errors import UsageError
from benchkit.model.limits import LimitKind, Severity
from benchkit.model.results import Estimate
from benchkit.model.results_thermal import NetworkOrder, ShortTime, ThermalLimits, ThermalNetwork, ThermalRating
from benchkit.model.stand import Channel, Role, Stand
from benchkit.model.thermal_models import LossByCurrent, ThermalModel

FloatArray = npt.NDArray[np.float64]

LEAST_RUN_S = 900.0
"""A network is fitted to no shorter stretch."""
LEAST_RISE_K = 5.0
"""Nor where the temperature moves less."""
MOST_ROWS = 300
ORDERS = (1, 2, 3)
LONGEST_GAP_S = 5.0
SHARES = (1.1, 1.25, 1.5)
"""Loads of the short-time table, as shares of the continuous current."""
WARM_SHARE = 0.7
"""Current before a warm start, as a share of the continuous one: about half the rise."""
DRAWS = 60
COOLANTS, SPEEDS = 5, 6
LEAST_TORQUE_SHARE = 0.1
_COPPER, _PLAIN = ALPHA_COPPER_20, 0.0


@dataclass(frozen=True, slots=True)
class _Kind:
    role: Role
    loss: str
    alpha: float


_KINDS = (
    _Kind(Role.WINDING_TEMP, "motor loss", _COPPER),
    _Kind(Role.MAGNET_TEMP, "motor loss", _PLAIN),
    _Kind(Role.JUNCTION_TEMP, "inverter loss", _PLAIN),
)


class _Blocks:
    """Columns of all blocks by role, in order of time; ``stretches`` are slices without a gap."""

    def __init__(self, stand: Stand, channels: Sequence[str], segments: Sequence[Segment]) -> None:
        self.stand = stand
        self._places = {role: channels.index(name) for role, name in stand.roles.items() if name in channels}
        self.time_s = np.concatenate([s.times for s in segments]) if segments else np.empty(0)
        self._means = np.concatenate([s.means for s in segments]) if segments else np.empty((0, len(channels)))

    def of(self, role: Role) -> FloatArray | None:
        place = self._places.get(role)
        return None if place is None else self._means[:, place]

    def loss(self, name: str) -> FloatArray | None:
        ac, dc_v, dc_i = (self.of(r) for r in (Role.AC_POWER, Role.DC_VOLTAGE, Role.DC_CURRENT))
        speed, torque = self.of(Role.SPEED), self.of(Role.TORQUE)
        if ac is None:
            return None
        if name == "motor loss":
            return None if speed is None or torque is None else ac - shaft_power(speed, torque)
        return None if dc_v is None or dc_i is None else dc_v * dc_i - ac

    def reference(self) -> tuple[str, FloatArray] | None:
        for role in (Role.COOLANT_INLET_TEMP, Role.AIR_TEMP):
            column = self.of(role)
            if column is not None and np.isfinite(column).any():
                return self.stand.roles[role], column
        return None


def thermal_limits(stand: Stand, channels: Sequence[str], segments: Sequence[Segment]) -> tuple[ThermalLimits, ...]:
    """Networks, derating map and short-time loads of one run; empty where no temperature heated under a measured loss.

    Steps of load inside the run are what tells the parts of a network apart: all stretches without a gap are fitted
    together.
    """
    blocks = _Blocks(stand, channels, segments)
    reference = blocks.reference()
    if reference is None or blocks.time_s.size < 40:
        return ()
    networks, parts = [], []
    for kind in _KINDS:
        found = _network(stand, blocks, kind, reference)
        if found is None:
            continue
        network, choice = found
        networks.append(network)
        part = _part(blocks, kind, network, choice)
        if part is not None:
            parts.append(part)
    if not networks:
        return ()
    derating, short_times = _limits(blocks, parts, reference[1])
    return (ThermalLimits(tuple(networks), derating, short_times),)


def _network(
    stand: Stand, blocks: _Blocks, kind: _Kind, reference: tuple[str, FloatArray]
) -> tuple[ThermalNetwork, OrderChoice] | None:
    channel = stand.channel_for(kind.role)
    temp, loss = blocks.of(kind.role), blocks.loss(kind.loss)
    limit = _limit(stand, kind.role, channel)
    if channel is None or temp is None or loss is None or limit is None:
        return None
    runs = _runs(blocks.time_s, temp, reference[1], loss, channel.name)
    if not runs or max(float(np.nanmax(r.temp_c) - np.nanmin(r.temp_c)) for r in runs) < LEAST_RISE_K:
        return None
    u_sensor = channel.calibration.accuracy.standard_uncertainty(float(np.nanmax(temp)))
    try:
        choice = choose_order(runs, ORDERS, u_sensor_k=u_sensor)
    except UsageError:
        return None
    fit = choice.fit
    network = ThermalNetwork(
        channel=channel.name,
        loss=kind.loss,
        reference=reference[0],
        limit_c=limit,
        tau_s=tuple(fit.tau(i) for i in range(fit.order)),
        resistance_k_w=tuple(fit.resistance(i) for i in range(fit.order)),
        total_k_w=fit.total(),
        residual_rms_k=fit.residual_rms_k,
        orders=tuple(
            NetworkOrder(row.order, row.fitted_rms_k, row.predicted_rms_k, row.order == choice.order, row.note)
            for row in choice.rows
        ),
        chosen_by=choice.by,
        notes=fit.notes,
    )
    return network, choice


def live_model_of(
    stand: Stand, channels: Sequence[str], segments: Sequence[Segment], channel: str, name: str
) -> ThermalModel:
    """Model for a profile from one run: the network of ``channel`` and its loss by the phase current.

    What of the loss goes with the speed stands at the median speed of the run.

    Raises:
        UsageError: a channel without a network here, a record that gives none, or no limit above on the channel.
    """
    kind = next((k for k in _KINDS if stand.roles.get(k.role) == channel), None)
    if kind is None:
        names = [stand.roles[k.role] for k in _KINDS if k.role in stand.roles]
        raise UsageError("no loss is known that heats this channel", got=channel, expected=", ".join(names))
    limits = [
        x for x in stand.limit_set.limits if x.channel == channel and x.kind is LimitKind.ABOVE and x.course is None
    ]
    if not limits:
        raise UsageError("no limit above on this channel", where=channel, remedy="A model gives the time to a limit.")
    limit = min(limits, key=lambda x: (x.severity is not Severity.TRIP, x.set_point))
    blocks = _Blocks(stand, channels, segments)
    reference = blocks.reference()
    found = None if reference is None or blocks.time_s.size < 40 else _network(stand, blocks, kind, reference)
    part = None if found is None else _part(blocks, kind, *found)
    columns = [blocks.of(kind.role), blocks.of(Role.SPEED), blocks.of(Role.PHASE_CURRENT)]
    if reference is None or found is None or part is None or any(x is None for x in columns):
        remedy = f"Hold a load for {LEAST_RUN_S / 60.0:g} min or more, change it once, and measure its losses."
        raise UsageError("this run gives no network with a loss law", where=channel, remedy=remedy)
    temp, speed, current = (np.asarray(x) for x in columns)
    standing = part.law.constant_w(float(np.nanmedian(np.abs(speed))))
    law = LossByCurrent(stand.roles[Role.PHASE_CURRENT], part.law.square_w_a2, part.law.alpha_per_k, standing)
    fit = part.network
    model = ThermalModel(
        name=name,
        source=stand.channels[channel].source,
        channel=channel,
        reference=reference[0],
        limit=limit.name,
        tau_s=tuple(fit.tau_s.tolist()),
        resistance_k_w=tuple(fit.resistance_k_w[0].tolist()),
        loss=law,
        scatter_k=math.nan,
        memory_s=math.nan,
        u_k=math.nan,
    )
    # the mean square over a block is more than the square of its mean by the ripple only
    run = max(_runs(blocks.time_s, temp, reference[1], current**2, channel), key=lambda r: float(np.ptp(r.time_s)))
    sensor = stand.channels[channel].calibration.accuracy.standard_uncertainty(float(np.nanmax(temp)))
    loss_w = float(np.nanmean([law.loss_w(float(x), float(y)) for x, y in zip(current**2, temp, strict=True)]))
    return with_scatter(model, run, run.loss_w[:, 0], math.hypot(sensor, fit.total().u * loss_w))


def heat_run(
    stand: Stand,
    channels: Sequence[str],
    time_s: FloatArray,
    means: FloatArray,
    channel: str,
    *,
    is_held: bool = False,
) -> tuple[ThermalRun, str]:
    """The last stretch without a gap of one temperature with what heats it, and the name of that.

    In this order: the loss measured by the powers, the square of the phase current, a load that is not known and held.
    ``is_held`` takes the last at once: a loss that is a small difference of noisy powers drives a network badly.

    Raises:
        UsageError: no such channel, no coolant or air beside it, or too few readings.
    """
    if channel not in channels:
        raise UsageError("no channel of that name in this stream", got=channel, expected=", ".join(channels))
    edges = np.arange(time_s.size + 1)
    blocks = _Blocks(stand, channels, [Segment(edges, time_s, means, np.ones(means.shape, dtype=np.int64), 0.0)])
    reference = blocks.reference()
    if reference is None:
        raise UsageError("neither coolant nor air is measured beside it", where=channel)
    names = {stand.roles[k.role]: k.loss for k in _KINDS if k.role in stand.roles}
    loss, what = (blocks.loss(names[channel]), names[channel]) if channel in names else (None, "")
    if is_held:
        loss, what = np.ones(time_s.size), "a held load"
    elif loss is None or not np.isfinite(loss).any():
        current = blocks.of(Role.PHASE_CURRENT)
        loss, what = (np.ones(time_s.size), "a held load") if current is None else (current**2, "current squared")
    good = np.isfinite(reference[1]) & np.isfinite(loss)
    breaks = np.flatnonzero((np.diff(time_s) > LONGEST_GAP_S) | ~good[1:])
    rows = slice(int(breaks[-1]) + 1 if breaks.size else 0, None)
    rows = slice(rows.start + int(np.argmax(good[rows])) if good[rows].any() else rows.start, None)
    temp = means[rows, channels.index(channel)]
    return thermal_run(time_s[rows], temp, reference[1][rows], loss[rows], name=channel), what


def _runs(t: FloatArray, temp: FloatArray, reference: FloatArray, loss: FloatArray, name: str) -> list[ThermalRun]:
    good = np.isfinite(reference) & np.isfinite(loss)
    ends = np.flatnonzero((np.diff(t) > LONGEST_GAP_S) | (np.diff(t) <= 0.0) | (good[1:] != good[:-1])) + 1
    found = []
    for rows in np.split(np.arange(t.size), ends):
        if not good[rows].all() or rows.size < 40 or t[rows[-1]] - t[rows[0]] < LEAST_RUN_S:
            continue
        length = max(rows.size // MOST_ROWS, 1)
        use = rows[: rows.size // length * length].reshape(-1, length)
        means = [np.mean(column[use], axis=1) for column in (t, temp, reference, loss)]
        try:
            found.append(thermal_run(means[0], means[1], means[2], means[3], name=name))
        except UsageError:
            continue
    return found


def _part(blocks: _Blocks, kind: _Kind, network: ThermalNetwork, choice: OrderChoice) -> Part | None:
    """A part with a loss law; None where the record does not give one."""
    current, speed = blocks.of(Role.PHASE_CURRENT), blocks.of(Role.SPEED)
    loss, temp = blocks.loss(kind.loss), blocks.of(kind.role)
    if current is None or speed is None or loss is None or temp is None or not choice.fit.total().value > 0.0:
        return None
    try:
        law = fit_loss_law(current, speed, temp, loss, alpha_per_k=kind.alpha)
    except UsageError:
        return None
    # neighbouring blocks remember, and no law is exact: what is left counts as often as it is independent
    good = np.isfinite(current) & np.isfinite(speed) & np.isfinite(loss) & np.isfinite(temp)
    left = np.array([
        p - law.loss_w(i, n, T)
        for p, i, n, T in zip(loss[good], current[good], speed[good], temp[good], strict=True)
    ])  # fmt: skip
    law = replace(law, covariance=law.covariance * correlation_time(left))
    return Part(network.channel, Estimate(network.limit_c, 0.0, "°C"), choice.fit, law)


def _limits(
    blocks: _Blocks, parts: Sequence[Part], reference: FloatArray
) -> tuple[tuple[tuple[ThermalRating, ...], ...], tuple[ShortTime, ...]]:
    speed = blocks.of(Role.SPEED)
    per_amp = _torque_per_amp(blocks)
    if not parts or speed is None or per_amp is None:
        return (), ()
    ran = speed[np.isfinite(speed) & (np.abs(speed) > 1.0)]
    if ran.size == 0:
        return (), ()
    at_c = float(np.nanmean(reference))
    speeds = _round(float(np.quantile(np.abs(ran), 0.02)), float(np.quantile(np.abs(ran), 0.98)), SPEEDS, 50.0)
    coolants = _round(at_c - 20.0, at_c + 20.0, COOLANTS, 5.0)
    grid = derating_map(parts, coolants, speeds, per_amp)
    rows = tuple(
        tuple(
            ThermalRating(
                r.coolant_c, r.speed_rpm, r.current_a, r.torque_nm, r.shaft_power_w, r.limited_by, r.is_extrapolated
            )
            for r in row
        )
        for row in grid
    )
    usual = float(np.median(np.abs(ran)))
    return rows, _short_times(parts, Estimate(at_c, 0.0, "°C"), usual, per_amp)


def _short_times(
    parts: Sequence[Part], coolant: Estimate, speed_rpm: float, per_amp: Estimate
) -> tuple[ShortTime, ...]:
    """Times to the limit of each part whose network is a ladder that the record determines."""
    held = rating(parts, coolant, speed_rpm, per_amp).current_a.value
    if math.isnan(held):
        return ()
    found = []
    for part in parts:
        R = part.network.resistance_k_w[part.kind]
        if not part.network.is_identifiable or np.any(R <= 0.0):
            continue
        rise = part.total_k_w().value * part.law.loss_w(WARM_SHARE * held, speed_rpm, part.limit_c.value)
        for start_c in (coolant.value, min(coolant.value + rise, part.limit_c.value)):
            for share in SHARES:
                start = Estimate(start_c, 0.0, "°C")
                time_s = time_to_limit(part, share * held, speed_rpm, coolant, start, draws=DRAWS)
                found.append(ShortTime(part.name, speed_rpm, coolant.value, start_c, share, share * held, time_s))
    return tuple(found)


def _torque_per_amp(blocks: _Blocks) -> Estimate | None:
    """Quotient of shaft torque and phase current over the loads of a run; its scatter between loads is its
    uncertainty."""
    torque, current = blocks.of(Role.TORQUE), blocks.of(Role.PHASE_CURRENT)
    if torque is None or current is None:
        return None
    good = np.isfinite(torque) & np.isfinite(current) & (current > 0.0)
    if not good.any():
        return None
    loaded = good & (torque > LEAST_TORQUE_SHARE * float(np.max(torque[good])))
    if np.count_nonzero(loaded) < 10 or not float(np.max(torque[good])) > 0.0:
        return None
    share = torque[loaded] / current[loaded]
    return Estimate(float(np.mean(share)), float(np.std(share)), "N·m/A")


def _round(low: float, high: float, count: int, step: float) -> list[float]:
    """Up to ``count`` values from low to high, in whole steps."""
    values = np.unique(np.round(np.linspace(low, high, count) / step) * step)
    return [float(x) for x in values]


def _limit(stand: Stand, role: Role, channel: Channel | None) -> float | None:
    """Nameplate limit of winding and magnet; for the junction the lowest trip limit above."""
    if role is Role.WINDING_TEMP:
        return stand.motor.winding_limit_c
    if role is Role.MAGNET_TEMP:
        return stand.motor.magnet_limit_c
    trips = [
        limit.set_point
        for limit in stand.limit_set.limits
        if channel is not None
        and limit.channel == channel.name
        and limit.kind is LimitKind.ABOVE
        and limit.severity is Severity.TRIP
    ]
    return min(trips, default=None)
