"""The last part of a proof: a stop that is not answered is repeated, and the next stop takes its place.

The commands really go out and the device really answers. That it does not answer the first stop is the one thing that
is made up: its answers to that are held back here, and everything that follows runs in the real time of the profile.

A software trip is not a safety function. A hard-wired emergency stop, guards and distance protect people.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from benchkit.errors import LinkError
from benchkit.model.events import EventKind
from benchkit.model.proof import EscalationProof
from benchkit.model.stand import Stand
from benchkit.model.start_conditions import StartConditions
from benchkit.model.stops import StopAction
from benchkit.protect.outcomes import Command, Happened, Outcome
from benchkit.protect.protection import Protection
from benchkit.protect.watch import as_ns
from benchkit.session.proving import TIMEOUTS, WAIT_S, Bench

CAUSE = "proof of escalation"
SPARE_S = 1.0
"""Beyond all timeouts of the profile: for the way to the device and back."""


def prove_escalations(stand: Stand, bench: Bench) -> tuple[EscalationProof, ...]:
    """Each stop action of ``stand`` that escalates, over ``bench``, whose links are open and at rest."""
    # no limit beside it: no frame is handed in meanwhile, and silence would trip
    alone = replace(
        stand,
        limit_set=replace(stand.limit_set, limits=()),
        alarm_rules=replace(stand.alarm_rules, suppressed_in={}),
        start_conditions=StartConditions(),
    )
    proofs = []
    for action in stand.stop_actions.values():
        if action.escalate_to:
            bench.settle()
            proofs.append(_Unanswered(alone, bench, action).prove())
    bench.settle()
    return tuple(proofs)


@dataclass(slots=True)
class _Unanswered:
    """One action whose answers are held back until it has escalated."""

    stand: Stand
    bench: Bench
    action: StopAction
    events: list[Happened] = field(default_factory=list)
    sent: list[tuple[Command, int]] = field(default_factory=list)
    """Commands, and when they were written."""
    held_back: int = 0

    def prove(self) -> EscalationProof:
        """From the trip to the acknowledgement of the next stop."""
        action, clock = self.action, self.bench.clock
        proof = EscalationProof(action.name, action.escalate_to, is_proven=False)
        protection = Protection(self.stand, clock.now_ns())
        try:
            self._take(protection, protection.external_trip(CAUSE, clock.now_ns(), action=action.name))
            self._follow(protection)
        except LinkError as error:
            return replace(proof, reason=f"the link was lost: {error}")
        own = [(c, at_ns) for c, at_ns in self.sent if c.action == action.name]
        following = [(c, at_ns) for c, at_ns in self.sent if c.action == action.escalate_to]
        escalated = next((e for e in self.events if e.kind is EventKind.STOP_ESCALATED), None)
        start_ns = own[0][1] if own else clock.now_ns()

        def since(at_ns: int) -> float:
            return (at_ns - start_ns) * 1e-9

        proof = replace(
            proof,
            attempts=len(own),
            held_back=self.held_back,
            commands=tuple(dict.fromkeys(f"{c.source}: {c.text}" for c, _ in self.sent)),
            escalated_s=None if escalated is None else since(escalated.time_ns),
            written_s=since(following[0][1]) if following else None,
        )
        step = action.steps[0]
        if escalated is None or not following:
            return replace(proof, reason=f"{action.name} was not answered, and nothing took its place")
        if len(own) != step.attempts:
            return replace(proof, reason=f"{step.command!r} was sent {len(own)} times, not {step.attempts}")
        steps = self.stand.stop_actions[action.escalate_to].steps
        answered = [
            e for e in self.events
            if e.kind is EventKind.STOP_ACKNOWLEDGED and e.data["action"] == action.escalate_to
        ]  # fmt: skip
        if protection.unacknowledged_stops or len(answered) < len(steps):
            return replace(proof, reason=f"{action.escalate_to} was not acknowledged either")
        return replace(
            proof,
            is_proven=True,
            acknowledged_s=since(answered[-1].time_ns),
            acknowledged_by=tuple(f"{step.source}: {step.acknowledged_by}" for step in steps),
        )

    def _follow(self, protection: Protection) -> None:
        """Answers in, repeats and the next stop out, until all is acknowledged or it has taken too long."""
        clock, first = self.bench.clock, self.action.steps[0]
        following = self.stand.stop_actions[self.action.escalate_to].steps
        patience_s = first.delay_s + first.attempts * first.timeout_s + SPARE_S
        patience_s += sum(step.delay_s + TIMEOUTS * step.timeout_s for step in following)
        until_ns = clock.now_ns() + as_ns(patience_s)
        withheld = {(step.source, step.acknowledged_by) for step in self.action.steps}
        while protection.unacknowledged_stops and clock.now_ns() < until_ns:
            self.bench.poll(WAIT_S)
            for source, text in self.bench.replies:
                if (source, text.strip()) in withheld and self.action.name in protection.unacknowledged_stops:
                    self.held_back += 1
                else:
                    self._take(protection, protection.reply(source, text, clock.now_ns()))
            self.bench.replies.clear()
            self._take(protection, protection.tick(clock.now_ns()))

    def _take(self, protection: Protection, outcomes: Sequence[Outcome]) -> None:
        for one in outcomes:
            if isinstance(one, Command):
                self.bench.send(one)
                now_ns = self.bench.clock.now_ns()
                self.sent.append((one, now_ns))
                protection.written(one, now_ns)
            else:
                self.events.append(one)
