"""The interlock: six states, one table.

Rules:

1. What is not in the table is refused, and the refusal names the state and what is possible in it.
2. TRIP is possible in every state and leads to TRIPPED.
3. TRIPPED is left by RESET alone, and RESET is refused while a cause stands.
4. RESET leads to STANDBY: from there to RUNNING only by PERMISSIVES_MET, ARM, START.
5. Permissives are conditions for getting started. Losing one takes READY and ARMED back to STANDBY; in RUNNING the
   trip limits decide, not the permissives.
6. An orderly stop ends when the device has acknowledged it: RUNNING, STOPPING, STANDBY.

The picture in ``docs/background/interlock.md`` is drawn from the table by :func:`mermaid`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from types import MappingProxyType

from benchkit.errors import RefusedError
from benchkit.model.interlock import State, Trigger

TABLE: Mapping[tuple[State, Trigger], State] = MappingProxyType(
    {
        (State.STANDBY, Trigger.PERMISSIVES_MET): State.READY,
        (State.READY, Trigger.ARM): State.ARMED,
        (State.READY, Trigger.PERMISSIVES_LOST): State.STANDBY,
        (State.ARMED, Trigger.START): State.RUNNING,
        (State.ARMED, Trigger.DISARM): State.READY,
        (State.ARMED, Trigger.PERMISSIVES_LOST): State.STANDBY,
        (State.RUNNING, Trigger.STOP): State.STOPPING,
        (State.STOPPING, Trigger.STOPPED): State.STANDBY,
        (State.TRIPPED, Trigger.RESET): State.STANDBY,
        **{(state, Trigger.TRIP): State.TRIPPED for state in State},
    }
)

REQUESTS: tuple[Trigger, ...] = (Trigger.ARM, Trigger.DISARM, Trigger.START, Trigger.STOP, Trigger.RESET)
"""What a person may ask for. The other triggers come from limits, permissives and stop actions."""


def step(state: State, trigger: Trigger, standing: Collection[str] = ()) -> State:
    """Return the state after ``trigger``.

    ``standing`` names the causes that stand; with any of them RESET is refused. Raises ``RefusedError`` for
    everything that the table does not hold.
    """
    following = TABLE.get((state, trigger))
    if following is None:
        raise RefusedError(
            f"{trigger.value} is refused in {state.value}", remedy=f"Possible now: {', '.join(possible(state))}"
        )
    if trigger is Trigger.RESET and standing:
        raise RefusedError(
            f"RESET is refused in {state.value}: {', '.join(standing)} still stand{'s' if len(standing) == 1 else ''}",
            remedy="Remove the cause, then reset",
        )
    return following


def possible(state: State) -> tuple[str, ...]:
    """Names of the triggers that the table holds for ``state``, in the order of ``Trigger``."""
    return tuple(trigger.value for trigger in Trigger if (state, trigger) in TABLE)


def mermaid() -> str:
    """The table as a Mermaid state diagram."""
    lines = ["stateDiagram-v2", f"    [*] --> {State.STANDBY.value}"]
    lines += [f"    {start.value} --> {end.value}: {trigger.value}" for (start, trigger), end in TABLE.items()]
    return "\n".join(lines) + "\n"
