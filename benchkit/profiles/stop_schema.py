"""Stop actions as TOML writes them: one table for the first step, ``then`` for the steps after it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated

from pydantic import Field

from benchkit.model.stops import StopAction, StopStep
from benchkit.profiles.base import Measure, Section
from benchkit.profiles.collect import Collector
from benchkit.units import Quantity

MAX_STEPS = 20
MAX_ATTEMPTS = 10


class StepSection(Section):
    """What every step says. ``attempts`` belongs to an action that escalates, and to no other."""

    source: str
    command: Annotated[str, Field(min_length=1)]
    acknowledged_by: Annotated[str, Field(min_length=1)]
    timeout: Measure
    stop_category: Annotated[int, Field(ge=0, le=2)]
    attempts: Annotated[int, Field(ge=1, le=MAX_ATTEMPTS)] | None = None


class NextStepSection(StepSection):
    """``[[stop_actions.NAME.then]]``: a step after the first. ``delay`` counts from the answer to the one before."""

    delay: Measure


class StopActionSection(StepSection):
    """``[stop_actions.NAME]``: the first step, and what belongs to the whole action."""

    delay: Measure | None = None
    then: Annotated[list[NextStepSection], Field(max_length=MAX_STEPS - 1)] = Field(default_factory=list)
    escalate_to: str | None = None


def stop_action(faults: Collector, name: str, section: StopActionSection, sources: Iterable[str]) -> StopAction:
    """The action; faults of its units and sources go to ``faults``. ``sources`` holds the known names."""
    key = f"stop_actions.{name}"
    steps = [_step(faults, key, section, sources)]
    steps += [_step(faults, f"{key}.then.{i}", step, sources) for i, step in enumerate(section.then)]
    return StopAction(name, tuple(steps), section.escalate_to or "")


def _step(
    faults: Collector, key: str, section: StopActionSection | NextStepSection, sources: Iterable[str]
) -> StopStep:
    faults.known(f"{key}.source", "source", section.source, sources)
    return StopStep(
        source=section.source,
        command=section.command,
        acknowledged_by=section.acknowledged_by,
        timeout_s=faults.positive(f"{key}.timeout", Quantity.TIME, section.timeout),
        stop_category=section.stop_category,
        delay_s=0.0 if section.delay is None else faults.delay(f"{key}.delay", section.delay),
        attempts=section.attempts or 0,
    )
