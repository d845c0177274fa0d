"""Heat runs: where a run holds one load long enough to tell how hot it gets, and what may be held for ever."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from benchkit.analysis.steady import channel_means, steady_holds
from benchkit.analysis.thermal import continuous_rating, fit_heating
from benchkit.errors import UsageError
from benchkit.model.limits import LimitKind, Severity
from benchkit.model.results import ContinuousRating, Estimate, Finding, HeatingFit
from benchkit.model.stand import Channel, Role, Stand
from benchkit.model.stream import Stream

LEAST_RISE_K = 3.0
"""A channel that moves less from the start to the end of a hold has not heated."""
LEAST_COVERED = 1.0
"""A heating that covers fewer time constants tells no end temperature."""
LEAST_DWELLS = 6.0
"""A hold shorter than so many dwells is no heat run but a point of a map."""
FLOW_BAND = 0.1
"""Share by which the coolant flow may move within one heat run."""
INLET_BAND_K = 3.0
"""By how much the coolant inlet may move within one heat run."""
_ROLES = (Role.WINDING_TEMP, Role.MAGNET_TEMP, Role.JUNCTION_TEMP)
_NOT_MEASURED = Estimate(math.nan, math.nan, "")


def heat_runs(
    stand: Stand, stream: Stream, breaks: Sequence[float] = ()
) -> tuple[tuple[HeatingFit, ...], tuple[ContinuousRating, ...], tuple[Finding, ...]]:
    """Heating fits and continuous ratings of winding, magnet and junction over the longest hold in which each heated.

    A hold (:func:`~benchkit.analysis.steady.find_holds`) counts for a channel where it lasts six dwells or more and
    the channel rises by 3 K or more from its first to its last tenth. The longest such hold is fitted. A fit that
    covers less than one time constant is left out, with a finding.

    A hold ends where the cooling changes: coolant flow by more than :data:`FLOW_BAND` of what it was at the start, or
    coolant inlet temperature by more than :data:`INLET_BAND_K`. What heats after that heats towards another end.
    """
    cooled = [_while_cooled_alike(stand, stream, hold) for hold in steady_holds(stand, stream, breaks)]
    least_s = LEAST_DWELLS * stand.steadiness.dwell_s
    holds = [(a, b) for a, b in cooled if b > a and stream.time_s[b - 1] - stream.time_s[a] >= least_s]
    fits: list[HeatingFit] = []
    ratings: list[ContinuousRating] = []
    findings: list[Finding] = []
    for role in _ROLES:
        channel = stand.channel_for(role)
        if channel is None or channel.name not in stream.channels:
            continue
        heated = [hold for hold in holds if _rise(stream, channel.name, hold) >= LEAST_RISE_K]
        if not heated:
            continue
        start, stop = max(heated, key=lambda hold: stream.time_s[hold[1] - 1] - stream.time_s[hold[0]])
        means = channel_means(stand, stream, start, stop)
        reference = _first(stand, means, (Role.COOLANT_INLET_TEMP, Role.AIR_TEMP))
        try:
            fit = fit_heating(
                stream.time_s[start:stop],
                stream.column(channel.name)[start:stop],
                channel=channel.name,
                reference_c=reference.value,
                u_sensor_k=_u_sensor(channel, stream, stop),
            )
        except UsageError as error:
            findings.append(Finding("note", "no_heating_fit", str(error), channel.name, start, stop))
            continue
        if not fit.covered >= LEAST_COVERED:
            text = (
                f"The hold covers {fit.covered:.2g} time constants of {channel.name}: "
                "too short to tell its end temperature. Hold the load longer."
            )
            findings.append(Finding("note", "heating_too_short", text, channel.name, start, stop))
            continue
        fits.append(fit)
        limit = _limit(stand, role, channel)
        if limit is not None:
            speed, torque, current = (_first(stand, means, (r,)) for r in (Role.SPEED, Role.TORQUE, Role.PHASE_CURRENT))
            ratings.append(continuous_rating(fit, limit, speed, torque, current, reference))
    return tuple(fits), tuple(ratings), tuple(findings)


def _while_cooled_alike(stand: Stand, stream: Stream, hold: tuple[int, int]) -> tuple[int, int]:
    """The first part of a hold in which coolant flow and inlet temperature stay what they were; judged by means over
    one dwell, so that noise does not end it."""
    start, stop = hold
    bands = ((Role.COOLANT_FLOW, 0.0, FLOW_BAND), (Role.COOLANT_INLET_TEMP, INLET_BAND_K, 0.0))
    for role, absolute, relative in bands:
        name = stand.roles.get(role)
        if name is None or name not in stream.channels:
            continue
        edges = np.arange(stream.time_s[start], stream.time_s[stop - 1], stand.steadiness.dwell_s)
        rows = np.searchsorted(stream.time_s[start:stop], edges)
        values = stream.column(name)[start:stop]
        means = [
            float(np.nanmean(part)) if np.any(~np.isnan(part)) else math.nan for part in np.split(values, rows[1:])
        ]
        moved = np.abs(np.array(means) - means[0]) > absolute + relative * abs(means[0])
        if np.any(moved):
            stop = start + int(rows[int(np.argmax(moved))])
    return start, stop


def _rise(stream: Stream, name: str, hold: tuple[int, int]) -> float:
    values = stream.column(name)[hold[0] : hold[1]]
    tenth = max(1, values.size // 10)
    first, last = values[:tenth], values[-tenth:]
    if np.all(np.isnan(first)) or np.all(np.isnan(last)):
        return math.nan
    return float(np.nanmean(last) - np.nanmean(first))


def _u_sensor(channel: Channel, stream: Stream, stop: int) -> float:
    last = float(stream.column(channel.name)[stop - 1])
    return channel.calibration.accuracy.standard_uncertainty(0.0 if math.isnan(last) else last)


def _first(stand: Stand, means: dict[str, Estimate], roles: Sequence[Role]) -> Estimate:
    """Mean of the first of the roles that is measured, else NaN."""
    for role in roles:
        mean = means.get(stand.roles.get(role, ""))
        if mean is not None and mean.is_measured:
            return mean
    return _NOT_MEASURED


def _limit(stand: Stand, role: Role, channel: Channel) -> float | None:
    """Nameplate limit of winding and magnet; for the junction the lowest trip limit above."""
    if role is Role.WINDING_TEMP:
        return stand.motor.winding_limit_c
    if role is Role.MAGNET_TEMP:
        return stand.motor.magnet_limit_c
    trips = [
        limit.set_point
        for limit in stand.limit_set.limits
        if limit.channel == channel.name and limit.kind is LimitKind.ABOVE and limit.severity is Severity.TRIP
    ]
    return min(trips, default=None)
