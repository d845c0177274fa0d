"""``benchkit prove``: each limit of a stand is made to act, and its stop command goes out to the real device.

The way of a proof: wanted value, raw number, bytes as the device sends them, decoder, calibration, protection, stop
command, the real link, the answer of the device. What is simulated is the value; what it leads to is real.

Time: a plan is walked through on the clock of its own samples (delays, windows and integrals of hours take no hours);
from its deciding sample on this clock runs with that of the computer, so that the reaction is measured, not computed.
Every limit has a protection of its own, armed and started, with the whole limit set beside it. Where another trip
would act with it, and its stop hide this one, the others are set aside and named in the record.

A software trip is not a safety function. A hard-wired emergency stop, guards and distance protect people.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchkit.decode.channel_map import ChannelMap
from benchkit.errors import LinkError, RefusedError
from benchkit.model.events import EventKind
from benchkit.model.interlock import State, Trigger
from benchkit.model.limits import Phase, Severity, set_point_unit
from benchkit.model.proof import LimitProof
from benchkit.model.samples import FloatArray, Reply, Rows
from benchkit.model.stand import Role, Stand
from benchkit.model.start_conditions import StartConditions
from benchkit.protect.outcomes import Command, Happened, Outcome
from benchkit.protect.protection import Protection
from benchkit.protect.proving import Case, NotProvable, Scene, Stimulus, cases_of, plan
from benchkit.protect.watch import as_ns
from benchkit.session.inject import Injector
from benchkit.session.tare import TURNING_RPM
from benchkit.sources.clock import Clock
from benchkit.sources.contract import Source

REST_S = 2.0
"""The shaft must have stood still for so long before anything is injected."""
FIRST_FRAME_S = 10.0
QUIET_LINK_S = 0.05
"""Answers that are still under way belong to the limit before: so long without one, and the next may begin."""
WAIT_S = 0.002
TIMEOUTS = 2
"""A command may go unanswered once, and be repeated; after so many timeouts a step it counts as not acknowledged."""
LONGEST_STEP_NS = 100_000_000
MOST_QUIET = 20_000
"""Samples after the trip within which a limit must let go, for RESET to be shown."""
WHO = "proof"


class Bench:
    """The real links of a stand: frames for their last good values and for the speed, commands, answers."""

    def __init__(self, stand: Stand, sources: Sequence[Source], clock: Clock) -> None:
        self.stand, self.clock = stand, clock
        self.sources = {source.name: source for source in sources}
        self.frames: dict[str, FloatArray] = {}
        """Raw numbers of the last good frame by source."""
        self.replies: list[tuple[str, str]] = []
        self.largest_rpm = 0.0
        self._speed = stand.channel_for(Role.SPEED)
        if self._speed is None or self._speed.source not in self.sources:
            raise RefusedError(
                "nobody can say whether the shaft turns",
                where="prove",
                expected="a measured channel with the role 'speed'",
            )
        of_speed = stand.channels_of(self._speed.source)
        self._map = ChannelMap(of_speed, self.sources[self._speed.source].columns)
        self._column = [channel.name for channel in of_speed].index(self._speed.name)
        self._speed_ns = 0
        self._speed_rows = 0

    def open(self) -> None:
        """Open every link. Raises LinkError."""
        for source in self.sources.values():
            source.open()

    def close(self) -> None:
        """Close every link."""
        for source in self.sources.values():
            source.close()

    def wait_for_rest(self) -> None:
        """Until every source has sent a good frame, and the shaft has stood still for ``REST_S``.

        Raises:
            RefusedError: it turns, or nobody can say so.
        """
        start_ns = self.clock.now_ns()
        until_ns = start_ns + as_ns(REST_S)
        while self.clock.now_ns() < until_ns or len(self.frames) < len(self.sources):
            self.poll(WAIT_S)
            if self.clock.now_ns() - start_ns > as_ns(FIRST_FRAME_S):
                silent = ", ".join(name for name in self.sources if name not in self.frames)
                raise RefusedError(
                    "no good frame has come", where="prove", got=silent, remedy="Look at its link and its format."
                )
        self.check_rest()

    def check_rest(self) -> None:
        """Raises RefusedError unless the shaft is measured now and has never turned."""
        assert self._speed is not None
        stale_ns = as_ns(self.stand.sources[self._speed.source].stale_after_s)
        if not self._speed_rows or self.clock.now_ns() - self._speed_ns > stale_ns:
            raise RefusedError(f"{self._speed.name} is not measured now", where="prove", remedy="Look at its link.")
        if math.isinf(self.largest_rpm):
            raise RefusedError(f"{self._speed.name} was not measured in every row", where="prove")
        if not self.largest_rpm <= TURNING_RPM:
            raise RefusedError(
                "the stand is not at rest",
                where="prove",
                got=f"{self.largest_rpm:.4g} rpm",
                expected=f"at most {TURNING_RPM:g} rpm, in every row",
                remedy="Stop it, wait until it stands still, and begin again.",
            )

    def send(self, command: Command) -> None:
        """Write a command to the real device."""
        self.sources[command.source].send(command.text)

    def poll(self, timeout_s: float) -> None:
        """Take what the links have brought."""
        share_s = timeout_s / len(self.sources)
        for name, source in self.sources.items():
            polled = source.poll(share_s)
            for event in () if polled is None else polled.events:
                if isinstance(event, Reply):
                    self.replies.append((name, event.text))
                elif isinstance(event, Rows):
                    self.frames[name] = event.values[-1]
                    self._watch_speed(name, event)

    def settle(self) -> None:
        """Let answers that are under way come in, and drop them."""
        quiet_ns = self.clock.now_ns()
        while self.clock.now_ns() - quiet_ns < as_ns(QUIET_LINK_S):
            self.poll(WAIT_S)
            if self.replies:
                quiet_ns = self.clock.now_ns()
                self.replies.clear()
        self.check_rest()

    def _watch_speed(self, name: str, rows: Rows) -> None:
        if self._speed is None or name != self._speed.source:
            return
        speed = np.abs(self._map.calibrate(rows.values)[:, self._column])
        self._speed_ns, self._speed_rows = int(rows.arrival_ns[-1]), self._speed_rows + len(rows)
        # a row that is not measured counts as turning: nobody can say that the shaft stands
        self.largest_rpm = max(self.largest_rpm, math.inf if np.isnan(speed).any() else float(speed.max()))


class _Time:
    """The clock of the computer, moved so that it shows the time of the samples."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._ahead_ns = 0

    def set(self, at_ns: int) -> None:
        """It is ``at_ns`` now, and time runs from here on."""
        self._ahead_ns = at_ns - self._clock.now_ns()

    def now(self) -> int:
        """Time in ns."""
        return self._clock.now_ns() + self._ahead_ns


@dataclass(slots=True)
class _Walk:
    """A plan under way: its protection, and what it has seen."""

    stand: Stand
    case: Case
    stimulus: Stimulus
    injectors: Mapping[str, Injector]
    start_ns: int
    protection: Protection
    events: list[Happened]
    commands: list[Command]

    def take(self, outcomes: Sequence[Outcome]) -> list[Command]:
        """Keep events; return the commands that follow from the trip of a limit."""
        self.events += [one for one in outcomes if isinstance(one, Happened)]
        return [one for one in outcomes if isinstance(one, Command)]

    def make(self, at_ns: int, values: Mapping[str, float]) -> dict[str, bytes | FloatArray]:
        """One frame of every source; ``values`` are injected into those that they belong to."""
        frames = {}
        for name, injector in self.injectors.items():
            own = {channel: v for channel, v in values.items() if self.stand.channels[channel].source == name}
            frames[name] = injector.make(at_ns, own)
        return frames

    def feed(self, at_ns: int, frames: Mapping[str, bytes | FloatArray], now: Callable[[], int]) -> list[Command]:
        """Frames that arrive at ``at_ns``, each through its decoder and to protection."""
        commands = []
        for name, frame in frames.items():
            arrival, table = self.injectors[name].take(at_ns, frame)
            commands += self.take(self.protection.feed(name, arrival, table, now()))
        return commands

    def put(self, at_ns: int, values: Mapping[str, float]) -> list[Command]:
        """``make`` and ``feed`` on the clock of the samples."""
        return self.feed(at_ns, self.make(at_ns, values), lambda: at_ns)

    def acted_ns(self) -> int | None:
        """When the limit began to act; None: not yet."""
        kinds = (EventKind.TRIP, EventKind.CAUTION)
        name = self.case.limit.name
        return next((e.time_ns for e in self.events if e.kind in kinds and e.data.get("limit") == name), None)

    def other_trips(self) -> tuple[str, ...]:
        """Other limits that have tripped."""
        trips = (str(e.data.get("limit")) for e in self.events if e.kind is EventKind.TRIP)
        return tuple(dict.fromkeys(name for name in trips if name != self.case.limit.name))

    def before(self) -> None:
        """Every sample but the deciding one, on their own clock; the interlock goes to the phase of the case."""
        samples = self.stimulus.samples if self.stimulus.silence_ns else self.stimulus.samples[:-1]
        lead = [sample for sample in samples if sample.at_ns <= 0] or samples[:1]
        is_stopping = self.case.phase is Phase.STOPPING
        for sample in samples:
            at_ns = self.start_ns + sample.at_ns
            self.commands += self.put(at_ns, sample.values)
            if sample is lead[-1] and self.protection.state is State.READY:
                self._enter_phase(at_ns)
            if not is_stopping:  # there the orderly stop is under way that nobody sends: time would escalate it
                self.commands += self.take(self.protection.tick(at_ns))
        if self.stimulus.silence_ns:
            self.commands += self.take(self.protection.tick(self.start_ns + self.stimulus.decides_ns - 1))

    def _enter_phase(self, at_ns: int) -> None:
        triggers = {
            Phase.AT_REST: (),
            Phase.STOPPING: (Trigger.ARM, Trigger.START, Trigger.STOP),
        }.get(self.case.phase, (Trigger.ARM, Trigger.START))
        for trigger in triggers:
            self.take(self.protection.request(trigger, at_ns, WHO))

    @property
    def must_ns(self) -> int:
        """The deciding moment."""
        return self.start_ns + self.stimulus.decides_ns

    def decide(self, time: _Time | None = None) -> list[Command]:
        """The deciding sample, or the instant at which the silence is too long.

        ``time`` is set to that moment when the frame is ready: what the device would have done before does not count.
        Without one nothing takes any time.
        """
        frames = {}
        if not self.stimulus.silence_ns:
            frames = self.make(self.must_ns, self.stimulus.samples[-1].values)
        if time is not None:
            time.set(self.must_ns)

        def now() -> int:
            return self.must_ns if time is None else time.now()

        return self.feed(self.must_ns, frames, now) if frames else self.take(self.protection.tick(now()))


class Prover:
    """Proves the limits of ``stand`` over ``bench``, whose links are open and at rest. ``tell`` gets progress."""

    def __init__(self, stand: Stand, bench: Bench, tell: Callable[[LimitProof], None] = lambda _proof: None) -> None:
        # the permissives of a run are not asked for: what is armed here is a protection of its own, without a device
        self._stand = replace(stand, start_conditions=StartConditions())
        self._bench, self._clock, self._tell = bench, bench.clock, tell
        self._injectors = {
            name: Injector(stand, name, source.columns, bench.frames[name]) for name, source in bench.sources.items()
        }
        base = {key: value for one in self._injectors.values() for key, value in one.base.items()}
        stale_s = min(source.stale_after_s for source in stand.sources.values())
        starting_s = stand.limit_set.starting_time_s
        self._step_ns = min(LONGEST_STEP_NS, as_ns(stale_s) // 4)
        self._starting_ns = 0 if math.isnan(starting_s) else as_ns(starting_s)
        self._scene = Scene(stand.channels, base, self._reach, self._step_ns)

    def prove(self) -> tuple[LimitProof, ...]:
        """Every limit in every case.

        Raises:
            RefusedError: the shaft turns. What was proven until then counts for nothing.
        """
        proofs = []
        for limit in self._stand.limit_set.limits:
            for case in cases_of(limit):
                self._bench.settle()
                proof = self._prove(case)
                self._tell(proof)
                proofs.append(proof)
        self._bench.settle()
        return tuple(proofs)

    def _reach(self, name: str, value: float) -> float:
        return self._injectors[self._stand.channels[name].source].reach(name, value)

    def _prove(self, case: Case) -> LimitProof:
        limit, channel = case.limit, self._stand.channels[case.limit.channel]
        levels = {self._injectors[self._stand.channels[name].source].level for name in (channel.name, *limit.partners)}
        proof = LimitProof(
            limit=limit.name,
            case=case.words,
            severity=limit.severity.value,
            kind=limit.kind.value,
            channel=channel.name,
            is_proven=False,
            level=" and ".join(sorted(levels)),
            unit=channel.unit,
            set_point_unit=set_point_unit(limit, channel.unit),
            action=limit.action,
        )
        follows = limit.follows_phase and case.phase is Phase.RUNNING
        stimulus = plan(case, replace(self._scene, lead_ns=self._starting_ns if follows else 0))
        if isinstance(stimulus, NotProvable):
            return replace(proof, reason=stimulus.reason)
        proof = replace(
            proof,
            injected=None if math.isnan(stimulus.injected) else stimulus.injected,
            set_point=stimulus.set_point,
            samples=len(stimulus.samples),
            driven_s=stimulus.decides_ns * 1e-9,
        )
        aside = self._rehearse(case, stimulus)
        walk = self._walk(case, stimulus, alone=bool(aside))
        walk.before()
        proof = replace(proof, set_aside=aside)
        if walk.acted_ns() is not None:
            return replace(proof, reason="it acted before the first sample at which it must")
        if walk.commands:
            return replace(proof, reason=f"{walk.commands[0].text!r} was commanded before the deciding sample")
        try:
            return self._act(proof, walk)
        except LinkError as error:
            return replace(proof, reason=f"the link was lost: {error}")

    def _rehearse(self, case: Case, stimulus: Stimulus) -> tuple[str, ...]:
        """Other limits of the set that would trip with this one; nothing is sent."""
        walk = self._walk(case, stimulus)
        walk.before()
        walk.decide()
        return walk.other_trips()

    def _walk(self, case: Case, stimulus: Stimulus, *, alone: bool = False) -> _Walk:
        stand = self._stand
        if alone:
            stand = replace(stand, limit_set=replace(stand.limit_set, limits=(case.limit,)))
            stand = replace(stand, alarm_rules=replace(stand.alarm_rules, suppressed_in={}))
        for injector in self._injectors.values():
            injector.restart()
        start_ns = self._clock.now_ns()
        protection = Protection(stand, start_ns)
        return _Walk(stand, case, stimulus, self._injectors, start_ns, protection, [], [])

    def _act(self, proof: LimitProof, walk: _Walk) -> LimitProof:
        """The deciding sample, and what follows from it in real time."""
        limit, protection = walk.case.limit, walk.protection
        time = _Time(self._clock)
        self._bench.poll(0.0)  # what has piled up on the links meanwhile would delay the answer
        self._bench.replies.clear()
        commands = self._send(walk.decide(time), walk, time)
        if walk.acted_ns() is None:
            return replace(proof, reason="it did not act at the first sample at which it must")
        proof = replace(proof, at_first_sample=walk.acted_ns() == walk.must_ns)
        if not proof.at_first_sample:
            return replace(proof, reason="it acted, and not at the first sample at which it must")
        if limit.severity is Severity.CAUTION:
            if commands:
                return replace(proof, reason="a caution has commanded a stop", commands=tuple(commands))
            return replace(proof, is_proven=True)
        held = None if walk.stimulus.silence_ns else walk.stimulus.samples[-1].values
        commands += self._wait(walk, time, held)
        reaction = next((one for one in protection.reactions if one.limit == limit.name), None)

        def since(at_ns: int | None) -> float | None:
            return None if at_ns is None or reaction is None else (at_ns - reaction.sample_ns) * 1e-9

        steps = self._stand.stop_actions[limit.action].steps
        escalated = [e.message for e in walk.events if e.kind is EventKind.STOP_ESCALATED]
        proof = replace(
            proof,
            commands=tuple(dict.fromkeys(commands)),
            decided_s=since(reaction.decided_ns if reaction else None),
            written_s=since(reaction.written_ns if reaction else None),
        )
        if protection.unacknowledged_stops or escalated or reaction is None or reaction.acknowledged_ns is None:
            told = "; ".join(escalated) or f"no answer {steps[0].acknowledged_by!r} from {steps[0].source}"
            return replace(proof, reason=f"{limit.action} was not acknowledged: {told}")
        return replace(
            proof,
            is_proven=True,
            acknowledged_by=tuple(f"{step.source}: {step.acknowledged_by}" for step in steps),
            acknowledged_s=since(reaction.acknowledged_ns),
            is_reset=self._reset(walk, time),
        )

    def _send(self, commands: Sequence[Command], walk: _Walk, time: _Time) -> list[str]:
        for command in commands:
            self._bench.send(command)
            walk.take(walk.protection.written(command, time.now()))
        return [f"{command.source}: {command.text}" for command in commands]

    def _wait(self, walk: _Walk, time: _Time, held: Mapping[str, float] | None) -> list[str]:
        """Answers in, repeats and later steps out, until all is acknowledged or it has taken too long.

        ``held`` goes on being injected meanwhile, so that no source is stale; None: the frames are held back.
        """
        actions = [self._stand.stop_actions[status.action] for status in walk.protection.stops_under_way]
        patience_s = max(
            (sum(step.delay_s + TIMEOUTS * step.timeout_s for step in action.steps) for action in actions), default=0.0
        )
        until_ns, next_ns = time.now() + as_ns(patience_s), time.now() + self._step_ns
        sent: list[str] = []
        while walk.protection.unacknowledged_stops and time.now() < until_ns:
            self._bench.poll(WAIT_S)
            for source, text in self._bench.replies:
                sent += self._send(walk.take(walk.protection.reply(source, text, time.now())), walk, time)
            self._bench.replies.clear()
            if held is not None and time.now() >= next_ns:
                next_ns = time.now() + self._step_ns
                sent += self._send(walk.put(time.now(), held), walk, time)
            sent += self._send(walk.take(walk.protection.tick(time.now())), walk, time)
        return sent

    def _reset(self, walk: _Walk, time: _Time) -> bool:
        """Quiet samples, on their own clock, until the limit lets go, then good frames until nothing stands; RESET."""
        at_ns, name, quiet = time.now(), walk.case.limit.name, walk.stimulus.quiet
        for k in range(MOST_QUIET):
            at_ns += self._step_ns
            commands = walk.put(at_ns, quiet[k % len(quiet)] if name in walk.protection.standing_limits else {})
            commands += walk.take(walk.protection.tick(at_ns))
            if commands:  # of a limit that has tripped beside it meanwhile
                time.set(at_ns)
                self._send(commands, walk, time)
                self._wait(walk, time, {})
                at_ns = time.now()
            if name not in walk.protection.standing_limits and not walk.protection.standing_causes:
                break
        try:
            walk.take(walk.protection.request(Trigger.RESET, at_ns, WHO))
        except RefusedError:
            return False
        return walk.protection.state is not State.TRIPPED
