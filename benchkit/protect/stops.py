"""Stop actions under way: commanded step by step, acknowledged, repeated, escalated. Never endless silence.

The rules:

1. The steps of an action go in order: a step is due ``delay_s`` after the one before it was acknowledged; the first,
   ``delay_s`` after the decision. An answer counts for a step that has been sent, from the source it was sent to.
2. A step that is not acknowledged within ``timeout_s`` is sent again, each time with an event. When ``attempts`` of
   these times have run out the action escalates: ``escalate_to`` takes over with its causes, from its first step, and
   what was left of the action is not sent any more. Attempts count per step.
3. An action that has nothing to escalate to is repeated: ``QUICK_REPEATS`` times every ``timeout_s``, then every
   ``SLOW_FACTOR`` times that, for as long as it takes.
4. A lost link holds its steps back. They go out as soon as the link is back, and until then the steps on other links
   go on, in their order. The time of a step that is held runs: an action that escalates does so without its link too.
5. The more urgent stop wins. What a trip has commanded to a source with stop category c is never followed by a step of
   a milder category (a higher number) to the same source before RESET: such a step is passed over, and the event says
   which action stands against it. A milder step under way there is not repeated any more. Steps of the same category,
   and steps to different sources, do not contradict each other: all of them run.
6. A trip whose action is under way joins it: the step under way is sent once more at once, its attempts run on. A
   limit that chatters cannot put the escalation off.
7. A trip takes over from an orderly stop, which is not repeated any more and does not count for rule 5. An orderly
   stop that is not answered within its attempts is a trip itself, with ``escalate_to`` as its action.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from benchkit.model.events import EventKind, JsonValue
from benchkit.model.stops import StopAction, StopStep
from benchkit.protect.outcomes import Command, Happened, HappenedNow, Outcome, Reaction, StopStatus, Words
from benchkit.protect.reactions import ReactionBook
from benchkit.protect.wording import seconds

QUICK_REPEATS = 10
SLOW_FACTOR = 10


@dataclass(slots=True)
class _Step:
    """One step of an action under way. ``due_ns``: when it is to be sent, or looked at again; None: not its turn."""

    spec: StopStep
    number: int
    due_ns: int | None = None
    is_begun: bool = False
    is_over: bool = False
    tries: int = 0
    """Timeouts begun, with a command or without one (rule 4)."""
    attempt: int = 0
    """Commands sent."""
    written_ns: int | None = None

    @property
    def is_open(self) -> bool:
        return self.is_begun and not self.is_over


@dataclass(slots=True)
class _UnderWay:
    action: StopAction
    cause: str | Words
    sample_ns: int
    is_orderly: bool
    steps: list[_Step]
    escalated_from: str = ""
    reactions: list[int] = field(default_factory=list)

    @property
    def is_over(self) -> bool:
        return all(step.is_over for step in self.steps)


class StopBook:
    """All stop actions under way, by name of the action, and the reaction records."""

    def __init__(self, actions: Mapping[str, StopAction]) -> None:
        self._actions = actions
        self._under_way: dict[str, _UnderWay] = {}
        self._lost: set[str] = set()
        self._urgent: dict[str, tuple[int, str]] = {}
        """Most urgent stop category that a trip has commanded to a source since the last reset, and by which action."""
        self._reactions = ReactionBook()

    @property
    def unacknowledged(self) -> tuple[str, ...]:
        """Names of the actions that are not acknowledged to their last step."""
        return tuple(self._under_way)

    @property
    def under_way(self) -> tuple[StopStatus, ...]:
        """Where each action stands."""
        return tuple(self._status(entry) for entry in self._under_way.values())

    @property
    def reactions(self) -> tuple[Reaction, ...]:
        """Reaction records, oldest first."""
        return self._reactions.all

    def urgency(self, name: str) -> int:
        """Stop category of the first step of an action."""
        return self._actions[name].steps[0].stop_category

    def command(
        self,
        name: str,
        cause: str | Words,
        causes: Sequence[tuple[str, int]],
        now_ns: int,
        *,
        is_orderly: bool = False,
    ) -> list[Outcome]:
        """Command action ``name``. ``causes`` are (limit, sample_ns); each gets a reaction record, unless orderly."""
        sample_ns = min((time_ns for _, time_ns in causes), default=now_ns)
        keys = [] if is_orderly else [self._reactions.open(limit, time_ns, now_ns) for limit, time_ns in causes]
        return self._begin(_UnderWay(self._actions[name], cause, sample_ns, is_orderly, [], reactions=keys), now_ns)

    def written(self, command: Command, now_ns: int) -> None:
        """The caller has written ``command``."""
        entry = self._under_way.get(command.action)
        if entry is None:
            return
        step = entry.steps[command.step - 1]
        if step.written_ns is None:
            step.written_ns = now_ns
        self._reactions.written(entry.reactions, now_ns)

    def reply(self, source: str, text: str, now_ns: int) -> tuple[list[Outcome], bool]:
        """An answer of ``source``: what follows from it, and whether an orderly stop has ended by it."""
        outcomes: list[Outcome] = []
        was_orderly = False
        answer = text.strip()
        for entry in list(self._under_way.values()):
            answered = [
                step
                for step in entry.steps
                if step.is_open and step.attempt and step.spec.source == source and step.spec.acknowledged_by == answer
            ]
            if answered:
                for step in answered:
                    step.is_over = True
                    outcomes.append(self._acknowledged(entry, step, now_ns))
                outcomes += self._advance(entry, now_ns)
                was_orderly |= entry.is_orderly and entry.is_over
        return outcomes, was_orderly

    def tick(self, now_ns: int) -> list[Outcome]:
        """Send what is due, repeat or escalate what is overdue."""
        if not self._under_way:
            return []
        return [o for entry in list(self._under_way.values()) for o in self._advance(entry, now_ns)]

    def drop_orderly(self) -> None:
        """A trip has taken over: an orderly stop is not repeated any more."""
        self._under_way = {name: entry for name, entry in self._under_way.items() if not entry.is_orderly}

    def forget_urgency(self) -> None:
        """RESET: what was commanded before stands against nothing any more (rule 5)."""
        self._urgent.clear()

    def source_lost(self, source: str, now_ns: int) -> list[Outcome]:
        """What is under way on ``source`` waits until it is back; the steps on other links go on."""
        self._lost.add(source)
        outcomes: list[Outcome] = []
        for entry in list(self._under_way.values()):
            open_there = [step for step in entry.steps if step.is_open and step.spec.source == source]
            outcomes += [_held_back(entry, step, now_ns) for step in open_there]
            outcomes += self._advance(entry, now_ns)
        return outcomes

    def source_back(self, source: str, now_ns: int) -> list[Outcome]:
        """Send at once what has waited."""
        self._lost.discard(source)
        outcomes: list[Outcome] = []
        for entry in self._under_way.values():
            for step in entry.steps:
                if step.is_open and step.spec.source == source:
                    told = f"{_name(entry, step)}: {step.spec.command!r} sent to {source}, which is back"
                    outcomes += _send(entry, step, now_ns, EventKind.STOP_COMMANDED, told)
        return outcomes

    # ------------------------------------------------------------------ one action

    def _begin(self, entry: _UnderWay, now_ns: int) -> list[Outcome]:
        """Start an action, or join it where it is under way (rule 6)."""
        before = self._under_way.get(entry.action.name)
        if before is None:
            entry.steps = [_Step(spec, number) for number, spec in enumerate(entry.action.steps, start=1)]
            self._under_way[entry.action.name] = entry
            return self._advance(entry, now_ns)
        before.reactions += entry.reactions
        outcomes: list[Outcome] = []
        for step in before.steps:
            if step.is_open and step.spec.source not in self._lost:
                outcomes.append(_order(before, step, entry.cause, entry.sample_ns))
                outcomes.append(_commanded(before, step, entry.cause, now_ns))
        if not outcomes:
            status = self._status(before)
            told = f"{before.action.name}: under way, step {status.step} of {status.of} ({entry.cause})"
            outcomes.append(Happened(now_ns, EventKind.STOP_COMMANDED, told, status.source, data=_data(before)))
        return outcomes

    def _advance(self, entry: _UnderWay, now_ns: int) -> list[Outcome]:
        """Rules 1 to 5 for one action, at one instant."""
        outcomes: list[Outcome] = []
        held: set[str] = set()
        is_blocked = False
        for step in entry.steps:
            source = step.spec.source
            if step.is_open:
                if step.due_ns is not None and now_ns >= step.due_ns:
                    if entry.action.escalate_to and step.tries >= step.spec.attempts:
                        return outcomes + self._escalate(entry, step, now_ns)
                    outcomes += self._again(entry, step, now_ns)
            elif not (step.is_over or is_blocked or source in held):
                if step.due_ns is None:
                    step.due_ns = now_ns + _ns(step.spec.delay_s)
                if now_ns >= step.due_ns:
                    outcomes += self._step(entry, step, now_ns)
                else:
                    is_blocked = True
            if step.is_open:
                if source in self._lost:
                    held.add(source)
                else:
                    is_blocked = True
        self._close(entry)
        return outcomes

    def _close(self, entry: _UnderWay) -> None:
        name = entry.action.name
        if entry.is_over and self._under_way.get(name) is entry:
            del self._under_way[name]

    def _step(self, entry: _UnderWay, step: _Step, now_ns: int) -> Iterator[Outcome]:
        """The step is due: send it, hold it back, or pass it over."""
        spec = step.spec
        if not entry.is_orderly:
            category, other = self._urgent.get(spec.source, (spec.stop_category, ""))
            if category < spec.stop_category:
                yield from self._pass_over(entry, step, other, now_ns)
                return
            self._urgent[spec.source] = (spec.stop_category, entry.action.name)
        step.is_begun, step.tries = True, 1
        step.due_ns = now_ns + _ns(spec.timeout_s)
        if spec.source in self._lost:
            yield _held_back(entry, step, now_ns)
        else:
            step.attempt = 1
            yield _order(entry, step, entry.cause, entry.sample_ns)
            yield _commanded(entry, step, entry.cause, now_ns)
        for other_entry in [] if entry.is_orderly else list(self._under_way.values()):
            for milder in other_entry.steps:
                is_there = milder.is_open and milder.spec.source == spec.source
                if is_there and milder.spec.stop_category > spec.stop_category:
                    yield from self._pass_over(other_entry, milder, entry.action.name, now_ns)
            self._close(other_entry)

    def _again(self, entry: _UnderWay, step: _Step, now_ns: int) -> list[Outcome]:
        step.tries += 1
        if step.spec.source in self._lost:
            step.due_ns = now_ns + _ns(step.spec.timeout_s)
            return []
        told = f"{_name(entry, step)}: {step.spec.command!r} not acknowledged within {seconds(step.spec.timeout_s)}"
        return _send(entry, step, now_ns, EventKind.STOP_NOT_ACKNOWLEDGED, told)

    def _pass_over(self, entry: _UnderWay, step: _Step, other: str, now_ns: int) -> Iterator[Outcome]:
        """A more urgent stop has been commanded to the same source; what it answers for, that one answers for now."""
        step.is_over = True
        stronger = self._under_way.get(other)
        if entry.is_over and stronger is not None and stronger is not entry:
            stronger.reactions += entry.reactions
        category = self._urgent[step.spec.source][0]
        yield Happened(
            now_ns,
            EventKind.STOP_PASSED_OVER,
            f"{_name(entry, step)}: {step.spec.command!r} (stop category {step.spec.stop_category}) is not sent to "
            f"{step.spec.source}, {other} (stop category {category}) has been commanded to it ({entry.cause})",
            source=step.spec.source,
            data=_data(entry, step) | {"for": other},
        )

    def _escalate(self, entry: _UnderWay, step: _Step, now_ns: int) -> list[Outcome]:
        """Rule 2. An orderly stop is only told: the trip that follows from it comes from above (rule 7)."""
        del self._under_way[entry.action.name]
        target = entry.action.escalate_to
        tried = f"not acknowledged by {step.spec.source} after {step.attempt} attempt{'s' * (step.attempt != 1)}"
        if step.spec.source in self._lost:
            tried = f"held back, {step.spec.source} is lost"
        told: Outcome = Happened(
            now_ns,
            EventKind.STOP_ESCALATED,
            f"{_name(entry, step)}: {step.spec.command!r} {tried}; escalated to {target}",
            source=step.spec.source,
            data=_data(entry, step) | {"to": target, "is_orderly": entry.is_orderly},
        )
        if entry.is_orderly:
            return [told]
        following = _UnderWay(
            self._actions[target],
            f"{entry.action.name} not answered; {entry.cause}",
            entry.sample_ns,
            False,
            [],
            escalated_from=entry.action.name,
            reactions=entry.reactions,
        )
        return [told, *self._begin(following, now_ns)]

    def _acknowledged(self, entry: _UnderWay, step: _Step, now_ns: int) -> Happened:
        records = self._reactions.acknowledged(entry.reactions, now_ns)
        entry.reactions = []
        took = f" after {(now_ns - step.written_ns) / 1e6:.1f} ms" if step.written_ns is not None else ""
        return Happened(
            now_ns,
            EventKind.STOP_ACKNOWLEDGED,
            f"{_name(entry, step)}: acknowledged by {step.spec.source}{took}",
            source=step.spec.source,
            data=_data(entry, step) | {"command": step.spec.command, "reactions": records},
        )

    def _status(self, entry: _UnderWay) -> StopStatus:
        step = next((s for s in entry.steps if s.is_open), None) or next(s for s in entry.steps if not s.is_over)
        return StopStatus(
            entry.action.name,
            step.number,
            len(entry.steps),
            step.attempt,
            step.spec.source,
            is_held=step.spec.source in self._lost,
            escalated_from=entry.escalated_from,
        )


def _ns(seconds_: float) -> int:
    return round(seconds_ * 1e9)


def _name(entry: _UnderWay, step: _Step) -> str:
    of = len(entry.steps)
    return entry.action.name if of == 1 else f"{entry.action.name}, step {step.number} of {of}"


def _data(entry: _UnderWay, step: _Step | None = None) -> dict[str, JsonValue]:
    if step is None:
        return {"action": entry.action.name}
    return {"action": entry.action.name, "step": step.number, "of": len(entry.steps), "attempt": step.attempt}


def _order(entry: _UnderWay, step: _Step, cause: str | Words, sample_ns: int) -> Command:
    return Command(
        step.spec.source, step.spec.command, cause, sample_ns, entry.action.name, step.attempt, step=step.number
    )


def _send(entry: _UnderWay, step: _Step, now_ns: int, kind: EventKind, told: str) -> list[Outcome]:
    """Send once more, and look again after the timeout: slowly, when it has been sent often."""
    step.attempt += 1
    slowly = SLOW_FACTOR if step.attempt > QUICK_REPEATS else 1
    step.due_ns = now_ns + slowly * _ns(step.spec.timeout_s)
    if kind is EventKind.STOP_NOT_ACKNOWLEDGED:
        told += f"; sent again (attempt {step.attempt})"
    order = _order(entry, step, entry.cause, entry.sample_ns)
    return [order, Happened(now_ns, kind, told, source=step.spec.source, data=_data(entry, step))]


def _commanded(entry: _UnderWay, step: _Step, cause: str | Words, now_ns: int) -> Happened:
    spec, attempt = step.spec, step.attempt

    def told() -> tuple[str, dict[str, JsonValue]]:
        data = _data(entry, step) | {
            "attempt": attempt,
            "stop_category": spec.stop_category,
            "is_orderly": entry.is_orderly,
        }
        return f"{_name(entry, step)}: {spec.command!r} to {spec.source} ({cause})", data

    return HappenedNow(now_ns, EventKind.STOP_COMMANDED, told, spec.source)


def _held_back(entry: _UnderWay, step: _Step, now_ns: int) -> Happened:
    source = step.spec.source
    return Happened(
        now_ns,
        EventKind.STOP_NOT_ACKNOWLEDGED,
        f"{_name(entry, step)}: {step.spec.command!r} cannot be sent, {source} is lost; sent when it is back",
        source=source,
        data=_data(entry, step),
    )
