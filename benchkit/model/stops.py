"""Stop actions as the profile says them: what is commanded on a trip or an orderly stop."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class StopAction:
    """What is commanded on a trip or an orderly stop: one command line, and the answer that acknowledges it."""

    name: str
    source: str
    command: str
    acknowledged_by: str
    timeout_s: float
    stop_category: int
    """0, 1 or 2 as in IEC 60204-1."""
