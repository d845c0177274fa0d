"""Heat runs: where a run holds one load long enough to tell how hot it gets, and what may be held for ever.

Source: rules of this project about what counts as a heat run; the formulas are those of
:mod:`benchkit.analysis.thermal`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from benchkit.analysis.folding import Segment
from benchkit.analysis.steady import Hold, block_means, steady_holds
from benchkit.analysis.stillness import BLOCKS_PER_DWELL
from benchkit.analysis.thermal import continuous_rating, fit_heating
from benchkit.errors import UsageError
from benchkit.model.limits import LimitKind, Severity
from benchkit.model.results import ContinuousRating, Estimate, Finding, HeatingFit
from benchkit.model.stand import Channel, Role, Stand
from benchkit.model.stream import StreamRows

FloatArray = npt.NDArray[np.float64]

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
    stand: Stand, stream: StreamRows, breaks: Sequence[float] = (), *, segments: Sequence[Segment] | None = None
) -> tuple[tuple[HeatingFit, ...], tuple[ContinuousRating, ...], tuple[Finding, ...]]:
    """Heating fits and continuous ratings of winding, magnet and junction over the longest hold in which each heated.

    A hold (:func:`~benchkit.analysis.steady.find_holds`) counts for a channel where it lasts six dwells or more and
    the channel rises by 3 K or more from its first to its last tenth. The longest such hold is fitted. A fit that
    covers less than one time constant is left out, with a finding.

    A hold ends where the cooling changes: coolant flow by more than :data:`FLOW_BAND` of what it was at the start, or
    coolant inlet temperature by more than :data:`INLET_BAND_K`. What heats after that heats towards another end.

    All of it is read from the blocks of the stream; ``segments`` are those, where they are there already.
    """
    holds = steady_holds(stand, stream, breaks, segments=segments)
    cooled = [_while_cooled_alike(stand, stream.channels, hold) for hold in holds]
    least_s = LEAST_DWELLS * stand.steadiness.dwell_s
    long = [hold for hold in cooled if hold.stop > hold.first and _length_s(hold) >= least_s]
    fits: list[HeatingFit] = []
    ratings: list[ContinuousRating] = []
    findings: list[Finding] = []
    for role in _ROLES:
        channel = stand.channel_for(role)
        if channel is None or channel.name not in stream.channels:
            continue
        place = stream.channels.index(channel.name)
        heated = [hold for hold in long if _rise(_column(hold, place)) >= LEAST_RISE_K]
        if not heated:
            continue
        hold = max(heated, key=_length_s)
        rows = (hold.row_start, hold.row_stop)
        means = block_means(stand, stream, hold.segment, hold.first, hold.stop)
        reference = _first(stand, means, (Role.COOLANT_INLET_TEMP, Role.AIR_TEMP))
        temp_c = _column(hold, place)
        try:
            fit = fit_heating(
                hold.segment.times[hold.first : hold.stop],
                temp_c,
                channel=channel.name,
                reference_c=reference.value,
                u_sensor_k=_u_sensor(channel, float(temp_c[-1])),
            )
        except UsageError as error:
            findings.append(Finding("note", "no_heating_fit", str(error), channel.name, *rows))
            continue
        if not fit.covered >= LEAST_COVERED:
            text = (
                f"The hold covers {fit.covered:.2g} time constants of {channel.name}: "
                "too short to tell its end temperature. Hold the load longer."
            )
            findings.append(Finding("note", "heating_too_short", text, channel.name, *rows))
            continue
        fits.append(fit)
        limit = _limit(stand, role, channel)
        if limit is not None:
            speed, torque, current = (_first(stand, means, (r,)) for r in (Role.SPEED, Role.TORQUE, Role.PHASE_CURRENT))
            ratings.append(continuous_rating(fit, limit, speed, torque, current, reference))
    return tuple(fits), tuple(ratings), tuple(findings)


def _while_cooled_alike(stand: Stand, channels: Sequence[str], hold: Hold) -> Hold:
    """The first part of a hold in which coolant flow and inlet temperature stay what they were; judged by means over
    one dwell, so that noise does not end it."""
    stop = hold.stop
    bands = ((Role.COOLANT_FLOW, 0.0, FLOW_BAND), (Role.COOLANT_INLET_TEMP, INLET_BAND_K, 0.0))
    for role, absolute, relative in bands:
        name = stand.roles.get(role)
        if name is None or name not in channels:
            continue
        blocks = hold.segment.means[hold.first : stop, channels.index(name)]
        edges = range(BLOCKS_PER_DWELL, blocks.size, BLOCKS_PER_DWELL)
        means = np.array([_mean(part) for part in np.split(blocks, list(edges))])
        moved = np.abs(means - means[0]) > absolute + relative * abs(means[0])
        if np.any(moved):
            stop = hold.first + int(np.argmax(moved)) * BLOCKS_PER_DWELL
    return replace(hold, stop=stop)


def _column(hold: Hold, place: int) -> FloatArray:
    return hold.segment.means[hold.first : hold.stop, place]


def _length_s(hold: Hold) -> float:
    times = hold.segment.times[hold.first : hold.stop]
    return float(np.nanmax(times) - np.nanmin(times)) if np.any(~np.isnan(times)) else 0.0


def _rise(values: FloatArray) -> float:
    tenth = max(1, values.size // 10)
    return _mean(values[-tenth:]) - _mean(values[:tenth])


def _mean(values: FloatArray) -> float:
    return float(np.nanmean(values)) if np.any(~np.isnan(values)) else math.nan


def _u_sensor(channel: Channel, last: float) -> float:
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
