"""The table, by enumeration."""

from __future__ import annotations

import itertools

import pytest

from benchkit.errors import RefusedError
from benchkit.model.interlock import State, Trigger
from benchkit.protect.interlock import TABLE, mermaid, possible, step

# The rules as they were given, independent of the table.
WANTED = {
    ("STANDBY", "PERMISSIVES_MET", "READY"),
    ("READY", "ARM", "ARMED"),
    ("ARMED", "START", "RUNNING"),
    ("RUNNING", "STOP", "STOPPING"),
    ("STOPPING", "STOPPED", "STANDBY"),
    ("ARMED", "DISARM", "READY"),
    ("READY", "PERMISSIVES_LOST", "STANDBY"),
    ("ARMED", "PERMISSIVES_LOST", "STANDBY"),
    ("TRIPPED", "RESET", "STANDBY"),
    *((state, "TRIP", "TRIPPED") for state in ("STANDBY", "READY", "ARMED", "RUNNING", "STOPPING", "TRIPPED")),
}


def test_the_table_holds_the_rules_and_nothing_else():
    assert {(s.value, t.value, end.value) for (s, t), end in TABLE.items()} == WANTED


@pytest.mark.parametrize(("state", "trigger"), list(itertools.product(State, Trigger)))
def test_every_pair_leads_on_or_is_refused_with_a_reason(state, trigger):
    if (state, trigger) in TABLE:
        assert step(state, trigger) is TABLE[state, trigger]
    else:
        ways = ", ".join(sorted({t for s, t, _ in WANTED if s == state.value}, key=[*Trigger].index))
        with pytest.raises(
            RefusedError, match=rf"^{trigger.value} is refused in {state.value}\. Possible now: {ways}$"
        ):
            step(state, trigger)


def test_a_trip_is_possible_everywhere():
    assert {step(state, Trigger.TRIP) for state in State} == {State.TRIPPED}


def test_reset_is_refused_while_a_cause_stands():
    with pytest.raises(RefusedError, match=r"RESET is refused in TRIPPED: hot still stands\. Remove the cause"):
        step(State.TRIPPED, Trigger.RESET, ("hot",))
    with pytest.raises(RefusedError, match=r"RESET is refused in TRIPPED: hot, fast still stand\. Remove the cause"):
        step(State.TRIPPED, Trigger.RESET, ("hot", "fast"))
    assert step(State.TRIPPED, Trigger.TRIP, ("hot",)) is State.TRIPPED


def test_every_way_from_tripped_to_running_is_the_whole_way():
    """All ways without a loop through the table; the triggers of the whole way are in each, in this order."""
    ways: list[list[Trigger]] = []

    def walk(state: State, seen: set[State], way: list[Trigger]) -> None:
        if state is State.RUNNING:
            ways.append(way)
            return
        for (start, trigger), end in TABLE.items():
            if start is state and end not in seen:
                walk(end, seen | {end}, [*way, trigger])

    walk(State.TRIPPED, {State.TRIPPED}, [])
    assert ways == [[Trigger.RESET, Trigger.PERMISSIVES_MET, Trigger.ARM, Trigger.START]]


@pytest.mark.parametrize("cut", [Trigger.RESET, Trigger.PERMISSIVES_MET, Trigger.ARM, Trigger.START])
def test_without_one_step_of_the_whole_way_running_cannot_be_reached(cut):
    """Ways with loops included: what is reachable when one trigger never comes."""
    reached = {State.TRIPPED}
    while True:
        more = {end for (s, t), end in TABLE.items() if s in reached and t is not cut} - reached
        if not more:
            break
        reached |= more
    assert State.RUNNING not in reached


def test_every_walk_from_tripped_to_running_has_the_four_in_order():
    """All walks, loops included, by enumeration of (state, how far on the way): a trip puts back to the beginning."""
    way = [Trigger.RESET, Trigger.PERMISSIVES_MET, Trigger.ARM, Trigger.START]
    reached = {(State.TRIPPED, 0)}
    todo = list(reached)
    while todo:
        state, far = todo.pop()
        for (start, trigger), end in TABLE.items():
            if start is state:
                now = far + (far < len(way) and trigger is way[far])
                found = (end, 0 if end is State.TRIPPED else now)
                if found not in reached:
                    reached.add(found)
                    todo.append(found)
    assert {far for state, far in reached if state is State.RUNNING} == {len(way)}


def test_every_state_can_be_left_and_reached():
    assert {s for s, _ in TABLE} == set(State) == {*TABLE.values(), State.STANDBY}
    assert all(len(possible(state)) >= 2 or state is State.STANDBY for state in State)


def test_the_diagram_has_every_entry_once():
    lines = mermaid().splitlines()
    assert lines[:2] == ["stateDiagram-v2", "    [*] --> STANDBY"]
    assert sorted(lines[2:]) == sorted(f"    {s} --> {end}: {t}" for s, t, end in WANTED)
