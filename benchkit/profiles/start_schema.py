"""``[start_conditions]`` and ``[alarms]`` as TOML writes them, and what becomes of them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field

from benchkit.model.alarms import AlarmRules
from benchkit.model.interlock import State
from benchkit.model.start_conditions import ChecklistItem, HardwareInput, StartConditions
from benchkit.profiles.base import Measure, Name, Section
from benchkit.profiles.collect import Collector
from benchkit.units import Quantity

StateField = Annotated[State, Field(strict=False)]


class InputSection(Section):
    """``[start_conditions.inputs.NAME]``: an input of the hard-wired interlock."""

    channel: str
    must_be: Literal["above", "below"]
    level: Measure


class StartConditionsSection(Section):
    """``[start_conditions]``: what must be met before the stand may be armed, beside fresh sources, disk, recording."""

    zero_done: Annotated[list[str], Field(max_length=200)] = Field(default_factory=list)
    """Channels that must have been tared in this run."""
    limit_set_proven: bool = False
    """A proof of all limits (``benchkit prove``) must be handed to the recorder."""
    proof_max_age: Measure | None = None
    """Oldest proof that counts."""
    checklist: Annotated[dict[Name, str], Field(max_length=100)] = Field(default_factory=dict)
    """Name of each item, and the text that a person ticks."""
    inputs: Annotated[dict[Name, InputSection], Field(max_length=50)] = Field(default_factory=dict)


class AlarmsSection(Section):
    """``[alarms]``: what a person may do with alarms and limits while a run is recorded."""

    longest_shelving: Measure
    suppressed: Annotated[dict[Name, Annotated[list[StateField], Field(min_length=1)]], Field(max_length=200)] = Field(
        default_factory=dict
    )
    """Caution -> states of the interlock in which it is suppressed by design."""
    tightened_live: Annotated[list[Name], Field(max_length=200)] = Field(default_factory=list)
    """Limits whose set point may be made stricter, never looser, while a run is recorded."""


def start_conditions(
    faults: Collector, section: StartConditionsSection | None, quantities: Mapping[str, Quantity]
) -> StartConditions:
    """The conditions; faults of units and channels go to ``faults``. ``quantities`` are those of the channels."""
    if section is None:
        return StartConditions()
    inputs = []
    for name, one in section.inputs.items():
        key = f"start_conditions.inputs.{name}"
        level = math.nan
        if faults.known(f"{key}.channel", "channel", one.channel, quantities):
            level = faults.measure(f"{key}.level", quantities[one.channel], one.level)
        inputs.append(HardwareInput(name, one.channel, one.must_be == "above", level))
    oldest_s = math.inf
    if section.proof_max_age is not None:
        oldest_s = faults.delay("start_conditions.proof_max_age", section.proof_max_age)
    return StartConditions(
        zeroed=tuple(section.zero_done),
        checklist=tuple(ChecklistItem(name, text) for name, text in section.checklist.items()),
        limit_set_proven=section.limit_set_proven,
        inputs=tuple(inputs),
        proof_max_age_s=oldest_s,
    )


def alarm_rules(faults: Collector, section: AlarmsSection | None) -> AlarmRules:
    """The rules; without the section nothing can be shelved, and nothing is suppressed."""
    if section is None:
        return AlarmRules()
    longest_s = faults.delay("alarms.longest_shelving", section.longest_shelving)
    suppressed = {name: tuple(states) for name, states in section.suppressed.items()}
    return AlarmRules(longest_s, suppressed, tuple(section.tightened_live))
