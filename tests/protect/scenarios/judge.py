"""What protection did against what it had to do."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from pathlib import Path
from random import Random

from benchkit.model.events import EventKind
from benchkit.model.interlock import State
from benchkit.model.stand import Stand
from benchkit.profiles import load_stand
from benchkit.protect.outcomes import Command, Happened
from benchkit.simulate.plant import Mode
from tests.protect.scenarios.bench import Bench, Told
from tests.protect.scenarios.cases import Case, case_of, play
from tests.protect.scenarios.plain import Must, trips_that_must

Make = Callable[[Stand, int, Random], Case]


@cache
def stand() -> Stand:
    """The stand of all scenarios."""
    return load_stand(Path(__file__).with_name("stand.toml")).stand


@dataclass(frozen=True, slots=True)
class Verdict:
    """One scenario. The texts say what was wrong; all empty: nothing."""

    kind: str
    seed: int
    rows: int
    tripped: bool
    missed: tuple[str, ...] = ()
    wrong_first_out: tuple[str, ...] = ()
    false: tuple[str, ...] = ()
    not_a_fault: tuple[str, ...] = ()
    """The scenario is not what it says: nothing had to trip, or not this."""
    late_rows: int = 0
    """Rows handed in before the call that acted, from the one that completed the condition on."""
    late_ms: float = 0.0
    """From the instant that had to trip to the decision: what time completes is seen with the next look.

    The host looks at the time at multiples of 5 ms, and a stall takes up to 12 ms away from it. The latest decision
    with one stall: the condition is complete 1 ns after the look at 0 ms, the stall begins with the turn of the look at
    5 ms and ends at 17 ms, the next look is at 20 ms. (Cable out, seed 67: complete at 198 976 ms and 1 ns, stalled
    from 198 980 to 198 991 ms, seen at 198 995 ms: 19 ms.) A second stall that begins at 19 or 20 ms puts it off to
    35 ms, and so on: what is late is therefore told by the looks, not by this number.
    """
    looks_passed: int = 0
    """Looks at the time at or after that instant, and before the decision."""
    cautions: int = 0

    @property
    def late(self) -> tuple[str, ...]:
        """Decided later than with the row that completed the condition, or than with the first look at the time."""
        if self.late_rows or self.looks_passed:
            return (f"decided {self.late_rows} rows, {self.looks_passed} looks and {self.late_ms:.1f} ms late",)
        return ()

    @property
    def wrong(self) -> tuple[str, ...]:
        """All that was wrong."""
        return (*self.missed, *self.wrong_first_out, *self.false, *self.not_a_fault, *self.late)


def judge(make: Make, seed: int) -> Verdict:
    """Play one scenario and judge it."""
    case = case_of(make, stand(), seed)
    return verdict(case, play(case, stand()))


def verdict(case: Case, bench: Bench) -> Verdict:
    """Hold what came out against the plain walk through what went in."""
    record = bench.record
    must = trips_that_must(bench.stand, record)
    told: dict[str, Told] = {}
    for one in record.happened(EventKind.TRIP):
        assert isinstance(one.outcome, Happened)
        told.setdefault(str(one.outcome.data["limit"]), one)
    missed = [f"{name} at {m.time_ns - record.start_ns} ns" for name, m in must.items() if name not in told]
    false = [one.outcome.message for name, one in told.items() if name not in must]
    late_rows, late_ns, looks_passed = 0, 0, 0
    for name in must.keys() & told.keys():
        m, one = must[name], told[name]
        assert isinstance(one.outcome, Happened)
        if one.outcome.time_ns < m.time_ns:
            false.append(f"{name}: {m.time_ns - one.outcome.time_ns} ns early")
        elif one.outcome.time_ns > m.time_ns:
            missed.append(f"{name}: {one.outcome.time_ns - m.time_ns} ns late")
        late_rows = max(late_rows, one.rows_before - m.rows + m.is_at_row)
        late_ns = max(late_ns, one.now_ns - m.time_ns)
        looks_passed = max(looks_passed, sum(m.time_ns <= look < one.now_ns for look in record.looks_ns))
    if must:
        missed += _stop_faults(case, bench, told)
    return Verdict(
        case.kind,
        case.seed,
        len(record.arrival_ns),
        bool(must),
        tuple(missed),
        tuple(_first_out_faults(bench, must)),
        tuple(false),
        tuple(_scenario_faults(case, bench, must)),
        late_rows,
        late_ns / 1e6,
        looks_passed,
        len(record.happened(EventKind.CAUTION)),
    )


def _firsts(must: dict[str, Must]) -> list[Must]:
    """Those with the earliest instant."""
    at = min(m.time_ns for m in must.values())
    return [m for m in must.values() if m.time_ns == at]


def _first_out_faults(bench: Bench, must: dict[str, Must]) -> Iterable[str]:
    """The first causes are named; nothing of a later row is; the order is called resolved only where it is."""
    found = bench.protection.first_out
    if found is None or not must:
        if (found is None) != (not must):
            yield f"first-out is {found}, expected {sorted(must) or 'none'}"
        return
    firsts = _firsts(must)
    names = {m.limit.name for m in firsts}
    if found.first.name not in names or not names <= set(found.limits):
        yield f"first-out is {found}, first were {sorted(names)}"
    for name in set(found.limits) - names:
        if name not in must or must[name].rows > firsts[0].rows:
            yield f"first-out names {name}, which came later"
    is_one_silence = all(must[n].is_silence and must[n].limit.kind != "stale" for n in found.limits if n in must)
    is_one_loss = any(t == found.sample_ns for t, _ in bench.record.lost)
    if found.order_resolved is not (len(found.limits) == 1 or is_one_silence or is_one_loss):
        yield f"order of {found.limits} resolved: {found.order_resolved}"


def _scenario_faults(case: Case, bench: Bench, must: dict[str, Must]) -> Iterable[str]:
    states = {t.outcome.data["to"] for t in bench.record.happened(EventKind.STATE) if isinstance(t.outcome, Happened)}
    if State.RUNNING.value not in states:
        yield "it was never RUNNING"
    if case.must_trip is not None and bool(must) is not case.must_trip:
        yield f"had to trip: {case.must_trip}, the numbers say {sorted(must)}"
    if must and (odd := {m.limit.name for m in _firsts(must)} - case.first):
        yield f"first by the numbers is {sorted(odd)}, expected one of {sorted(case.first)}"


def _stop_faults(case: Case, bench: Bench, told: dict[str, Told]) -> Iterable[str]:
    """The stop goes out in the call that trips, with the category it asks for, and the drive is stopped in the end."""
    if not told:
        return
    record, actions = bench.record, bench.stand.stop_actions
    first = min(told.values(), key=lambda one: one.call)
    limits = {x.name: x for x in bench.stand.limit_set.limits}
    wanted = [actions[limits[name].action] for name, one in told.items() if one.call == first.call]
    category = min(action.steps[0].stop_category for action in wanted)
    sent = [t.outcome for t in record.told if t.call == first.call and isinstance(t.outcome, Command)]
    is_out = any(t <= first.now_ns for t, _ in record.lost)
    if not is_out and category not in {actions[c.action].steps[0].stop_category for c in sent}:
        yield f"{[a.name for a in wanted]} not commanded with the trip, but {[c.text for c in sent]}"
    if bench.device.plant.demand.mode is Mode.SPEED:
        yield "the drive was not stopped"
    if bench.protection.unacknowledged_stops:
        yield f"not acknowledged at the end: {bench.protection.unacknowledged_stops}"
    if case.is_deaf:
        yield from _escalation_faults(bench, category)


def _escalation_faults(bench: Bench, category: int) -> Iterable[str]:
    """Sent as often as the profile says, then escalated; the last of the chain is repeated until it is answered."""
    by_action: dict[str, list[int]] = {}
    for command in bench.record.commands:
        by_action.setdefault(command.action, []).append(command.attempt)
    if "gates_off" not in by_action:
        yield f"never escalated: {by_action}"
    if (
        category > 0
        and not bench.record.happened(EventKind.STOP_PASSED_OVER)
        and not bench.record.happened(EventKind.STOP_ESCALATED)
    ):
        yield "an escalation that no event tells of"
    is_passed_over = bool(bench.record.happened(EventKind.STOP_PASSED_OVER))  # by a trip that asks for more
    for name, attempts in by_action.items():
        allowed = bench.stand.stop_actions[name].steps[0].attempts
        is_last = not bench.stand.stop_actions[name].escalate_to
        if sorted(set(attempts)) != list(range(1, max(attempts) + 1)):
            yield f"{name}: attempts {attempts}"
        if is_last and max(attempts) < 5:
            yield f"{name}: repeated {max(attempts)} times only"
        if not is_last and not is_passed_over and category == bench.stand.stop_actions[name].steps[0].stop_category:
            joined = sum(a == b for a, b in pairwise(attempts))
            if max(attempts) != allowed and not joined:
                yield f"{name}: sent {max(attempts)} times of {allowed}"


@dataclass(slots=True)
class Tally:
    """All scenarios of one kind."""

    kind: str
    verdicts: list[Verdict] = field(default_factory=list)

    @property
    def tripped(self) -> int:
        return sum(v.tripped for v in self.verdicts)

    @property
    def late_rows(self) -> int:
        return max(v.late_rows for v in self.verdicts)

    @property
    def late_ms(self) -> float:
        return max(v.late_ms for v in self.verdicts)

    @property
    def cautions(self) -> int:
        return sum(v.cautions for v in self.verdicts)

    @property
    def missed(self) -> int:
        """Scenarios with a trip that did not come, or came late, or whose stop did not arrive."""
        return sum(bool(v.missed or v.late) for v in self.verdicts)

    @property
    def wrong_first_out(self) -> int:
        return sum(bool(v.wrong_first_out) for v in self.verdicts)

    @property
    def false(self) -> int:
        return sum(bool(v.false) for v in self.verdicts)

    @property
    def unlike(self) -> int:
        """Scenarios that were not what they say."""
        return sum(bool(v.not_a_fault) for v in self.verdicts)

    @property
    def faults(self) -> list[str]:
        """What was wrong, one line for each scenario."""
        return [f"{v.kind}, seed {v.seed}: {'; '.join(v.wrong)}" for v in self.verdicts if v.wrong]


def tally(make: Make, count: int, jobs: int = 1) -> Tally:
    """The scenarios of the seeds from 0 on."""
    if jobs == 1:
        verdicts = [judge(make, seed) for seed in range(count)]
    else:
        with ProcessPoolExecutor(jobs) as pool:
            verdicts = list(pool.map(judge, [make] * count, range(count), chunksize=5))
    return Tally(verdicts[0].kind, verdicts)
