"""Permissives: the conditions for getting READY. Every one that is not met says what is missing and what to do.

Rules:

1. ``sources_fresh`` is always there: every source has spoken, is not lost and not older than its ``stale_after``.
2. ``zero_done``, ``checklist``, ``limit_set_proven`` and the inputs of the hardware interlock are there where the
   profile asks for them. Others are named by the caller, and met when the caller says so.
3. An input of the hardware interlock is met when the last sample lies beyond its level (equality does not count) and
   its source is fresh. A single row that does not, or that is not measured, takes it away, however short.
4. A zero, a signature and a proof hold for the run. A proof of another limit set is none.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass

import numpy as np
import numpy.typing as npt

from benchkit.errors import RefusedError, did_you_mean
from benchkit.model.events import EventKind, JsonValue
from benchkit.model.stand import Stand
from benchkit.model.start_conditions import HardwareInput, ProofRecord
from benchkit.protect.outcomes import Happened

FloatArray = npt.NDArray[np.float64]

SOURCES_FRESH = "sources_fresh"
ZERO_DONE = "zero_done"
CHECKLIST = "checklist"
LIMIT_SET_PROVEN = "limit_set_proven"


@dataclass(slots=True)
class Permissive:
    """One condition. ``detail`` says what is missing, ``remedy`` what to do about it."""

    name: str
    is_met: bool = False
    detail: str = ""
    remedy: str = ""

    @property
    def missing(self) -> str:
        """Its name, and what is missing of it."""
        return f"{self.name} ({self.detail})" if self.detail else self.name


def protection_hash(stand: Stand) -> str:
    """SHA-256 over all that decides what samples trip and what is commanded then: limits, starting time, patience with
    silent sources, stop actions. How it stands to the other hashes is said at ``LimitSet.sha256``."""
    starting_s = stand.limit_set.starting_time_s
    body = {
        "limits": [asdict(limit) for limit in stand.limit_set.limits],
        "starting_time_s": None if math.isnan(starting_s) else starting_s,
        "stale_after_s": {name: source.stale_after_s for name, source in stand.sources.items()},
        "stop_actions": {name: asdict(action) for name, action in stand.stop_actions.items()},
        "orderly_stop": stand.orderly_stop,
    }
    return hashlib.sha256(json.dumps(body, sort_keys=True, ensure_ascii=False, default=str).encode()).hexdigest()


class Permissives:
    """All conditions of a stand. ``named`` are those that the caller sets; ``columns`` the channels by source."""

    def __init__(self, stand: Stand, columns: Mapping[str, Sequence[str]], named: Iterable[str]) -> None:
        self._conditions = conditions = stand.start_conditions
        self._stand = stand
        self._fresh = dict.fromkeys(stand.sources, False)
        self._left_to_zero = dict.fromkeys(conditions.zeroed)
        self._inputs: dict[str, list[tuple[HardwareInput, int]]] = {}
        for one in conditions.inputs:
            source = stand.channels[one.channel].source
            self._inputs.setdefault(source, []).append((one, columns[source].index(one.channel)))
        self._all = {SOURCES_FRESH: Permissive(SOURCES_FRESH)}
        if conditions.zeroed:
            self._all[ZERO_DONE] = Permissive(ZERO_DONE)
        if conditions.checklist:
            remedy = f"Tick and sign: {'; '.join(item.text for item in conditions.checklist)}"
            self._all[CHECKLIST] = Permissive(CHECKLIST, False, "not signed", remedy)
        if conditions.limit_set_proven:
            remedy = "Prove the limits (benchkit prove) and record with --proof FILE"
            self._all[LIMIT_SET_PROVEN] = Permissive(LIMIT_SET_PROVEN, False, "no proof", remedy)
        for one in conditions.inputs:
            self._all[one.name] = Permissive(one.name, False, "not measured yet", _input_remedy(one))
        for name in named:
            self._all[name] = Permissive(name)
        self._say_fresh()
        self._say_zero()

    @property
    def all(self) -> tuple[Permissive, ...]:
        """All conditions."""
        return tuple(self._all.values())

    @property
    def missing(self) -> tuple[Permissive, ...]:
        """Those that are not met."""
        return tuple(one for one in self._all.values() if not one.is_met)

    @property
    def checklist_texts(self) -> Mapping[str, str]:
        """Items of the checklist, name to text."""
        return {item.name: item.text for item in self._conditions.checklist}

    @property
    def protection_hash(self) -> str:
        """What a proof must name."""
        return protection_hash(self._stand)

    def is_fresh(self, source: str) -> bool:
        """What was told last of this source."""
        return self._fresh[source]

    def watches(self, source: str) -> bool:
        """True when an input of the hardware interlock comes over this source."""
        return source in self._inputs

    def refuse(self, request: str, state: str) -> None:
        """Raise ``RefusedError`` when something is missing: what, and what to do."""
        missing = self.missing
        if missing:
            to_do = [f"{one.name}: {one.remedy}." for one in missing if one.remedy]
            raise RefusedError(
                f"{request} is refused in {state}: permissives not met: {', '.join(one.missing for one in missing)}",
                remedy=" ".join([*to_do, "Possible as soon as they are met: ARM"]),
            )

    # ------------------------------------------------------------------ what is told

    def set(self, name: str, met: bool, now_ns: int, detail: str = "", remedy: str = "") -> list[Happened]:
        """A condition that the caller knows of."""
        if name in (SOURCES_FRESH, ZERO_DONE, CHECKLIST) or any(name == one.name for one in self._conditions.inputs):
            follows = {SOURCES_FRESH: "the sources", ZERO_DONE: "the tare", CHECKLIST: "the signature"}
            raise RefusedError(
                f"{name} is not set from outside", remedy=f"It follows {follows.get(name, 'its channel')}"
            )
        return list(self._change(self._all.setdefault(name, Permissive(name)), met, now_ns, detail, remedy))

    def prove(self, record: ProofRecord, now_ns: int) -> list[Happened]:
        """A proof of the limit set; one of another limit set is none."""
        one = self._all.setdefault(LIMIT_SET_PROVEN, Permissive(LIMIT_SET_PROVEN))
        is_ours = record.protection_hash == self.protection_hash
        data: dict[str, JsonValue] = {
            "protection_hash": record.protection_hash,
            "proven_utc": record.proven_utc,
            "who": record.who,
        }
        detail = "" if is_ours else f"the proof of {record.proven_utc} is of another limit set"
        return list(self._change(one, is_ours, now_ns, detail, one.remedy, data))

    def fresh(self, sources: Mapping[str, bool], now_ns: int) -> list[Happened]:
        """Whether sources are fresh; their inputs of the hardware interlock go with them."""
        told: list[Happened] = []
        self._fresh.update(sources)
        for source, is_fresh in sources.items():
            for wired, _ in () if is_fresh else self._inputs.get(source, ()):
                permissive = self._all[wired.name]
                told += self._change(permissive, False, now_ns, f"{source} is stale", permissive.remedy)
        one = self._all[SOURCES_FRESH]
        met = all(self._fresh.values())
        if met is not one.is_met:
            self._say_fresh()
            told += self._change(one, met, now_ns, one.detail, one.remedy)
        else:
            self._say_fresh()
        return told

    def rows(self, source: str, values: FloatArray, now_ns: int) -> Iterator[list[Happened]]:
        """Rows of a source with an input: ``values`` (n, channels), n > 0.

        One list of events a change, each to be followed before the next: a block may take an input and give it back.
        """
        inputs = [(wired, self._all[wired.name], values[:, column]) for wired, column in self._inputs.get(source, ())]
        for wired, one, seen in inputs:
            bad = seen[~_is_good(wired, seen)]
            if bad.size:
                shown = "not measured" if np.isnan(bad[-1]) else f"{wired.channel} at {bad[-1]:.4g}"
                yield list(self._change(one, False, now_ns, shown, one.remedy))
        for wired, one, seen in inputs:
            if _is_good(wired, seen[-1:]).all():
                yield list(self._change(one, True, now_ns, "", one.remedy))

    def zeroed(self, channels: Iterable[str], who: str, now_ns: int) -> list[Happened]:
        """These channels have been tared."""
        if ZERO_DONE not in self._all:
            return []
        for channel in channels:
            self._left_to_zero.pop(channel, None)
        self._say_zero()
        one = self._all[ZERO_DONE]
        return list(self._change(one, not self._left_to_zero, now_ns, one.detail, one.remedy, {"who": who}))

    def sign(self, ticked: Iterable[str], who: str, now_ns: int) -> list[Happened]:
        """The checklist, every item ticked, signed by ``who``."""
        texts = self.checklist_texts
        if not texts:
            raise RefusedError("the profile of this stand has no checklist", where="sign_checklist")
        if not who:
            raise RefusedError("nobody has signed", where="sign_checklist", remedy="Say who signs")
        names = list(dict.fromkeys(ticked))
        for name in names:
            if name not in texts:
                hint = did_you_mean(name, texts) or f"Known: {', '.join(texts)}"
                raise RefusedError("no such item", where="sign_checklist", got=name, remedy=hint)
        left = [name for name in texts if name not in names]
        if left:
            raise RefusedError(
                "not every item is ticked",
                where="sign_checklist",
                expected=", ".join(left),
                remedy=f"Look after it and tick it: {'; '.join(texts[name] for name in left)}",
            )
        data: dict[str, JsonValue] = {"who": who, "items": dict(texts)}
        signed = Happened(now_ns, EventKind.CHECKLIST, f"checklist signed by {who}", data=data)
        return [signed, *self._change(self._all[CHECKLIST], True, now_ns, "", "", {"who": who})]

    # ------------------------------------------------------------------ what follows

    def _say_fresh(self) -> None:
        one = self._all[SOURCES_FRESH]
        stale = [source for source, is_fresh in self._fresh.items() if not is_fresh]
        one.detail = ", ".join(stale)
        one.remedy = f"Look at the link of {one.detail}" if stale else ""

    def _say_zero(self) -> None:
        if ZERO_DONE in self._all:
            one = self._all[ZERO_DONE]
            one.detail = ", ".join(self._left_to_zero)
            one.remedy = f"Tare {one.detail} at rest" if self._left_to_zero else ""

    def _change(
        self,
        one: Permissive,
        met: bool,
        now_ns: int,
        detail: str,
        remedy: str,
        data: Mapping[str, JsonValue] | None = None,
    ) -> Iterator[Happened]:
        changed = met is not one.is_met
        one.is_met, one.detail, one.remedy = met, "" if met else detail, remedy
        if changed:
            text = f"{one.name}: met" if met else f"{one.missing}: no longer met"
            body: dict[str, JsonValue] = {"permissive": one.name, "met": met, "detail": one.detail}
            yield Happened(now_ns, EventKind.PERMISSIVE, text, data=body | dict(data or {}))


def _is_good(one: HardwareInput, seen: FloatArray) -> npt.NDArray[np.bool_]:
    good: npt.NDArray[np.bool_] = seen > one.level if one.is_above else seen < one.level
    return good


def _input_remedy(one: HardwareInput) -> str:
    side = "above" if one.is_above else "below"
    return f"Close the hardware interlock: {one.channel} must be {side} {one.level:.10g}"
