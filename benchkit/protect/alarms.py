"""The life of alarms: nine states, one table. Words as in IEC 62682 and ISA-18.2.

Rules:

1. Every limit that acts is an alarm, and so is a trip from outside. What is not in the table is refused, or leaves the
   alarm where it is: an alarm that is shelved, suppressed or out of service does not call for attention.
2. An alarm that acts calls for attention (unacknowledged) until a person acknowledges it. Acknowledging says "seen": it
   stops nothing, clears nothing and releases nothing.
3. When the limit lets go, an acknowledged alarm is normal again; one that nobody has seen stays as returned until it
   is acknowledged. A latching one stays latched until it is released: a trip by RESET, a caution by a person.
4. RESET asks for no acknowledgement. What it releases unseen stays as returned.
5. Only cautions can be shelved, suppressed by design or taken out of service. A trip never can: nothing here comes
   between a trip limit and its stop action.
6. Shelving has a reason, a name and a time, which is not longer than the profile allows; it ends by itself. Out of
   service has a reason and a name and ends when a person puts the alarm back.
7. Suppression by design follows the state of the interlock, as the profile says.
8. The limit is followed all the while. When shelving, suppression or service ends and the limit acts, or is latched,
   the alarm calls for attention anew. An alarm to be suppressed then is suppressed instead.

The pictures in ``docs/background/interlock.md`` are drawn from the table.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from benchkit.errors import RefusedError, did_you_mean
from benchkit.model.alarms import AlarmRules, AlarmTrigger, Life
from benchkit.model.events import EventKind, JsonValue
from benchkit.model.interlock import State
from benchkit.model.limits import Limit, Severity
from benchkit.protect.flood import BEGINS_AT, ENDS_BELOW, Flood
from benchkit.protect.outcomes import Happened
from benchkit.protect.wording import seconds

_ASIDE = (Life.SHELVED, Life.SUPPRESSED, Life.OUT_OF_SERVICE)
_CALLING = tuple(life for life in Life if life not in _ASIDE)

TABLE: Mapping[tuple[Life, AlarmTrigger], Life] = MappingProxyType(
    {
        (Life.NORMAL, AlarmTrigger.ACTS): Life.UNACKNOWLEDGED,
        (Life.UNACKNOWLEDGED, AlarmTrigger.ACKNOWLEDGE): Life.ACKNOWLEDGED,
        (Life.UNACKNOWLEDGED, AlarmTrigger.LETS_GO): Life.RETURNED,
        (Life.UNACKNOWLEDGED, AlarmTrigger.LETS_GO_LATCHED): Life.LATCHED_UNACKNOWLEDGED,
        (Life.ACKNOWLEDGED, AlarmTrigger.LETS_GO): Life.NORMAL,
        (Life.ACKNOWLEDGED, AlarmTrigger.LETS_GO_LATCHED): Life.LATCHED_ACKNOWLEDGED,
        (Life.RETURNED, AlarmTrigger.ACTS): Life.UNACKNOWLEDGED,
        (Life.RETURNED, AlarmTrigger.ACKNOWLEDGE): Life.NORMAL,
        (Life.LATCHED_UNACKNOWLEDGED, AlarmTrigger.ACTS): Life.UNACKNOWLEDGED,
        (Life.LATCHED_UNACKNOWLEDGED, AlarmTrigger.ACKNOWLEDGE): Life.LATCHED_ACKNOWLEDGED,
        (Life.LATCHED_UNACKNOWLEDGED, AlarmTrigger.RELEASE): Life.RETURNED,
        (Life.LATCHED_ACKNOWLEDGED, AlarmTrigger.ACTS): Life.UNACKNOWLEDGED,
        (Life.LATCHED_ACKNOWLEDGED, AlarmTrigger.RELEASE): Life.NORMAL,
        **{(life, AlarmTrigger.SHELVE): Life.SHELVED for life in _CALLING},
        **{(life, AlarmTrigger.SUPPRESS): Life.SUPPRESSED for life in _CALLING},
        **{(life, AlarmTrigger.TAKE_OUT): Life.OUT_OF_SERVICE for life in Life if life is not Life.OUT_OF_SERVICE},
        (Life.SHELVED, AlarmTrigger.UNSHELVE): Life.NORMAL,
        (Life.SUPPRESSED, AlarmTrigger.UNSUPPRESS): Life.NORMAL,
        (Life.OUT_OF_SERVICE, AlarmTrigger.PUT_BACK): Life.NORMAL,
    }
)


@dataclass(frozen=True, slots=True)
class Flags:
    """An alarm as four flags, in the words of OPC UA Part 9: Confirmed is what we call released."""

    active: bool
    acked: bool
    confirmed: bool
    retain: bool


def flags_of(life: Life, acts: bool, is_latching: bool) -> Flags:
    """The flags that belong to a life. A latching alarm that was acknowledged waits to be confirmed, that is released.

    An alarm that does not call for attention is kept in view (retain) as long as its limit acts.
    """
    if life in _ASIDE:
        return Flags(acts, True, True, acts)
    acked = life in (Life.NORMAL, Life.ACKNOWLEDGED, Life.LATCHED_ACKNOWLEDGED)
    waits = is_latching and life in (Life.ACKNOWLEDGED, Life.LATCHED_ACKNOWLEDGED)
    return Flags(acts, acked, not waits, life is not Life.NORMAL)


@dataclass(slots=True)
class Alarm:
    """One alarm. ``who``, ``reason`` and ``until_ns`` are of its shelving, service or acknowledgement."""

    name: str
    severity: Severity
    is_latching: bool
    channel: str = ""
    life: Life = Life.NORMAL
    acts: bool = False
    is_held: bool = False
    """Latched: has acted and was not released."""
    since_ns: int = 0
    """Host time at which it came into this life."""
    who: str = ""
    reason: str = ""
    until_ns: int | None = None

    @property
    def flags(self) -> Flags:
        """Active, acked, confirmed, retain."""
        return flags_of(self.life, self.acts, self.is_latching)

    @property
    def is_aside(self) -> bool:
        """Shelved, suppressed or out of service: it does not call for attention."""
        return self.life in _ASIDE

    @property
    def calls(self) -> bool:
        """True when nobody has acknowledged it."""
        return not self.flags.acked


class AlarmBook:
    """All alarms of a stand, and the count of a flood. ``limits`` become alarms; a trip from outside joins them.

    ``facts(name)`` says what an event about that alarm carries with it: value, set point, unit.
    """

    def __init__(
        self,
        limits: Iterable[Limit],
        rules: AlarmRules,
        state: State,
        facts: Callable[[str], Mapping[str, JsonValue]] = lambda _name: {},
    ) -> None:
        self._rules = rules
        self._facts = facts
        self._state = state
        self._alarms = {x.name: Alarm(x.name, x.severity, x.latching, x.channel) for x in limits}
        self._flood = Flood()
        self._next_ns: float = math.inf
        for alarm in self._alarms.values():
            if self._is_suppressed(alarm):
                alarm.life = Life.SUPPRESSED

    def __getitem__(self, name: str) -> Alarm:
        return self._alarms[name]

    @property
    def all(self) -> tuple[Alarm, ...]:
        """All alarms, in the order of the limit set."""
        return tuple(self._alarms.values())

    @property
    def is_flood(self) -> bool:
        """True while a flood lasts."""
        return self._flood.is_on

    def rate(self, now_ns: int) -> int:
        """Alarms that have called for attention in the last 10 minutes."""
        return self._flood.rate(now_ns)

    # ------------------------------------------------------------------ what the limits do

    def acts(self, name: str, time_ns: int) -> list[Happened]:
        """The limit acts; events of a flood that begins with it."""
        alarm = self._alarms[name]
        alarm.acts = True
        alarm.is_held |= alarm.is_latching
        if not self._step(alarm, AlarmTrigger.ACTS, time_ns):
            return []
        return list(self._count(time_ns))

    def acts_outside(self, name: str, time_ns: int, *, stands: bool) -> list[Happened]:
        """A trip from outside: latched until RESET, and at once without its cause where that does not stand."""
        self._alarms.setdefault(name, Alarm(name, Severity.TRIP, is_latching=True))
        told = self.acts(name, time_ns)
        if not stands:
            self.lets_go(name, time_ns)
        return told

    def lets_go(self, name: str, time_ns: int) -> None:
        """The limit lets go."""
        alarm = self._alarms[name]
        alarm.acts = False
        self._step(alarm, AlarmTrigger.LETS_GO_LATCHED if alarm.is_held else AlarmTrigger.LETS_GO, time_ns)

    def release(self, time_ns: int, only: Severity | None = None) -> None:
        """The latches of alarms (``only``: of that severity) whose limit no longer acts are released."""
        for alarm in self._alarms.values():
            if alarm.is_held and not alarm.acts and only in (None, alarm.severity):
                alarm.is_held = False
                self._step(alarm, AlarmTrigger.RELEASE, time_ns)

    def follow_state(self, state: State, now_ns: int) -> list[Happened]:
        """Suppression by design: the interlock has come to ``state``."""
        self._state = state
        told: list[Happened] = []
        for name in self._rules.suppressed_in:
            alarm = self._alarms[name]
            if self._is_suppressed(alarm):
                if self._step(alarm, AlarmTrigger.SUPPRESS, now_ns):
                    told.append(
                        self._told(alarm, EventKind.SUPPRESSED, f"suppressed by design in {state.value}", now_ns)
                    )
            elif alarm.life is Life.SUPPRESSED:
                text = f"no longer suppressed, in {state.value}"
                told += self._call_again(alarm, AlarmTrigger.UNSUPPRESS, EventKind.UNSUPPRESSED, text, now_ns)
        return told

    def tick(self, now_ns: int) -> list[Happened]:
        """Shelvings and floods that end by themselves."""
        if now_ns < self._next_ns:
            return []
        told: list[Happened] = []
        for alarm in self._alarms.values():
            if alarm.life is Life.SHELVED and alarm.until_ns is not None and now_ns >= alarm.until_ns:
                text = f"shelving by {alarm.who} has ended"
                told += self._call_again(alarm, AlarmTrigger.UNSHELVE, EventKind.UNSHELVED, text, now_ns)
        if self._flood.end(now_ns):
            text = f"alarm flood over: fewer than {ENDS_BELOW} alarms in 10 minutes"
            told.append(Happened(now_ns, EventKind.FLOOD_OVER, text, data={"alarms": self.rate(now_ns)}))
        self._plan()
        return told

    # ------------------------------------------------------------------ what people ask for

    def acknowledge(self, names: Iterable[str], who: str, now_ns: int) -> list[Happened]:
        """Acknowledge these alarms, or with no name all that call for attention. All of them, or none."""
        _named(who, "acknowledge")
        asked = [self._known(name) for name in dict.fromkeys(names)]
        alarms = asked or [alarm for alarm in self._alarms.values() if alarm.calls]
        if not alarms:
            raise RefusedError("ACKNOWLEDGE is refused: no alarm is unacknowledged", remedy="There is nothing to do")
        for alarm in alarms:
            self._check(alarm, AlarmTrigger.ACKNOWLEDGE)
        told: list[Happened] = []
        for alarm in alarms:
            before = alarm.life
            self._step(alarm, AlarmTrigger.ACKNOWLEDGE, now_ns)
            alarm.who = who
            data: dict[str, JsonValue] = {"who": who, "before": before.value}
            told.append(self._told(alarm, EventKind.ACKNOWLEDGED, f"acknowledged by {who}", now_ns, data))
        return told

    def shelve(self, name: str, who: str, reason: str, duration_s: float, now_ns: int) -> list[Happened]:
        """Shelve a caution for a time."""
        alarm = self._caution(name, AlarmTrigger.SHELVE, who, reason)
        longest_s = self._rules.longest_shelving_s
        if not longest_s > 0.0:
            raise RefusedError(
                "SHELVE is refused: the profile of this stand allows no shelving",
                remedy="alarms.longest_shelving in the profile allows it for the next run",
            )
        if not 0.0 < duration_s <= longest_s:
            raise RefusedError(
                "SHELVE is refused: not a time that the profile allows",
                got=f"{duration_s:g} s",
                expected=f"more than 0 s, at most {seconds(longest_s)}",
            )
        self._step(alarm, AlarmTrigger.SHELVE, now_ns)
        alarm.who, alarm.reason, alarm.until_ns = who, reason, now_ns + round(duration_s * 1e9)
        self._plan()
        text = f"shelved for {seconds(duration_s)} by {who}: {reason}"
        data: dict[str, JsonValue] = {"who": who, "reason": reason, "duration_s": duration_s}
        return [self._told(alarm, EventKind.SHELVED, text, now_ns, data)]

    def unshelve(self, name: str, who: str, now_ns: int) -> list[Happened]:
        """End the shelving of a caution before its time."""
        _named(who, "unshelve")
        alarm = self._known(name)
        self._check(alarm, AlarmTrigger.UNSHELVE)
        return self._call_again(
            alarm, AlarmTrigger.UNSHELVE, EventKind.UNSHELVED, f"unshelved by {who}", now_ns, {"who": who}
        )

    def take_out(self, name: str, who: str, reason: str, now_ns: int) -> list[Happened]:
        """Take a caution out of service."""
        alarm = self._caution(name, AlarmTrigger.TAKE_OUT, who, reason)
        self._step(alarm, AlarmTrigger.TAKE_OUT, now_ns)
        alarm.who, alarm.reason = who, reason
        text = f"taken out of service by {who}: {reason}"
        return [self._told(alarm, EventKind.OUT_OF_SERVICE, text, now_ns, {"who": who, "reason": reason})]

    def put_back(self, name: str, who: str, now_ns: int) -> list[Happened]:
        """Put a caution back into service."""
        _named(who, "in_service")
        alarm = self._known(name)
        self._check(alarm, AlarmTrigger.PUT_BACK)
        text = f"back in service by {who}"
        return self._call_again(alarm, AlarmTrigger.PUT_BACK, EventKind.IN_SERVICE, text, now_ns, {"who": who})

    # ------------------------------------------------------------------ the table

    def _step(self, alarm: Alarm, trigger: AlarmTrigger, now_ns: int) -> bool:
        """Move the alarm if the table says so; what was said of its last life is forgotten."""
        following = TABLE.get((alarm.life, trigger))
        if following is None:
            return False
        alarm.life, alarm.since_ns = following, now_ns
        alarm.who, alarm.reason, alarm.until_ns = "", "", None
        return True

    def _call_again(
        self,
        alarm: Alarm,
        trigger: AlarmTrigger,
        kind: EventKind,
        text: str,
        now_ns: int,
        data: Mapping[str, JsonValue] | None = None,
    ) -> list[Happened]:
        """Rule 8: back from beside, into the life that the limit has now."""
        self._step(alarm, trigger, now_ns)
        flood: list[Happened] = []
        if self._is_suppressed(alarm):
            self._step(alarm, AlarmTrigger.SUPPRESS, now_ns)
        elif alarm.acts:
            self._step(alarm, AlarmTrigger.ACTS, now_ns)
            flood = list(self._count(now_ns))
        elif alarm.is_held:
            self._step(alarm, AlarmTrigger.ACTS, now_ns)
            self._step(alarm, AlarmTrigger.LETS_GO_LATCHED, now_ns)
        return [self._told(alarm, kind, text, now_ns, data), *flood]

    def _count(self, time_ns: int) -> Iterator[Happened]:
        if self._flood.add(time_ns):
            text = f"alarm flood: {BEGINS_AT} alarms in 10 minutes"
            yield Happened(time_ns, EventKind.FLOOD, text, data={"alarms": BEGINS_AT})
        if self._flood.is_on:
            self._plan()

    def _plan(self) -> None:
        """When ``tick`` has to look again."""
        times = [a.until_ns for a in self._alarms.values() if a.until_ns is not None]
        flood_ns = self._flood.ends_ns()
        self._next_ns = min([*times, *([] if flood_ns is None else [flood_ns])], default=math.inf)

    def _told(
        self, alarm: Alarm, kind: EventKind, text: str, now_ns: int, data: Mapping[str, JsonValue] | None = None
    ) -> Happened:
        body: dict[str, JsonValue] = {"limit": alarm.name, "severity": alarm.severity.value, "life": alarm.life.value}
        body |= {**self._facts(alarm.name), **(data or {})}
        return Happened(now_ns, kind, f"{alarm.name}: {text}", channel=alarm.channel, data=body)

    def _is_suppressed(self, alarm: Alarm) -> bool:
        return self._state in self._rules.suppressed_in.get(alarm.name, ())

    def _known(self, name: str) -> Alarm:
        alarm = self._alarms.get(name)
        if alarm is None:
            hint = did_you_mean(name, self._alarms) or f"Known: {', '.join(self._alarms)}"
            raise RefusedError("no alarm of that name", got=name, remedy=hint)
        return alarm

    def _caution(self, name: str, trigger: AlarmTrigger, who: str, reason: str) -> Alarm:
        alarm = self._known(name)
        if alarm.severity is Severity.TRIP:
            raise RefusedError(
                f"{trigger.value} is refused: {name} is a trip, and a trip always acts",
                remedy="A trip limit is changed in the profile, with a new revision of the limit set",
            )
        _named(who, trigger.value.lower())
        if not reason:
            raise RefusedError(f"{trigger.value} is refused: no reason given", remedy="Say in a few words why")
        self._check(alarm, trigger)
        return alarm

    def _check(self, alarm: Alarm, trigger: AlarmTrigger) -> None:
        if (alarm.life, trigger) not in TABLE:
            raise RefusedError(f"{trigger.value} is refused: {alarm.name} is {in_words(alarm.life)}")


def _named(who: str, what: str) -> None:
    if not who:
        raise RefusedError(f"{what}: nobody is named", remedy="Say who asks for it")


def in_words(life: Life) -> str:
    """The life as it is written for people."""
    return life.value.replace("_", " ")


def mermaid() -> str:
    """The table as a Mermaid state diagram: the lives that call for attention; how one steps aside is in the list."""
    lines = ["stateDiagram-v2", f"    [*] --> {Life.NORMAL.value}"]
    lines += [
        f"    {start.value} --> {end.value}: {trigger.value}"
        for (start, trigger), end in TABLE.items()
        if start not in _ASIDE and end not in _ASIDE
    ]
    return "\n".join(lines) + "\n"
