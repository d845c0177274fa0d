"""Stop actions as the profile says them: what is commanded on a trip or an orderly stop, step by step."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class StopStep:
    """One command line to one source, and the answer that acknowledges it."""

    source: str
    command: str
    acknowledged_by: str
    timeout_s: float
    """The command is sent again when the answer has not come within this."""
    stop_category: int
    """0, 1 or 2 as in IEC 60204-1; 0 is the most urgent."""
    delay_s: float = 0.0
    """Wait so long after the step before it, or after the decision, before the command is sent."""
    attempts: int = 0
    """Sent so often before the action escalates; 0 where it does not escalate: then it is sent until it is answered."""


@dataclass(frozen=True, slots=True)
class StopAction:
    """What is commanded on a trip or an orderly stop: steps in order, each after the answer to the one before it."""

    name: str
    steps: tuple[StopStep, ...]
    escalate_to: str = ""
    """Name of the action that takes over when a step is not answered within its attempts; empty: there is none."""
