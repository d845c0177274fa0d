"""Protection against a plain model that knows the rules by heart, through random stories.

Hypothesis tells them and finds the shortest when one fails; most of its time goes into telling. Longer ones by the
thousand are told by a plain random generator: the same rules, the same values, the same comparison after every step.

The limits have no delays here: times are the business of the limit tests. Alarms are modelled by what was seen and what
stands, not by their table; stop sequences have a machine of their own in ``test_stop_machine.py``.
"""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np
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

from benchkit.errors import RefusedError
from benchkit.model.alarms import AlarmRules
from benchkit.model.events import EventKind
from benchkit.model.interlock import Trigger
from benchkit.model.stand import Stand
from benchkit.protect.outcomes import Command, Happened
from benchkit.protect.protection import Protection

MS = 1_000_000
STALE_NS = 250 * MS
ACTION = {"hot": "ramp_down", "fast": "zero_torque"}
WHOLE_WAY = ["RESET", "PERMISSIVES_MET", "ARM", "START"]
EASY = {  # what a request needs and leads to; RESET is apart
    "ARM": ("READY", "ARMED"),
    "DISARM": ("ARMED", "READY"),
    "START": ("ARMED", "RUNNING"),
    "STOP": ("RUNNING", "STOPPING"),
}
VALUES = {
    "row": {
        "dt_ms": [1, 100, 250, 260],
        "temp": [20.0, 20.0, 20.0, 137.0, 140.0, 141.0, math.nan],
        "speed": [100.0, 100.0, 100.0, 4300.0, 4301.0, math.nan],
    },
    "tick": {"dt_ms": [1, 200, 600, 6000]},
    "reply": {"text": ["ok stop ramp", "ok stop torque", "ok something"]},
    "request": {"trigger": [*Trigger, Trigger.ARM, Trigger.START, Trigger.RESET]},
    "permissive": {"met": [True, True, True, False]},
    "lose": {},
    "come_back": {},
    "smoke": {"stands": [False, True]},
    "smoke_gone": {},
    "acknowledge": {"name": ["hot", "fast", "warm", ""]},
    "shelve": {"name": ["warm", "warm", "hot"], "seconds": [0.5, 5.0, 900.0]},
    "take_out": {"name": ["warm", "fast"]},
    "bring_back": {"how": ["shelved", "out_of_service"]},
    "get_going": {"wanted": ["READY", "ARMED", "RUNNING", "RUNNING", "STOPPING"]},
}
"""Everything that can happen in a story, and what is drawn for it."""


def happens(function):
    """A rule for hypothesis, which draws the same values."""
    drawn = {key: st.sampled_from(values) for key, values in VALUES[function.__name__].items()}
    return rule(**drawn)(function)


class Plain:
    """One alarm: does its limit act, is it latched, has somebody seen it, was it set aside."""

    def __init__(self, name):
        self.is_latching = name != "warm"
        self.acts = self.held = self.calls = False
        self.aside = ""
        self.until = math.inf

    def follow(self, acts, *, anew=False):
        if acts and (anew or not self.acts):
            self.held |= self.is_latching
            # a cause from outside that stands already says nothing new when it is told again
            self.calls |= not self.aside and not (anew and self.acts)
        self.acts = acts

    def come_back(self):
        self.aside, self.until = "", math.inf
        self.calls = self.acts or self.held

    @property
    def life(self):
        if self.aside:
            return self.aside
        if not (self.acts or self.held):
            return "returned_unacknowledged" if self.calls else "normal"
        return ("" if self.acts else "latched_") + ("unacknowledged" if self.calls else "acknowledged")


class InterlockStory(RuleBasedStateMachine):
    stand: Stand

    @initialize()
    def begin(self):
        self.subject = Protection(self.stand, 0, permissives=("guard closed",))
        self.now = 0
        # the model
        self.state = "STANDBY"
        self.acts = {"hot": False, "fast": False}
        self.alarms = {name: Plain(name) for name in ("hot", "fast", "warm", "smoke")}
        self.external = False
        self.pending: dict[str, bool] = {}  # action -> orderly
        self.sent: set[str] = set()  # of those, the ones whose command has gone out: nothing else can be answered
        self.is_lost = self.is_missing = self.has_spoken = self.is_fresh = self.guard = False
        self.heard = 0
        # what was seen
        self.since_trip: list[str] = []
        self.seen_state = "STANDBY"

    # ---- the model

    def trip(self, actions):
        self.state = "TRIPPED"
        self.pending = {name: False for name, orderly in self.pending.items() if not orderly}
        self.sent &= set(self.pending)
        for action in actions:
            if not self.is_lost and action not in self.pending:
                self.sent.add(action)
            self.pending[action] = False

    def condition(self, now_acting):
        """New states of the two limits; returns the actions that must be commanded."""
        begun = [name for name, acts in now_acting.items() if acts and not self.acts[name]]
        for name, acts in now_acting.items():
            self.alarms[name].follow(acts)
        self.acts.update(now_acting)
        actions = {ACTION[name] for name in begun}
        if actions:
            self.trip(actions)
        return actions

    def silence(self):
        """Time has come to ``now``: without a row for too long both channels are missing."""
        if not self.is_lost and not self.is_missing and self.now - self.heard > STALE_NS:
            self.is_missing = True
            return self.condition({"hot": True, "fast": True})
        return set()

    def follow(self):
        met = self.is_fresh and self.guard
        if self.state == "STANDBY" and met:
            self.state = "READY"
        elif self.state in ("READY", "ARMED") and not met:
            self.state = "STANDBY"

    # ---- what is compared in every step

    def check(self, outcomes, must=(), may=()):
        """``must``: actions commanded for sure; ``may``: actions that may be repeated."""
        kinds = [isinstance(outcome, Command) for outcome in outcomes]
        assert kinds == sorted(kinds, reverse=True), "commands come first"
        commanded = {outcome.action for outcome in outcomes if isinstance(outcome, Command)}
        if self.is_lost:
            assert not commanded, "nothing can be sent over a lost link"
        else:
            assert set(must) <= commanded <= set(must) | set(may)
        for outcome in outcomes:
            if isinstance(outcome, Happened) and outcome.kind is EventKind.STATE:
                assert outcome.data["from"] == self.seen_state
                self.seen_state = outcome.data["to"]
                self.since_trip.append(outcome.data["trigger"])
                if self.seen_state == "TRIPPED":
                    self.since_trip = []
                if self.seen_state == "RUNNING":
                    self.ran_the_whole_way()

    def ran_the_whole_way(self):
        """Each trigger of the whole way has come since the last trip, and in order. Without a trip RESET is missing."""
        left = iter(self.since_trip)
        wanted = WHOLE_WAY if "RESET" in self.since_trip else WHOLE_WAY[1:]
        assert all(trigger in left for trigger in wanted)

    @invariant()
    def agrees(self):
        if not hasattr(self, "subject"):
            return
        assert self.subject.state.value == self.state == self.seen_state
        causes = {name for name, acts in self.acts.items() if acts} | ({"smoke"} if self.external else set())
        assert set(self.subject.standing_causes) == causes
        assert self.subject.permissives == {"sources_fresh": self.is_fresh, "guard closed": self.guard}
        assert set(self.subject.unacknowledged_stops) == set(self.pending)
        assert (self.subject.first_out is not None) == (self.state == "TRIPPED")
        if causes:
            assert self.state == "TRIPPED"
        lives = {alarm.name: alarm.life.value for alarm in self.subject.alarms.all}
        assert lives == {name: plain.life for name, plain in self.alarms.items() if name in lives}
        assert {name for name, plain in self.alarms.items() if plain.life != "normal"} <= set(lives)

    # ---- what happens

    @happens
    def row(self, dt_ms, temp, speed):
        self.now += dt_ms * MS
        must = set()
        if not self.is_lost:
            must |= self.silence()
            self.heard, self.is_missing, self.has_spoken = self.now, False, True
            hot = math.isnan(temp) or temp > 140.0 or (self.acts["hot"] and temp > 135.0)
            fast = math.isnan(speed) or speed > 4300.0 or (self.acts["fast"] and speed > 4250.0)
            must |= self.condition({"hot": hot, "fast": fast})
            if not math.isnan(temp):  # NaN neither raises nor clears a caution
                self.alarms["warm"].follow(temp > 120.0 or (self.alarms["warm"].acts and temp > 115.0))
            self.is_fresh = True
            self.follow()
        outcomes = self.subject.feed("rack", np.array([self.now]), np.array([[temp, speed]]), self.now)
        self.check(outcomes, must)

    @happens
    def tick(self, dt_ms):
        self.now += dt_ms * MS
        must = self.silence()
        self.is_fresh = self.has_spoken and not self.is_lost and self.now - self.heard <= STALE_NS
        self.follow()
        if self.now >= self.alarms["warm"].until:
            self.alarms["warm"].come_back()
        self.check(self.subject.tick(self.now), must, self.pending)

    @happens
    def reply(self, text):
        action = {"ok stop ramp": "ramp_down", "ok stop torque": "zero_torque"}.get(text, "")
        was_orderly = action in self.sent and self.pending.pop(action)
        self.sent.discard(action)
        if was_orderly and self.state == "STOPPING":
            self.state = "STANDBY"
            self.follow()
        self.check(self.subject.reply("rack", text, self.now))

    @happens
    def request(self, trigger):
        name = trigger.value
        may_reset = self.state == "TRIPPED" and not any(self.acts.values()) and not self.external and not self.pending
        if (name in EASY and self.state == EASY[name][0]) or (name == "RESET" and may_reset):
            self.state = EASY[name][1] if name in EASY else "STANDBY"
            must = set()
            if name == "RESET":
                for plain in self.alarms.values():
                    plain.held &= plain.acts
            if name == "STOP":
                self.pending["ramp_down"] = True
                self.sent |= set() if self.is_lost else {"ramp_down"}
                must = {"ramp_down"}
            self.follow()
            self.check(self.subject.request(trigger, self.now, "Ada"), must)
        else:
            with pytest.raises(RefusedError, match=rf"{name} (is refused in {self.state}|cannot be requested)"):
                self.subject.request(trigger, self.now, "Ada")

    @happens
    def permissive(self, met):
        self.guard = met
        self.follow()
        self.check(self.subject.set_permissive("guard closed", met, self.now))

    @precondition(lambda self: not self.is_lost)
    @happens
    def lose(self):
        self.is_lost = self.is_missing = True
        self.has_spoken = self.is_fresh = False
        self.condition({"hot": True, "fast": True})
        self.follow()
        self.check(self.subject.source_lost("rack", self.now, "cable out"))

    @precondition(lambda self: self.is_lost)
    @happens
    def come_back(self):
        self.is_lost = False
        self.sent = set(self.pending)
        self.check(self.subject.source_back("rack", self.now), self.pending)

    @happens
    def smoke(self, stands):
        self.external |= stands
        self.alarms["smoke"].follow(True, anew=True)
        self.alarms["smoke"].follow(self.external)
        self.trip({"ramp_down"})
        self.check(self.subject.external_trip("smoke", self.now, stands=stands), {"ramp_down"})

    @happens
    def smoke_gone(self):
        self.external = False
        self.alarms["smoke"].follow(False)
        self.check(self.subject.external_cleared("smoke", self.now))

    def allowed(self, is_allowed, ask, *arguments):
        """The request is carried out, or refused, as the model says; it commands nothing either way."""
        if not is_allowed:
            with pytest.raises(RefusedError, match="refused"):
                ask(*arguments, self.now)
            return
        outcomes = ask(*arguments, self.now)
        assert outcomes
        assert all(outcome.data["who"] == "Ada" for outcome in outcomes if outcome.kind is not EventKind.FLOOD)
        self.check(outcomes)

    @happens
    def acknowledge(self, name):
        asked = [self.alarms[name]] if name else list(self.alarms.values())
        calling = [plain for plain in asked if plain.calls]
        self.allowed(bool(calling), self.subject.alarms.acknowledge, [name] if name else [], "Ada")
        for plain in calling:
            plain.calls = False

    @happens
    def shelve(self, name, seconds):
        plain = self.alarms[name]
        can = name == "warm" and not plain.aside and seconds <= 600.0
        self.allowed(can, self.subject.alarms.shelve, name, "Ada", "known", seconds)
        if can:
            plain.aside, plain.calls, plain.until = "shelved", False, self.now + seconds * 1e9

    @happens
    def take_out(self, name):
        plain = self.alarms[name]
        can = name == "warm" and plain.aside != "out_of_service"
        self.allowed(can, self.subject.alarms.take_out, name, "Ada", "broken")
        if can:
            plain.aside, plain.calls, plain.until = "out_of_service", False, math.inf

    @happens
    def bring_back(self, how):
        alarms, plain = self.subject.alarms, self.alarms["warm"]
        can = plain.aside == how
        self.allowed(can, alarms.unshelve if how == "shelved" else alarms.put_back, "warm", "Ada")
        if can:
            plain.come_back()

    @happens
    def get_going(self, wanted):
        """What a crew does: repair, acknowledge, reset, and the way up. Left to chance it would hardly happen."""
        if self.is_lost:
            self.come_back()
        self.smoke_gone()
        self.row(1, 20.0, 100.0)
        self.reply("ok stop ramp")
        self.reply("ok stop torque")
        self.permissive(True)
        for trigger, reached in (
            (Trigger.RESET, "READY"),
            (Trigger.ARM, "ARMED"),
            (Trigger.START, "RUNNING"),
            (Trigger.STOP, "STOPPING"),
        ):
            if self.state != wanted:
                self.request(trigger)
            assert self.state in ("READY", "ARMED", "RUNNING", "STOPPING"), "nothing is left in the way"
            if reached == wanted:
                return


def play(stand: Stand, stories: int, steps: int) -> None:
    story = type("Story", (InterlockStory,), {"stand": replace(stand, alarm_rules=AlarmRules(600.0))})
    run_state_machine_as_test(
        story,
        settings=settings(
            max_examples=stories,
            stateful_step_count=steps,
            deadline=None,
            database=None,
            phases=[Phase.generate, Phase.shrink],
            suppress_health_check=list(HealthCheck),
        ),
    )


def tell(stand: Stand, number: int, steps: int) -> None:
    """The story of that number: some of what can happen, the rest left out, as hypothesis does it too."""
    draw = random.Random(number)
    story = InterlockStory()
    story.stand = stand
    may_happen = draw.sample(list(VALUES), draw.randint(3, len(VALUES)))
    told = []
    try:
        story.begin()
        story.agrees()
        for _ in range(steps):
            name = draw.choice(may_happen)
            if name == ("lose" if story.is_lost else "come_back"):
                continue
            values = {key: draw.choice(of) for key, of in VALUES[name].items()}
            told.append(f"{name}({values})")
            getattr(story, name)(**values)
            story.agrees()
    except BaseException as error:
        error.add_note(f"story {number}: {', '.join(told)}")
        raise


@pytest.mark.parametrize("half", ["first", "second"])
def test_5_000_stories(stand, half):
    """In two halves, for two processes: half a minute of one processor in all."""
    play(stand, 2500, 4)


def test_5_000_longer_stories(stand):
    told = replace(stand, alarm_rules=AlarmRules(600.0))
    first = random.SystemRandom().getrandbits(40)
    for number in range(first, first + 5000):
        tell(told, number, 12)


def test_long_stories(stand):
    play(stand, 50, 60)


@pytest.mark.soak
@pytest.mark.timeout(4 * 3600)
def test_200_000_stories(stand):
    """In portions: one search of all of them grows by gigabytes and slows down."""
    for _ in range(40):
        play(stand, 5000, 20)
