"""Stop sequences through random stories: what must hold whatever happens, and that every story comes to an end.

Two links, five actions: a ramp that escalates to blocked gates, these to the contactor on the other link; a sequence
over both links; coasting, the mildest. Trips, answers, lost links, time and resets come in any order.
"""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from benchkit.model.events import EventKind
from benchkit.model.stops import StopAction, StopStep
from benchkit.protect.outcomes import Command, Happened
from benchkit.protect.stops import QUICK_REPEATS, SLOW_FACTOR, StopBook

MS = 1_000_000
T_MS = 200
LINKS = ("rack", "relays")


def step(source, command, category, *, delay_s=0.0, attempts=0):
    return StopStep(source, command, f"ok {command}", T_MS / 1e3, category, delay_s, attempts)


ACTIONS = {
    action.name: action
    for action in (
        StopAction("ramp_down", (step("rack", "stop ramp", 1, attempts=3),), "gates_off"),
        StopAction("gates_off", (step("rack", "gates off", 0, attempts=2),), "contactor_open"),
        StopAction("contactor_open", (step("relays", "contactor open", 0),)),
        StopAction("shut", (step("rack", "stop torque", 1), step("relays", "fan off", 1, delay_s=0.3))),
        StopAction("coast", (step("rack", "coast", 2),)),
    )
}
CATEGORY = {s.command: s.stop_category for action in ACTIONS.values() for s in action.steps}
SOURCE = {s.command: s.source for action in ACTIONS.values() for s in action.steps}


class StopStory(RuleBasedStateMachine):
    @initialize()
    def begin(self):
        self.book = StopBook(ACTIONS)
        self.now = 0
        self.lost: set[str] = set()
        self.lowest: dict[str, int] = {}
        self.unanswered: set[str] = set()  # commands sent and not answered
        self.first_sent: dict[str, int] = {}
        self.last_sent = 0
        self.torque_done = self.was_lost = False

    def check(self, outcomes):
        for outcome in outcomes:
            if isinstance(outcome, Happened) and outcome.kind is EventKind.STOP_ESCALATED:
                assert outcome.data["to"] == ACTIONS[str(outcome.data["action"])].escalate_to
                assert outcome.data["attempt"] <= 2 + 20 * self.was_lost + 3
            if not isinstance(outcome, Command):
                continue
            assert outcome.source == SOURCE[outcome.text]
            assert outcome.source not in self.lost, "nothing goes out over a lost link"
            least = self.lowest.get(outcome.source, 2)
            assert CATEGORY[outcome.text] <= least, "a stop is not undone by a milder one"
            self.lowest[outcome.source] = CATEGORY[outcome.text]
            if outcome.text == "fan off":
                assert self.torque_done or self.was_lost or self.lowest.get("rack") == 0, "in order"
            self.unanswered.add(outcome.text)
            self.last_sent = self.now

    @invariant()
    def names_what_is_open(self):
        if hasattr(self, "book"):
            assert {status.action for status in self.book.under_way} == set(self.book.unacknowledged)
            assert all(1 <= status.step <= status.of for status in self.book.under_way)
            assert all(status.is_held == (status.source in self.lost) for status in self.book.under_way)

    @rule(name=st.sampled_from(sorted(ACTIONS)))
    def trip(self, name):
        if name == "shut" and name not in self.book.unacknowledged:
            self.torque_done = False
        self.check(self.book.command(name, f"{name} (trip)", [(name, self.now)], self.now))

    @rule(ms=st.sampled_from([1, 50, T_MS, T_MS + 1, 3 * T_MS]))
    def tick(self, ms):
        self.now += ms * MS
        self.check(self.book.tick(self.now))

    @rule(command=st.sampled_from(sorted(CATEGORY)))
    def answer(self, command):
        before = self.book.unacknowledged
        outcomes, was_orderly = self.book.reply(SOURCE[command], f"ok {command}", self.now)
        assert not was_orderly
        if command not in self.unanswered:
            assert outcomes == [], "an answer to what was never sent counts for nothing"
            assert self.book.unacknowledged == before
        self.unanswered.discard(command)
        self.torque_done |= command == "stop torque" and bool(outcomes)
        self.check(outcomes)

    @rule(link=st.sampled_from(LINKS))
    def lose(self, link):
        if link not in self.lost:
            self.lost.add(link)
            self.was_lost = True
            self.check(self.book.source_lost(link, self.now))

    @rule(link=st.sampled_from(LINKS))
    def come_back(self, link):
        if link in self.lost:
            self.lost.discard(link)
            self.check(self.book.source_back(link, self.now))

    @precondition(lambda self: not self.book.unacknowledged)
    @rule()
    def reset(self):
        self.book.forget_urgency()
        self.lowest, self.unanswered = {}, set()
        self.torque_done = False

    def teardown(self):
        """Never endless silence, and an end when the devices answer."""
        if not hasattr(self, "book"):
            return
        for link in LINKS:
            self.come_back(link)
        since = self.now
        for _ in range(3 * SLOW_FACTOR * (QUICK_REPEATS + 2)):
            if not self.book.unacknowledged:
                break
            self.tick(T_MS)
            since = max(since, self.last_sent)
            assert self.now - since <= (SLOW_FACTOR + 2) * T_MS * MS, "silence"
        for _ in range(20):
            for command in sorted(self.unanswered):
                self.answer(command)
            self.tick(T_MS)
        assert self.book.unacknowledged == ()


def play(stories: int, steps: int) -> None:
    run_state_machine_as_test(
        StopStory,
        settings=settings(
            max_examples=stories,
            stateful_step_count=steps,
            deadline=None,
            database=None,
            phases=[Phase.generate, Phase.shrink],
            suppress_health_check=list(HealthCheck),
        ),
    )


def test_stories():
    play(200, 20)


@pytest.mark.soak
@pytest.mark.timeout(4 * 3600)
def test_200_000_stories():
    play(200_000, 20)
