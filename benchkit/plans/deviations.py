"""What of a plan went another way than it says, and what people said to it, entry by entry."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from benchkit.plans.account import number
from benchkit.plans.entries import EntryKind

_WORDS: Mapping[EntryKind, str] = {
    EntryKind.SKIPPED: "left out",
    EntryKind.STOPPED: "stopped",
    EntryKind.REPEATED: "to be repeated from its start",
    EntryKind.NOT_PASSED: "not passed",
}


@dataclass(frozen=True, slots=True)
class Deviation:
    """One of them; ``is_grave`` where the stand was stopped, or a pass test was not passed."""

    step: str
    what: str
    why: str
    is_grave: bool


def deviation_of(kind: EntryKind, message: str, data: Mapping[str, object]) -> Deviation | None:
    """The deviation that an entry tells of; None where it tells of none. ``message`` begins with the step."""
    step = message.partition(": ")[0]
    if kind is EntryKind.TAKEN:
        outside_s = number(data.get("outside_s"))
        if outside_s <= 0.0:
            return None
        return Deviation(step, "outside tolerance for a time", f"{outside_s:.3g} s, not counted as held", False)
    if kind not in _WORDS:
        return None
    why = ": ".join(text for key in ("cause", "detail") if (text := str(data.get(key) or "")))
    if kind is EntryKind.REPEATED:
        why = f"after the stop; {int(number(data.get('steps')))} points that were done count for nothing"
    if kind is EntryKind.NOT_PASSED:
        why = f"says {data.get('who', '')}"
    return Deviation(step, _WORDS[kind], why, kind in (EntryKind.STOPPED, EntryKind.NOT_PASSED))


@dataclass(frozen=True, slots=True)
class Word:
    """What a person said to a plan."""

    what: str
    who: str
    role: str


def word_of(kind: EntryKind, message: str, data: Mapping[str, object]) -> Word | None:
    """Of a beginning, an approval or a step by hand; None for other entries."""
    step = message.partition(": ")[0]
    what = {
        EntryKind.APPROVED: "approved",
        EntryKind.BEGUN: "begun",
        EntryKind.RESUMED: "gone on with after a stop",
        EntryKind.CONFIRMED: f"{step}: confirmed",
        EntryKind.NOT_PASSED: f"{step}: not passed",
    }.get(kind)
    return None if what is None else Word(what, str(data.get("who", "")), str(data.get("role", "")))
