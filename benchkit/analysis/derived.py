"""Derived channels after the run: columns computed again from a stream, and the uncertainty of a mean.

Source: the law of propagation of uncertainty, JCGM 100:2008, 5.1.2.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from benchkit.analysis.uncertainty import combine, propagate
from benchkit.errors import UsageError
from benchkit.model.calibration import Accuracy
from benchkit.model.results import Contribution, Estimate
from benchkit.model.stand import Channel, Stand
from benchkit.model.stream import Stream


def with_derived(stand: Stand, stream: Stream) -> Stream:
    """The stream with every derived channel of the stand computed from its measured columns, by the code that ran live.

    Columns of the stream stay where they are, derived ones are computed anew; those it has not follow behind. With the
    stand that recorded it, every value has the same bits as the one recorded.

    Raises:
        UsageError: a measured channel of a formula is not in the stream.
    """
    missing = [c for c in stand.channels_of(stream.source) if c.derived is not None and c.name not in stream.channels]
    names = (*stream.channels, *(c.name for c in missing))
    place = {name: k for k, name in enumerate(names)}
    values = np.column_stack([stream.values, np.full((len(stream), len(missing)), np.nan)])
    for channel in stand.channels_of(stream.source):
        if channel.derived is None:
            continue
        for name in channel.derived.inputs:
            if name not in place:
                raise UsageError(
                    f"channel {name!r} is not in the stream {stream.source!r}",
                    where=f"derived.{channel.name}",
                    expected=f"one of {', '.join(names)}",
                    remedy="Take the profile of the run as base and change only its formulas.",
                )
        values[:, place[channel.name]] = channel.derived.apply({n: values[:, place[n]] for n in channel.derived.inputs})
    units = (*stream.units, *(c.unit for c in missing))
    return replace(stream, channels=names, units=units, values=values)


def derived_mean(
    stand: Stand, channel: Channel, means: Mapping[str, float], mean: float, u_a: float, dof_a: float
) -> Estimate:
    """Estimate of the mean of a derived channel.

    Value and type A part are those of its own samples: what its inputs do together is in them, and the mean of a curved
    formula is the mean of its samples. The type B part is the law of propagation (JCGM 100, 5.1.2) through the formula
    at the means of the measured inputs, with the accuracy of each and with that which a formula itself declares.
    Calibrations of different channels count as independent; one channel that comes in twice is one.

    Args:
        means: mean of every channel of the stream, by name; those of measured inputs are used.
        mean, u_a, dof_a: mean of the samples of ``channel``, its type A uncertainty and degrees of freedom.

    Returns:
        Estimate in the bench unit; its budget names the scatter, and the calibration of each input. NaN uncertainty
        where an input has no mean or the formula has no value at the means.
    """
    chain = _chain(stand, channel)
    measured = list(dict.fromkeys(n for c in chain for n in _inputs(c) if stand.channels[n].derived is None))
    inputs = [_reading(stand.channels[name], means.get(name, math.nan)) for name in measured]
    own = [c for c in chain if c.calibration.accuracy != Accuracy()]
    inputs += [replace(_reading(c, means.get(c.name, math.nan)), value=0.0) for c in own]

    def value(*x: float) -> float:
        at = {name: np.array([v]) for name, v in zip(measured, x, strict=False)}
        off = dict(zip((c.name for c in own), x[len(measured) :], strict=True))
        for c in chain:
            if c.derived is not None:
                at[c.name] = c.derived.apply({n: at[n] for n in c.derived.inputs}) + off.get(c.name, 0.0)
        return float(at[channel.name][0])

    names = [*(f"{name} calibration" for name in measured), *(f"{c.name} formula" for c in own)]
    type_b = propagate(value, inputs, names=names, unit=channel.unit)
    estimate = combine(mean, u_a, dof_a, type_b.u, unit=channel.unit, name=channel.name)
    lines = [Contribution(f"{channel.name} scatter", u_a), *type_b.budget]
    return replace(estimate, budget=tuple(sorted(lines, key=lambda line: (math.isnan(line.u), -line.u))))


def _inputs(channel: Channel) -> tuple[str, ...]:
    return () if channel.derived is None else channel.derived.inputs


def _reading(channel: Channel, mean: float) -> Estimate:
    return Estimate(mean, channel.calibration.accuracy.standard_uncertainty(mean), channel.unit)


def _chain(stand: Stand, channel: Channel) -> list[Channel]:
    """The derived channels that ``channel`` needs, each behind its inputs, itself last."""
    needed = {channel.name}
    for other in reversed(list(stand.channels.values())):
        if other.name in needed:
            needed |= set(_inputs(other))
    return [c for c in stand.channels.values() if c.name in needed and c.derived is not None]
