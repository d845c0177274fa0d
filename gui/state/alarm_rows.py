"""Alarms as rows: what each is, and what a person may do with it now."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from benchkit.model.alarms import Life
from benchkit.model.limits import Severity
from benchkit.model.stand import Stand
from benchkit.session.messages import Status
from benchkit.session.protection_status import AlarmStatus
from gui.state.theme import Tone
from gui.state.wording import clock, span

LIFE_WORDS: Mapping[Life, str] = {
    Life.NORMAL: "normal",
    Life.UNACKNOWLEDGED: "acts, not acknowledged",
    Life.ACKNOWLEDGED: "acts, acknowledged",
    Life.RETURNED: "over, not acknowledged",
    Life.LATCHED_UNACKNOWLEDGED: "latched, not acknowledged",
    Life.LATCHED_ACKNOWLEDGED: "latched, acknowledged",
    Life.SHELVED: "shelved",
    Life.SUPPRESSED: "suppressed by design",
    Life.OUT_OF_SERVICE: "out of service",
}
CALLS = frozenset({Life.UNACKNOWLEDGED, Life.RETURNED, Life.LATCHED_UNACKNOWLEDGED})
_ASIDE = frozenset({Life.SHELVED, Life.SUPPRESSED, Life.OUT_OF_SERVICE})


@dataclass(frozen=True, slots=True)
class AlarmRow:
    """One alarm. ``may`` holds the requests that make sense for it now."""

    name: str
    severity: str
    state: str
    since: str
    note: str
    tone: Tone
    may: frozenset[str]


def alarm_rows(stand: Stand, status: Status | None) -> tuple[AlarmRow, ...]:
    """What calls for attention first, then what is set aside, then cautions that are normal and could be set aside."""
    if status is None:
        return ()
    told = {x.name: x for x in status.protection.alarms}
    rows = [_row(x, status.time_s, stand) for x in told.values()]
    quiet = [x for x in stand.limit_set.limits if x.severity is Severity.CAUTION and x.name not in told]
    rows += [_row(AlarmStatus(x.name, x.severity, Life.NORMAL, False, 0.0), status.time_s, stand) for x in quiet]
    order = {x.name: _rank(told.get(x.name)) for x in rows}
    return tuple(sorted(rows, key=lambda x: order[x.name]))


def _rank(alarm: AlarmStatus | None) -> tuple[int, int, float]:
    if alarm is None:
        return (3, 0, 0.0)
    group = 0 if alarm.life in CALLS else 2 if alarm.life in _ASIDE else 1
    return (group, alarm.severity is not Severity.TRIP, alarm.since_s)


def _row(alarm: AlarmStatus, now_s: float, stand: Stand) -> AlarmRow:
    may = set()
    if alarm.life in CALLS:
        may.add("acknowledge")
    if alarm.severity is Severity.CAUTION:
        if alarm.life not in _ASIDE and stand.alarm_rules.longest_shelving_s > 0.0:
            may.add("shelve")
        if alarm.life is Life.SHELVED:
            may.add("unshelve")
        may.add("in_service" if alarm.life is Life.OUT_OF_SERVICE else "out_of_service")
    note = alarm.reason
    if alarm.who:
        note = f"{alarm.who}: {note}" if note else alarm.who
    if alarm.until_s is not None:
        note = f"{note}, {span(max(alarm.until_s - now_s, 0.0))} left"
    tone = Tone.PLAIN
    if alarm.life in CALLS:
        tone = Tone.DANGER if alarm.severity is Severity.TRIP else Tone.CAUTION
    since = "" if alarm.life is Life.NORMAL else clock(alarm.since_s)
    return AlarmRow(alarm.name, alarm.severity.value, LIFE_WORDS[alarm.life], since, note, tone, frozenset(may))


def longest_minutes(stand: Stand) -> float:
    """Longest shelving that the profile allows [min]; 0: none."""
    return stand.alarm_rules.longest_shelving_s / 60.0


def shelving_fault(reason: str, minutes: float, longest: float) -> str:
    """What is missing before a caution can be shelved; empty where nothing is."""
    if longest <= 0.0:
        return "The profile allows no shelving."
    if not reason.strip():
        return "A reason is missing."
    if not 0.0 < minutes <= longest:
        return f"For how long? At most {longest:g} min."
    return ""
