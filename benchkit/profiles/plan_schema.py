"""Shape of a plan file (TOML). Meaning is checked in ``plan_file``."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from benchkit.profiles.base import Finite, Measure, Name, Section

Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
Words = Annotated[str, Field(min_length=1, max_length=400)]
Roles = Annotated[list[Annotated[str, Field(min_length=1, max_length=60)]], Field(max_length=20)]


class PlanSection(Section):
    """``[plan]``: name, who sets, and who must have approved."""

    name: Name
    title: Words
    revision: Annotated[str, Field(min_length=1, max_length=40)]
    mode: Literal["lead", "drive"]
    stop: str = ""
    approvals: Roles = Field(default_factory=list)
    notes: str = ""


class PresenceSection(Section):
    """``[presence]``: how the tool knows that the operator is there; host time."""

    acknowledge_every: Measure
    within: Measure
    silent_after: Measure | None = None


class SlewSection(Section):
    """``[slew]``: most change of a set-point per second of the stand."""

    speed_rpm_s: Positive | None = None
    torque_nm_s: Positive | None = None
    current_a_s: Positive | None = None
    power_w_s: Positive | None = None
    throttle_s: Positive | None = None


class AxesSection(Section):
    """One number an axis."""

    speed: Measure | None = None
    torque: Measure | None = None
    current: Measure | None = None
    power: Measure | None = None
    throttle: Measure | None = None


class PlanThermalSection(Section):
    """``[thermal]``: when temperatures hold still."""

    channels: Annotated[list[str], Field(min_length=1, max_length=20)]
    change: Measure
    over: Measure
    time_constant: Measure | None = None


class DwellSection(Section):
    """How long a point is held."""

    until: Literal["time", "steady", "thermal", "cool"]
    time: Measure | None = None
    longest: Measure
    otherwise: Literal["skip", "stop"]
    channel: str | None = None
    below: Measure | None = None


class ReferenceSection(AxesSection):
    """``[reference]``: the point that is visited again."""

    every: Annotated[int, Field(ge=1, le=10_000)]
    dwell: DwellSection


class Values(Section):
    """One number a point."""

    values: Annotated[list[Finite], Field(min_length=1, max_length=5000)]
    unit: str


class ExpectedSection(Section):
    """What a channel keeps within; at least one end."""

    channel: str
    low: Measure | None = None
    high: Measure | None = None


class GateSection(Section):
    """A rung of a ladder."""

    entry: Words
    passes: Words
    approver: Annotated[str, Field(min_length=1, max_length=60)]


class SegmentSection(Section):
    """``[[segments]]``."""

    name: Name
    kind: Literal["points", "cool", "by_hand"]
    speed: Values | None = None
    torque: Values | None = None
    current: Values | None = None
    power: Values | None = None
    throttle: Values | None = None
    dwell: DwellSection | None = None
    order: Literal["as_written", "up", "down", "up_and_down"] = "as_written"
    repeats: Annotated[int, Field(ge=1, le=10_000)] = 1
    ramp: Measure | None = None
    after_stop: Literal["repeat", "go_on"] = "go_on"
    rating: Annotated[str, Field(max_length=60)] = ""
    expected: Annotated[list[ExpectedSection], Field(max_length=40)] = Field(default_factory=list)
    tolerance: AxesSection | None = None
    approvals: Roles = Field(default_factory=list)
    gate: GateSection | None = None
    instruction: Annotated[str, Field(max_length=400)] = ""
    approver: Annotated[str, Field(max_length=60)] = ""
    expected_rise: Measure | None = None
    references: bool = True


class PlanFile(Section):
    """The whole file."""

    plan: PlanSection
    presence: PresenceSection | None = None
    slew: SlewSection = Field(default_factory=SlewSection)
    tolerance: AxesSection = Field(default_factory=AxesSection)
    thermal: PlanThermalSection | None = None
    reference: ReferenceSection | None = None
    segments: Annotated[list[SegmentSection], Field(min_length=1, max_length=2000)]
