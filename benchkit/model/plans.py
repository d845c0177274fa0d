"""Plans: what is to be run on a stand, segment by segment. All values in bench units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from benchkit.model.stand import Role, ThermalSteadiness
from benchkit.units import Quantity


class Axis(StrEnum):
    """What a set-point is of."""

    SPEED = "speed"
    TORQUE = "torque"
    CURRENT = "current"
    POWER = "power"
    THROTTLE = "throttle"


AXIS_QUANTITY: Mapping[Axis, Quantity] = {
    Axis.SPEED: Quantity.SPEED,
    Axis.TORQUE: Quantity.TORQUE,
    Axis.CURRENT: Quantity.CURRENT,
    Axis.POWER: Quantity.POWER,
    Axis.THROTTLE: Quantity.RATIO,
}
AXIS_ROLE: Mapping[Axis, Role] = {
    Axis.SPEED: Role.SPEED,
    Axis.TORQUE: Role.TORQUE,
    Axis.CURRENT: Role.PHASE_CURRENT,
    Axis.POWER: Role.AC_POWER,
}
"""The channel that shows whether a set-point is held. A throttle has none: what was sent counts as held."""

Target = Mapping[Axis, float]


class Mode(StrEnum):
    """Who sets."""

    LEAD = "lead"
    """A person sets; the tool says what comes, judges, and keeps count."""
    DRIVE = "drive"
    """The tool sends the set-points, in RUNNING alone."""


class Until(StrEnum):
    """What a dwell waits for."""

    TIME = "time"
    """So much time within the tolerance bands."""
    STEADY = "steady"
    """Speed and torque hold still by the criteria of the stand."""
    THERMAL = "thermal"
    """The temperatures of the plan's thermal rule hold still as well."""
    COOL = "cool"
    """A temperature has come down."""


class Otherwise(StrEnum):
    """What happens when the longest wait is over."""

    SKIP = "skip"
    STOP = "stop"


class AfterStop(StrEnum):
    """How a stopped plan goes on, when a person lets it."""

    REPEAT = "repeat"
    """The segment from its start: what it had counts for nothing."""
    GO_ON = "go_on"
    """At the point where it was; time that was held counts."""


class Order(StrEnum):
    """Order of the points of a segment."""

    AS_WRITTEN = "as_written"
    UP = "up"
    DOWN = "down"
    UP_AND_DOWN = "up_and_down"


class SegmentKind(StrEnum):
    """What a segment is."""

    POINTS = "points"
    COOL = "cool"
    BY_HAND = "by_hand"
    """Something that a person does and confirms; the plan is at rest meanwhile."""


@dataclass(frozen=True, slots=True)
class Dwell:
    """How long a point is held. ``time_s`` is time within tolerance, of STEADY and THERMAL the reading after settling;
    ``longest_s`` counts from the arrival of the set-point to the end of the reading."""

    until: Until
    time_s: float
    longest_s: float
    otherwise: Otherwise
    channel: str = ""
    """Of COOL: the temperature, and what it must fall below."""
    below_c: float = 0.0


@dataclass(frozen=True, slots=True)
class Expected:
    """What a channel is expected to keep within; beyond it the plan stops in order, before a trip."""

    channel: str
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Gate:
    """A rung of a ladder: what must be true before it, what must be seen in it, and who says so."""

    entry: str
    passes: str
    approver: str


@dataclass(frozen=True, slots=True)
class Segment:
    """Points with one dwell, or a rest, or something done by hand."""

    name: str
    kind: SegmentKind
    points: tuple[Target, ...] = ()
    dwell: Dwell | None = None
    order: Order = Order.AS_WRITTEN
    repeats: int = 1
    ramp_s: float = 0.0
    """Least time from one point to the next; the slew of the plan holds beside it."""
    after_stop: AfterStop = AfterStop.GO_ON
    rating: str = ""
    expected: tuple[Expected, ...] = ()
    tolerance: Target = field(default_factory=dict)
    """Half widths; those of the plan where nothing is said."""
    approvals: tuple[str, ...] = ()
    gate: Gate | None = None
    instruction: str = ""
    approver: str = ""
    """Role of the one who confirms what is done by hand; empty: anybody who gives a name."""
    expected_rise_k: float | None = None
    """How much the slowest temperature of the thermal rule is expected to rise."""
    has_references: bool = True


@dataclass(frozen=True, slots=True)
class Reference:
    """A point that is visited again after every ``every`` points, at the start and at the end of a segment."""

    every: int
    point: Target
    dwell: Dwell


@dataclass(frozen=True, slots=True)
class Presence:
    """How the tool knows that the operator is there: an acknowledgement every ``every_s``, asked for ``within_s``
    before the plan stops; where ``silent_s`` is given, a client that says it watches and falls silent counts as lost.
    Host time."""

    every_s: float
    within_s: float
    silent_s: float | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """The whole plan."""

    name: str
    title: str
    revision: str
    mode: Mode
    segments: tuple[Segment, ...]
    slew: Target = field(default_factory=dict)
    """Most change of each set-point per second of the stand."""
    tolerance: Target = field(default_factory=dict)
    presence: Presence | None = None
    stop: str = ""
    """Name of the stop action that ends a plan in trouble; empty: the orderly stop of the stand."""
    approvals: tuple[str, ...] = ()
    reference: Reference | None = None
    thermal: ThermalSteadiness | None = None
    thermal_tau_s: float | None = None
    """Slowest time constant of these temperatures, for what is told before the start."""
    notes: str = ""
    sha256: str = ""
    """Of the text of its file."""


class StepKind(StrEnum):
    """What one step of a plan is."""

    POINT = "point"
    REFERENCE = "reference"
    COOL = "cool"
    BY_HAND = "by_hand"


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do, the next after the last. ``number`` of ``of`` counts within its pass of the segment."""

    index: int
    kind: StepKind
    segment: str
    turn: int
    """Which pass of the segment, from 1."""
    number: int
    of: int
    target: Target = field(default_factory=dict)
    dwell: Dwell | None = None
    tolerance: Target = field(default_factory=dict)
    ramp_s: float = 0.0
    after_stop: AfterStop = AfterStop.GO_ON
    rating: str = ""
    expected: tuple[Expected, ...] = ()
    instruction: str = ""
    approver: str = ""
    """Who must confirm a step that is done by hand; empty: anybody who gives a name."""

    @property
    def name(self) -> str:
        """Segment, pass and number in short."""
        turn = f", pass {self.turn}" if self.turn > 1 else ""
        return f"{self.segment}{turn}, {self.kind.value.replace('_', ' ')} {self.number} of {self.of}"


class Outcome(StrEnum):
    """What came of a step."""

    TAKEN = "taken"
    SKIPPED = "skipped"
    CONFIRMED = "confirmed"


@dataclass(frozen=True, slots=True)
class Done:
    """A step that is over. Times in stream time of ``run``; ``means`` of the axes over the reading."""

    step: Step
    outcome: Outcome
    from_s: float
    to_s: float
    means: Target = field(default_factory=dict)
    outside_s: float = 0.0
    """Time of the reading outside tolerance; it does not count for a dwell by time."""
    cause: str = ""
    run: str = ""
    waited_s: float = 0.0
    """From the arrival of the set-points to the end of the reading."""


class StopCause(StrEnum):
    """Why a plan was stopped."""

    TRIP = "trip"
    ACKNOWLEDGEMENT = "acknowledgement lost"
    OPERATOR = "operator lost"
    BY_HAND = "stopped by a person"
    EXPECTED = "beyond what the plan expects"
    NOT_IN_TIME = "not steady in time"
    SILENT = "no fresh values"
    BOUND = "no way within the bounds"
    FAULT = "fault of the program"
    CUT_OFF = "recording cut off"
    CLOSED = "recording ended"
    HAND_STEP = "a step by hand"
    """No fault: the plan rests while a person does something."""
    FINISHED = "plan finished"
    """No fault either."""
