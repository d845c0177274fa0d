"""Where a plan stands, as dashboards are told it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class PlanAccount:
    """The account in short; times in seconds of the stand."""

    way_s: float = 0.0
    good_s: float = 0.0
    starts: int = 0
    stops: Mapping[str, int] = field(default_factory=dict)
    taken: int = 0
    skipped: int = 0
    repeated: int = 0
    ratings: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    """Rating -> ``credited_s``, ``good_s``, ``cycles``, and what the plan asks for: ``asked_s``, ``asked_cycles``."""
    standing: int = 0
    """Points that were taken and not repeated since, of ``asked``."""
    asked: int = 0


@dataclass(frozen=True, slots=True)
class PlanStatus:
    """A plan in one message. Targets and what was sent: axis -> value in its bench unit."""

    name: str
    title: str
    mode: str
    phase: str
    step: str = ""
    """Name of the present step; empty between steps."""
    segment: str = ""
    target: Mapping[str, float] = field(default_factory=dict)
    sent: Mapping[str, float] = field(default_factory=dict)
    measured: Mapping[str, float] = field(default_factory=dict)
    tolerance: Mapping[str, float] = field(default_factory=dict)
    instruction: str = ""
    approver: str = ""
    next_step: str = ""
    next_target: Mapping[str, float] = field(default_factory=dict)
    steps_done: int = 0
    steps: int = 0
    good_s: float = 0.0
    """Time within tolerance of the present reading, of ``wanted_s``."""
    wanted_s: float = 0.0
    moved: float = math.nan
    """Movement over the last window in bands: at most 1 where all hold still."""
    settled_in_s: float = math.nan
    """Least time until a reading may begin if nothing moves from here."""
    left_s: tuple[float, float, float] = (math.nan, math.nan, math.nan)
    """Least, likely and longest time that is left."""
    acknowledge_in_s: float | None = None
    """Host time until the operator is asked, negative when late; None: nobody is asked."""
    stops_in_s: float | None = None
    """Host time until the plan stops without an acknowledgement."""
    cause: str = ""
    detail: str = ""
    """Why it is held."""
    missing_approvals: tuple[str, ...] = ()
    operator: str = ""
    account: PlanAccount = field(default_factory=PlanAccount)
    fault: str = ""
    """Why the journal is not written; empty where it is."""
    notice: str = ""
    """What a person should know of the file of the plan; empty where there is nothing."""


def plan_status_from(body: Mapping[str, Any] | None) -> PlanStatus | None:
    """From its JSON mapping; raises KeyError, TypeError or ValueError on a wrong form."""
    if body is None:
        return None
    fields = dict(body)
    fields["account"] = PlanAccount(**fields.get("account", {}))
    fields["left_s"] = _numbers(fields.get("left_s"))
    fields["missing_approvals"] = tuple(fields.get("missing_approvals", ()))
    for name in ("moved", "settled_in_s"):
        fields[name] = math.nan if fields.get(name) is None else float(fields[name])
    return PlanStatus(**fields)


def _numbers(values: Any) -> tuple[float, float, float]:
    low, likely, high = (math.nan if value is None else float(value) for value in values)
    return low, likely, high
