"""``[thermal_models.NAME]``: a fitted network that runs beside the measurement. Nothing of it has a default."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field

from benchkit.model.limits import Limit, LimitKind
from benchkit.model.stand import Channel
from benchkit.model.thermal_models import LossByCurrent, LossMeasured, ThermalModel
from benchkit.profiles.base import Finite, Measure, Name, NonNegative, Section
from benchkit.profiles.collect import Collector
from benchkit.units import Quantity

MOST_MODELS = 8
"""Each is stepped about thirty times a second, some 20 us a step: less than 1 % of a core for all."""


class LossByCurrentSection(Section):
    """``k I² (1 + alpha (T - 20 °C)) + standing``."""

    kind: Literal["current"]
    channel: str
    w_per_a2: Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
    alpha_per_k: NonNegative
    standing: Measure


class LossMeasuredSection(Section):
    """A channel of power that is the loss."""

    kind: Literal["measured"]
    channel: str


class ThermalModelSection(Section):
    """``[thermal_models.NAME]``."""

    channel: str
    reference: str
    limit: str
    time_constants_s: Annotated[list[Finite], Field(min_length=1, max_length=4)]
    resistances_k_per_w: Annotated[list[Finite], Field(min_length=1, max_length=4)]
    loss: Annotated[LossByCurrentSection | LossMeasuredSection, Field(discriminator="kind")]
    scatter: Measure
    memory: Measure
    u_constant: Measure


ThermalModels = Annotated[dict[Name, ThermalModelSection], Field(max_length=MOST_MODELS)]


def thermal_models(
    collect: Collector,
    sections: Mapping[str, ThermalModelSection],
    channels: Mapping[str, Channel],
    limits: Mapping[str, Limit],
) -> dict[str, ThermalModel]:
    """The models of a profile; what is wrong goes to ``collect``, and such a model is left out."""
    found = {}
    told: dict[str, str] = {}
    for name, section in sections.items():
        before = len(collect.problems)
        model = _model(collect, name, section, channels, limits)
        if section.channel in told:
            what = f"{told[section.channel]!r} describes this channel, too"
            collect.fault(f"thermal_models.{name}.channel", what, section.channel, remedy="Keep one model a channel.")
        told.setdefault(section.channel, name)
        if len(collect.problems) == before:
            found[name] = model
    return found


def _model(
    collect: Collector,
    name: str,
    s: ThermalModelSection,
    channels: Mapping[str, Channel],
    limits: Mapping[str, Limit],
) -> ThermalModel:
    key = f"thermal_models.{name}"
    by_current = isinstance(s.loss, LossByCurrentSection)
    drive = Quantity.CURRENT if by_current else Quantity.POWER
    source = ""
    for part, channel, quantity in (
        ("channel", s.channel, Quantity.TEMPERATURE),
        ("reference", s.reference, Quantity.TEMPERATURE),
        ("loss.channel", s.loss.channel, drive),
    ):
        where = f"{key}.{part}"
        if not collect.known(where, "channel", channel, channels):
            continue
        found = channels[channel]
        if found.quantity is not quantity:
            collect.fault(where, f"channel {channel!r} measures {found.quantity.value}", expected=quantity.value)
        source = source or found.source
        if found.source != source:
            remedy = "A model needs its readings at the same instants: take channels of one source."
            collect.fault(where, f"channel {channel!r} comes from another source", found.source, source, remedy)
    if s.reference == s.channel:
        collect.fault(f"{key}.reference", "a part is no reference of itself", s.reference)
    _check_network(collect, key, s)
    _check_limit(collect, f"{key}.limit", s, limits)
    u_k = collect.measure(f"{key}.u_constant", Quantity.TEMPERATURE_DIFFERENCE, s.u_constant)
    if u_k < 0.0:
        collect.fault(f"{key}.u_constant.value", "an uncertainty cannot be negative", s.u_constant.value)
    return ThermalModel(
        name=name,
        source=source,
        channel=s.channel,
        reference=s.reference,
        limit=s.limit,
        tau_s=tuple(s.time_constants_s),
        resistance_k_w=tuple(s.resistances_k_per_w),
        loss=_loss(collect, key, s.loss),
        scatter_k=collect.positive(f"{key}.scatter", Quantity.TEMPERATURE_DIFFERENCE, s.scatter),
        memory_s=collect.positive(f"{key}.memory", Quantity.TIME, s.memory),
        u_k=u_k,
    )


def _loss(
    collect: Collector, key: str, loss: LossByCurrentSection | LossMeasuredSection
) -> LossByCurrent | LossMeasured:
    if isinstance(loss, LossMeasuredSection):
        return LossMeasured(loss.channel)
    standing_w = collect.measure(f"{key}.loss.standing", Quantity.POWER, loss.standing)
    if standing_w < 0.0:
        collect.fault(f"{key}.loss.standing.value", "a loss cannot be negative", loss.standing.value)
    return LossByCurrent(loss.channel, loss.w_per_a2, loss.alpha_per_k, standing_w)


def _check_network(collect: Collector, key: str, s: ThermalModelSection) -> None:
    tau, R = s.time_constants_s, s.resistances_k_per_w
    if len(tau) != len(R):
        collect.fault(f"{key}.resistances_k_per_w", "as many resistances as time constants", len(R), str(len(tau)))
    if not all(a < b for a, b in zip([0.0, *tau], tau, strict=False)):
        collect.fault(f"{key}.time_constants_s", "time constants are above zero and rise", tau)
    if not sum(R) > 0.0:
        remedy = "One part may be negative, as in a fit; the steady rise of all may not."
        collect.fault(f"{key}.resistances_k_per_w", "their sum must be above zero", sum(R), remedy=remedy)


def _check_limit(collect: Collector, key: str, s: ThermalModelSection, limits: Mapping[str, Limit]) -> None:
    if not collect.known(key, "limit", s.limit, limits):
        return
    limit = limits[s.limit]
    if limit.channel != s.channel:
        collect.fault(key, f"limit {s.limit!r} watches another channel", limit.channel, s.channel)
    elif limit.kind is not LimitKind.ABOVE:
        collect.fault(key, f"limit {s.limit!r} is no upper limit", limit.kind.value, LimitKind.ABOVE.value)
    elif limit.course is not None:
        remedy = "Its time would hold for one of its set points only: take a limit that stands still."
        collect.fault(key, f"the set point of {s.limit!r} moves", remedy=remedy)
