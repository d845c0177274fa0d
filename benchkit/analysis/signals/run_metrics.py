"""Metrics of a run out of what the analysis and the event log say already: losses, heating, starts, trips.

Every function gives :class:`~benchkit.model.metrics.Metric` objects with fixed names: runs can be laid side by side.

Source: what is counted is a rule of this project; intervals in :mod:`benchkit.analysis.signals.counts`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from math import hypot, inf, isfinite, log, nan

from benchkit.analysis.signals.counts import rate_per_hour, share
from benchkit.analysis.uncertainty import propagate
from benchkit.model.events import Event, EventKind
from benchkit.model.metrics import Metric
from benchkit.model.results import Estimate, HeatingFit, PowerBalance, RunResult
from benchkit.model.stand import Role, Stand

HELD_S = 5.0
"""A start has succeeded when the stand then runs so long, in host time, or is stopped in order."""
_LOSSES = ("inverter_loss", "motor_loss", "system_loss")


def loss_metrics(result: RunResult) -> tuple[Metric, ...]:
    """Losses in W: ``inverter_loss``, ``motor_loss``, ``system_loss`` (both together) of every point that counts, with
    the point as region, and their means over all points (no region).

    Points of one run share their calibrations: the uncertainty of a mean is the mean of the uncertainties, as if they
    were fully correlated. It is never too small.
    """
    metrics: list[Metric] = []
    balances = [b for b in result.balances if not b.point.is_excluded]
    for name in _LOSSES:
        own = [(b, e) for b in balances if (e := _loss(b, name)).is_measured]
        metrics += [Metric(name, e.value, e.u, "W", f"point {b.point.index}", _place(b), e.interval95) for b, e in own]
        if own:
            mean, u = (sum(getattr(e, part) for _, e in own) / len(own) for part in ("value", "u"))
            metrics.append(Metric(name, mean, u, "W", f"mean of {len(own)} points"))
    return tuple(metrics)


def thermal_metrics(result: RunResult, stand: Stand) -> tuple[Metric, ...]:
    """``temperature_rise_per_watt`` (K/W) and ``time_to_limit`` (s) of every temperature that was followed while it
    heated up, with the channel as region.

    (1) rise per watt = (T_end - T_coolant) / P, P the loss of that part: of the motor for winding and magnets, of the
    inverter for the junction, else of both, at the point whose stretch the fit shares most time with.
    (2) t = τ ln((T_end - T_coolant) / (T_end - T_limit)), a start at the temperature of the coolant. NaN where the end
    lies below the limit: it is never reached at this load.
    """
    metrics: list[Metric] = []
    limits = {rating.channel: rating.limit_c for rating in result.ratings}
    for fit in result.heating:
        balance = _balance_of(fit, result.balances)
        if balance is not None:
            metrics.append(_rise_per_watt(fit, _loss(balance, _loss_name(fit.channel, stand))))
        limit_c = limits.get(fit.channel, _nameplate(fit.channel, stand))
        if limit_c is not None:
            metrics.append(_time_to_limit(fit, limit_c))
    return tuple(metrics)


def event_metrics(events: Sequence[Event], end_s: float, time_factor: float = 1.0) -> tuple[Metric, ...]:
    """Counts out of the event log with exact intervals: shares [1] and rates [1/h].

    ``start_reliability``: starts after which the stand ran for ``HELD_S`` or was stopped in order. ``fault_reaction``:
    stops commanded by a trip that were acknowledged at the first attempt. ``trips_per_hour`` and ``cautions_per_hour``
    count over the time in RUNNING, in hours of the stand. ``end_s`` is the end of the log in host time [s].
    """
    starts, succeeded, running_s = _starts(events, end_s)
    asked, answered = _reactions(events)
    hours = running_s * time_factor / 3600.0
    trips = sum(e.kind is EventKind.TRIP for e in events)
    cautions = sum(e.kind is EventKind.CAUTION for e in events)
    return (
        share("start_reliability", succeeded, starts),
        share("fault_reaction", answered, asked),
        rate_per_hour("trips_per_hour", trips, hours),
        rate_per_hour("cautions_per_hour", cautions, hours),
    )


def burst_means(bursts: Iterable[tuple[str, str, Sequence[Metric]]]) -> tuple[Metric, ...]:
    """Metrics of the bursts of a run (source, reason, metrics of each), averaged over bursts, phases and legs.

    Bursts that a trip or a caution started are another matter than those that a person asked for: each kind is averaged
    by itself, with source and kind as region. A mean of bursts says something beside that of another run where both
    were taken at the same operating points.
    """
    groups: dict[tuple[str, str], list[Metric]] = {}
    for source, reason, metrics in bursts:
        region = f"{source}, {_kind(reason)}"
        for metric in metrics:
            groups.setdefault((metric.name, region), []).append(metric)
    return tuple(replace(averaged(group), region=region) for (_, region), group in groups.items())


def averaged(group: Sequence[Metric]) -> Metric:
    """Mean of metrics of one name; those not measured are left out. Uncertainties count as fully correlated: they
    come from the same instrument."""
    known = [m for m in group if m.is_measured]
    if len(group) == 1 or not known:
        return group[0]
    value, u = (sum(getattr(m, part) for m in known) / len(known) for part in ("value", "u"))
    count = sum(m.averaged for m in known)
    return replace(known[0], value=value, u=u, note=f"mean of {count}", interval95=None, averaged=count)


def _kind(reason: str) -> str:
    head = reason.partition(":")[0]
    by_event = {"trip": "at a trip", "caution": "at a caution", "mark": "at a mark"}
    return by_event.get(head, "on demand")


def _loss(balance: PowerBalance, name: str) -> Estimate:
    return {
        "inverter_loss": balance.inverter_loss_w,
        "motor_loss": balance.motor_loss_w,
        "system_loss": balance.drive_loss_w,
    }[name]


def _place(balance: PowerBalance) -> str:
    return f"{balance.speed_rpm.value:.0f} rpm, {balance.torque_nm.value:.4g} N·m"


def _loss_name(channel: str, stand: Stand) -> str:
    motor = {stand.roles.get(role) for role in (Role.WINDING_TEMP, Role.MAGNET_TEMP)}
    if channel in motor:
        return "motor_loss"
    return "inverter_loss" if channel == stand.roles.get(Role.JUNCTION_TEMP) else "system_loss"


def _nameplate(channel: str, stand: Stand) -> float | None:
    if channel == stand.roles.get(Role.WINDING_TEMP):
        return stand.motor.winding_limit_c
    return stand.motor.magnet_limit_c if channel == stand.roles.get(Role.MAGNET_TEMP) else None


def _balance_of(fit: HeatingFit, balances: Iterable[PowerBalance]) -> PowerBalance | None:
    """The point that shares most time with the stretch of the fit."""

    def shared(balance: PowerBalance) -> float:
        point = balance.point
        return min(fit.time_end_s, point.time_end_s) - max(fit.time_start_s, point.time_start_s)

    return max((b for b in balances if shared(b) > 0.0), key=shared, default=None)


def _rise_per_watt(fit: HeatingFit, loss_w: Estimate) -> Metric:
    name, rise_k = "temperature_rise_per_watt", fit.final_c.value - fit.reference_c
    if not loss_w.is_measured or loss_w.value <= 0.0:
        return Metric(name, nan, nan, "K/W", "the loss was not measured", fit.channel)
    value = rise_k / loss_w.value
    u = hypot(fit.final_c.u / loss_w.value, value * loss_w.u / loss_w.value)
    note = f"{rise_k:.4g} K above {fit.reference_c:.4g} °C at a loss of {loss_w.value:.4g} W"
    return Metric(name, value, u, "K/W", note, fit.channel)


def _time_to_limit(fit: HeatingFit, limit_c: float) -> Metric:
    name, cold = "time_to_limit", fit.reference_c

    def seconds(tau_s: float, final_c: float) -> float:
        return tau_s * log((final_c - cold) / (final_c - limit_c))

    if not fit.final_c.value > limit_c > cold:
        note = f"ends at {fit.final_c.value:.4g} °C: {limit_c:g} °C is never reached at this load"
        return Metric(name, nan, nan, "s", note, fit.channel)
    if fit.final_c.value - limit_c < 3.0 * fit.final_c.u:
        note = f"ends at {fit.final_c.value:.4g} °C, not shown to be above {limit_c:g} °C"
        return Metric(name, nan, nan, "s", note, fit.channel)
    found = propagate(seconds, (fit.tau_s, fit.final_c), names=("time constant", "end"), unit="s")
    note = f"to {limit_c:g} °C from {cold:.4g} °C, one time constant"
    return Metric(name, found.value, found.u, "s", note, fit.channel, found.interval95)


def _starts(events: Sequence[Event], end_s: float) -> tuple[int, int, float]:
    """Starts, those that succeeded, and host time in RUNNING."""
    starts = succeeded = 0
    running_s = 0.0
    since = inf
    for event in events:
        if event.kind is not EventKind.STATE:
            continue
        if event.data.get("to") == "RUNNING":
            starts, since = starts + 1, event.time_s
        elif event.data.get("from") == "RUNNING" and isfinite(since):
            lasted = event.time_s - since
            running_s += lasted
            succeeded += lasted >= HELD_S or event.data.get("trigger") == "STOP"
            since = inf
    if isfinite(since):
        running_s += max(0.0, end_s - since)
        succeeded += end_s - since >= HELD_S
    return starts, succeeded, running_s


def _reactions(events: Sequence[Event]) -> tuple[int, int]:
    """Stops that a trip has commanded, and those that were acknowledged at the first attempt."""
    asked = answered = 0
    waiting: set[str] = set()
    for event in events:
        action = str(event.data.get("action", ""))
        if (
            event.kind is EventKind.STOP_COMMANDED
            and not event.data.get("is_orderly")
            and event.data.get("attempt") == 1
        ):
            asked += 1
            waiting.add(action)
        elif event.kind is EventKind.STOP_ACKNOWLEDGED and action in waiting:
            answered += event.data.get("attempt") == 1
            waiting.discard(action)
        elif event.kind is EventKind.STOP_NOT_ACKNOWLEDGED:
            waiting.discard(action)
    return asked, answered
