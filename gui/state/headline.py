"""The state line: what the stand does, whether this is live, what is recorded, how old the data are."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import PurePath

from benchkit.model.alarms import Life
from benchkit.model.interlock import State
from benchkit.model.run import RunHeader
from benchkit.model.stand import Stand
from benchkit.protect.outcomes import StopStatus
from benchkit.session.messages import SourceStatus, Status
from benchkit.session.protection_status import ProtectionStatus
from gui.state.theme import Tone
from gui.state.wording import age, clock, clock_tenths, size, span

SILENT_AFTER_S = 0.6
"""The recorder speaks ten times a second or more; after this long without a message it counts as silent. With the
interval at which words are drawn, the dashboard says so within one second."""
_DISK_LOW_S = 1800.0


LATE_AFTER_S = 0.75
"""What is shown is older than this by the recorder's own clock: it is said."""


class Link(StrEnum):
    """Where the picture comes from, in words."""

    LIVE = "LIVE"
    RECORDED = "RECORDED"
    STALE = "STALE"
    LATE = "LATE"
    NO_RECORDER = "NO RECORDER"


LINK_TONES: Mapping[Link, Tone] = {
    Link.LIVE: Tone.PLAIN,
    Link.RECORDED: Tone.PLAIN,
    Link.STALE: Tone.CAUTION,
    Link.LATE: Tone.CAUTION,
    Link.NO_RECORDER: Tone.CAUTION,
}
_UNSEEN = (Life.UNACKNOWLEDGED, Life.RETURNED, Life.LATCHED_UNACKNOWLEDGED)
_BY_HAND = (Life.SHELVED, Life.OUT_OF_SERVICE)
_NAMES_SHOWN = 3
_STATE_TONES: Mapping[State, Tone] = {
    State.STANDBY: Tone.PLAIN,
    State.READY: Tone.PLAIN,
    State.ARMED: Tone.STRONG,
    State.RUNNING: Tone.STRONG,
    State.STOPPING: Tone.STRONG,
    State.TRIPPED: Tone.DANGER,
}


@dataclass(frozen=True, slots=True)
class Item:
    """One field of the state line."""

    label: str
    text: str
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True, slots=True)
class Headline:
    """The whole state line. ``state_note`` and ``link_note`` stand in small under the big words."""

    state: str
    state_note: str
    state_tone: Tone
    link: Link
    link_note: str
    items: tuple[Item, ...]


def link_word(silence_s: float, sources: Mapping[str, SourceStatus]) -> Link:
    """LIVE, STALE or NO RECORDER from the time since the last message and the state of the sources."""
    if not silence_s < SILENT_AFTER_S:
        return Link.NO_RECORDER
    return Link.STALE if any(s.lost or s.stale for s in sources.values()) else Link.LIVE


def live_headline(
    status: Status | None,
    stand: Stand,
    header: RunHeader,
    *,
    silence_s: float,
    run_time_s: float,
    late_s: float = 0.0,
    malformed: int = 0,
) -> Headline:
    """State line of an attached dashboard, ``silence_s`` after the recorder's last message."""
    if status is None:
        return Headline("–", "waiting for the first message", Tone.STALE, Link.NO_RECORDER, "", ())
    link = link_word(silence_s, status.sources)
    silent = link is Link.NO_RECORDER
    shown = Tone.STALE if silent else Tone.PLAIN
    items = [
        _recording(status, silent=silent),
        _disk(status, shown),
        *(_source(name, x, silence_s, silent=silent) for name, x in status.sources.items()),
        *_alarms(status.protection, shown),
        Item("Limits", f"{status.limit_set}, rev. {status.revision}", shown),
        _limit_hash(status, shown),
        Item("Run time", clock(run_time_s) + _pace(header), shown),
    ]
    if stand.simulated or header.simulated:
        items.append(Item("Data", "SIMULATED"))
    items += _not_used(status, malformed)
    if not silent and late_s >= LATE_AFTER_S:
        note = f"as it was {age(late_s)} ago"
        return Headline(status.state.value, note, Tone.STALE, Link.LATE, f"shown {age(late_s)} late", tuple(items))
    if silent:
        note, tone = f"last known {age(silence_s)} ago", Tone.STALE
        return Headline(status.state.value, note, tone, link, f"stale {age(silence_s)}", tuple(items))
    stale = [f"{n} {'lost' if s.lost else 'stale'}" for n, s in status.sources.items() if s.lost or s.stale]
    return Headline(
        status.state.value,
        _state_note(status),
        _STATE_TONES[status.state],
        link,
        ", ".join(stale) or stand.title,
        tuple(items),
    )


@dataclass(frozen=True, slots=True)
class Shown:
    """What of a recorded run is shown: state of the interlock at the cursor, the cursor, length, how it was closed."""

    state: str
    cursor_s: float
    length_s: float
    is_closed: bool
    sha256: str


def recorded_headline(stand: Stand, header: RunHeader, shown: Shown) -> Headline:
    """State line of an opened run."""
    limits = stand.limit_set
    closed = Item("Closed in order", f"SHA-256 {shown.sha256[:10]}…") if shown.is_closed else None
    items = [
        Item("Run", header.run_id),
        Item("Started", header.started_utc.replace("T", " ")[:16] + " UTC"),
        Item("Length", span(shown.length_s) + _pace(header)),
        Item("Limits", f"{limits.name}, rev. {limits.revision}"),
        closed or Item("Closed", "NOT CLOSED", Tone.CAUTION),
        Item("Inverter firmware", stand.inverter.firmware_revision),
        Item("Operator", header.operator or "not stated"),
    ]
    if stand.simulated or header.simulated:
        items.append(Item("Data", "SIMULATED"))
    tones = {state.value: tone for state, tone in _STATE_TONES.items()}
    return Headline(
        shown.state or "–",
        f"at the cursor, {clock_tenths(shown.cursor_s)}",
        tones.get(shown.state, Tone.STALE),
        Link.RECORDED,
        stand.title,
        tuple(items),
    )


def stood_still(headline: Headline, length_s: float) -> Headline:
    """The state line of a screen that was not drawn for ``length_s``: what happened meanwhile was not seen."""
    note = f"this screen stood still for {age(length_s)}"
    return replace(headline, link_note=f"{note}; {headline.link_note}" if headline.link_note else note)


def absent_headline(target: str, waited_s: float) -> Headline:
    """State line before any recorder was found."""
    note = f"looking for one, {span(waited_s)}"
    return Headline("–", "state unknown", Tone.STALE, Link.NO_RECORDER, note, (Item("At", target),))


def _limit_hash(status: Status, tone: Tone) -> Item:
    moved = status.protection.tightened
    text = status.limit_hash or "not told"
    return Item("Limits hash", f"{text}, {len(moved)} stricter" if moved else text, tone)


def _not_used(status: Status, malformed: int) -> Iterator[Item]:
    """One field, when there is something: connections and messages that were refused or not understood."""
    refused = status.refused
    parts = [f"{refused.unknown_keys + refused.broken} without a key"] if refused.unknown_keys + refused.broken else []
    parts += [f"{refused.denied} denied"] if refused.denied else []
    parts += [f"{n} not understood"] if (n := refused.not_understood + malformed) else []
    if parts:
        yield Item("Refused at the link", ", ".join(parts))


def _pace(header: RunHeader) -> str:
    return f" ({header.time_factor:g} × real)" if header.time_factor > 1.0 else ""


def _alarms(protection: ProtectionStatus, tone: Tone) -> Iterator[Item]:
    """One field, when there is something: alarms nobody has acknowledged, a flood, those that are set aside by hand."""
    unseen = [x.name for x in protection.alarms if x.life in _UNSEEN]
    aside = [f"{x.name} {x.life.value.replace('_', ' ')}" for x in protection.alarms if x.life in _BY_HAND]
    parts = [_names(unseen)] if unseen else []
    parts += [f"FLOOD, {protection.alarm_rate} in 10 min"] if protection.is_flood else []
    parts += [_names(aside)] if aside else []
    calls = (unseen or protection.is_flood) and tone is Tone.PLAIN
    if parts:
        yield Item("Not acknowledged" if unseen else "Alarms", "; ".join(parts), Tone.CAUTION if calls else tone)


def _names(names: Iterable[str]) -> str:
    """The first few, and how many more."""
    listed = list(names)
    more = len(listed) - _NAMES_SHOWN
    return ", ".join(listed[:_NAMES_SHOWN]) + (f" and {more} more" if more > 0 else "")


def _stop_note(stop: StopStatus) -> str:
    """A stop that is not answered yet: which step, how often it was sent, and what it has escalated from."""
    step = f", step {stop.step} of {stop.of}" if stop.of > 1 else ""
    told = "held back, link lost" if stop.is_held else f"attempt {stop.attempt}" if stop.attempt else "waits its delay"
    if stop.escalated_from:
        return f"{stop.escalated_from} NOT ANSWERED: escalated to {stop.action}{step}, {told}"
    return f"stop {stop.action}{step}, {told}"


def _state_note(status: Status) -> str:
    first = status.first_out
    stops = "; ".join(_stop_note(stop) for stop in status.protection.stops)
    if stops and status.state in (State.TRIPPED, State.STOPPING):
        return stops if first is None else f"{stops}; first-out: {', '.join(first.limits)}"
    if status.state is State.TRIPPED and first is not None:
        names = ", ".join(first.limits)
        return f"first-out: {names}" + ("" if first.order_resolved else " (order not resolved)")
    missing = [name for name, met in status.permissives.items() if not met]
    if status.state is State.STANDBY and missing:
        return "waits for: " + ", ".join(missing)
    return "standing: " + ", ".join(status.standing) if status.standing else "no limit stands"


def _recording(status: Status, *, silent: bool) -> Item:
    if silent:
        return Item("Recording", "unknown", Tone.CAUTION)
    if not status.recording:
        return Item("Recording", "NOT RECORDING", Tone.CAUTION)
    return Item("Recording", PurePath(status.run_path).name)


def _disk(status: Status, tone: Tone) -> Item:
    left = status.disk_left_s
    low = left is not None and left < _DISK_LOW_S
    text = size(status.disk_free_bytes) + ("" if left is None else f", {span(left)}")
    return Item("Disk LOW" if low else "Disk left", text, Tone.CAUTION if low else tone)


def _source(name: str, source: SourceStatus, silence_s: float, *, silent: bool) -> Item:
    label = f"Source {name}"
    if silent:
        return Item(label, f"stale {age(silence_s)}", Tone.STALE)
    if source.lost:
        return Item(label, "LOST", Tone.CAUTION)
    if source.age_s is None:
        return Item(label, "no sample yet", Tone.STALE)
    if source.stale:
        return Item(label, f"stale {age(source.age_s)}", Tone.CAUTION)
    # jitter of the publishing interval is of no interest to a reader: tenths suffice
    bad = f", {source.bad_frames} bad" if source.bad_frames else ""
    if source.sensor_faults:
        return Item(label, f"{age(source.age_s)} old{bad}, SENSOR {', '.join(source.sensor_faults)}", Tone.CAUTION)
    return Item(label, f"{age(source.age_s)} old{bad}")
