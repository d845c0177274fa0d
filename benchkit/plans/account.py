"""What a plan has had so far, from its entries alone: the same entries, the same account."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace

import numpy as np
import numpy.typing as npt

from benchkit.model.events import JsonValue
from benchkit.model.plans import Axis, Step, StepKind, Target
from benchkit.plans.entries import Entry, EntryKind

FloatArray = npt.NDArray[np.float64]
Data = Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Share:
    """What one rating or segment has had. ``good_s`` is all time within tolerance, ``credited_s`` that of it which was
    not repeated since; ``cycles`` counts the readings that were finished and stand, ``skipped`` the points left out."""

    read_s: float = 0.0
    good_s: float = 0.0
    credited_s: float = 0.0
    cycles: int = 0
    skipped: int = 0


@dataclass(frozen=True, slots=True)
class Asked:
    """What a plan asks of one rating or segment: points with a dwell, and their time within tolerance [s]."""

    points: int = 0
    dwell_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Account:
    """Times [s of the stand], starts, stops by cause, points."""

    way_s: float = 0.0
    """Time under way: set-points moving, settling, reading."""
    read_s: float = 0.0
    good_s: float = 0.0
    starts: int = 0
    stops: Mapping[str, int] = field(default_factory=dict)
    taken: int = 0
    skipped: int = 0
    repeated: int = 0
    """Points that were taken and had to be taken again."""
    confirmed: int = 0
    recordings: int = 0
    ratings: Mapping[str, Share] = field(default_factory=dict)
    segments: Mapping[str, Share] = field(default_factory=dict)
    passes: Mapping[tuple[str, int], Mapping[str, tuple[float, int, int]]] = field(default_factory=dict)
    """Credit of each pass of a segment: rating -> seconds, cycles, points left out; a repeat takes it back."""
    steps_by_hand: int = 0
    """Steps by hand that the plan asks for."""
    asked_ratings: Mapping[str, Asked] = field(default_factory=dict)
    asked_segments: Mapping[str, Asked] = field(default_factory=dict)
    """Empty in the account of a recorder that did not write them down."""

    @property
    def asked(self) -> Asked:
        """Points and dwell of the whole plan."""
        parts = self.asked_segments.values()
        return Asked(sum(part.points for part in parts), sum(part.dwell_s for part in parts))

    @property
    def standing(self) -> int:
        """Points that were taken and not repeated since."""
        return sum(share.cycles for share in self.segments.values())

    @property
    def stops_in_all(self) -> int:
        """Stops of any cause."""
        return sum(self.stops.values())


def applied(account: Account, entry: Entry) -> Account:
    """The account after one entry more."""
    how = _APPLIED.get(entry.kind)
    return account if how is None else how(account, entry.data)


def account_of(entries: Iterable[Entry]) -> Account:
    """The account of all entries in their order."""
    account = Account()
    for entry in entries:
        account = applied(account, entry)
    return account


def _timed(account: Account, data: Data) -> Account:
    way_s, read_s, good_s = (number(data.get(key)) for key in ("way_s", "read_s", "good_s"))
    with_times = replace(
        account, way_s=account.way_s + way_s, read_s=account.read_s + read_s, good_s=account.good_s + good_s
    )
    return _credited(with_times, data, Share(read_s, good_s, good_s))


def _credited(account: Account, data: Data, more: Share) -> Account:
    segment, rating = str(data.get("segment", "")), str(data.get("rating", ""))
    key = (segment, int(number(data.get("turn"))))
    in_pass = account.passes.get(key, {})
    held_s, held, skipped = in_pass.get(rating, (0.0, 0, 0))
    now = (held_s + more.credited_s, held + more.cycles, skipped + more.skipped)
    return replace(
        account,
        ratings=_added(account.ratings, rating, more),
        segments=_added(account.segments, segment, more),
        passes={**account.passes, key: {**in_pass, rating: now}},
    )


def _added(shares: Mapping[str, Share], name: str, more: Share) -> Mapping[str, Share]:
    if not name:
        return shares
    old = shares.get(name, Share())
    new = Share(
        old.read_s + more.read_s,
        old.good_s + more.good_s,
        old.credited_s + more.credited_s,
        old.cycles + more.cycles,
        old.skipped + more.skipped,
    )
    return {**shares, name: new}


def _opened(account: Account, data: Data) -> Account:
    ratings, segments = (_asked_from(data.get(key)) for key in ("asked_ratings", "asked_segments"))
    return replace(
        account,
        recordings=account.recordings + 1,
        steps_by_hand=int(number(data.get("steps_by_hand"))) or account.steps_by_hand,
        asked_ratings=ratings or account.asked_ratings,
        asked_segments=segments or account.asked_segments,
    )


def _asked_from(table: object) -> dict[str, Asked]:
    if not isinstance(table, Mapping):
        return {}
    return {
        str(name): Asked(int(number(one.get("points"))), number(one.get("dwell_s")))
        for name, one in table.items()
        if isinstance(one, Mapping)
    }


def asked_data(steps: Iterable[Step]) -> dict[str, JsonValue]:
    """What a plan of these steps asks for, for the entry that opens it."""
    ratings: dict[str, Asked] = {}
    segments: dict[str, Asked] = {}
    by_hand = 0
    for step in steps:
        if step.dwell is None:
            by_hand += step.kind is StepKind.BY_HAND
            continue
        for table, name in ((ratings, step.rating), (segments, step.segment)):
            if name:
                old = table.get(name, Asked())
                table[name] = Asked(old.points + 1, old.dwell_s + step.dwell.time_s)
    return {"steps_by_hand": by_hand, "asked_ratings": _asked_table(ratings), "asked_segments": _asked_table(segments)}


def _asked_table(table: Mapping[str, Asked]) -> dict[str, JsonValue]:
    return {name: {"points": one.points, "dwell_s": one.dwell_s} for name, one in table.items()}


def _taken_back(account: Account, data: Data) -> Account:
    """A pass of a segment is to be repeated: its credit goes, its time stays time that was run."""
    segment = str(data.get("segment", ""))
    key = (segment, int(number(data.get("turn"))))
    ratings, segments = dict(account.ratings), dict(account.segments)
    for rating, (seconds, cycles, skipped) in account.passes.get(key, {}).items():
        for shares, name in ((ratings, rating), (segments, segment)):
            if name in shares:
                old = shares[name]
                shares[name] = replace(
                    old,
                    credited_s=max(0.0, old.credited_s - seconds),
                    cycles=old.cycles - cycles,
                    skipped=old.skipped - skipped,
                )
    passes = {other: credit for other, credit in account.passes.items() if other != key}
    steps = int(number(data.get("steps")))
    return replace(account, ratings=ratings, segments=segments, passes=passes, repeated=account.repeated + steps)


def _stopped(account: Account, data: Data) -> Account:
    cause = str(data.get("cause", ""))
    return replace(account, stops={**account.stops, cause: account.stops.get(cause, 0) + 1})


_APPLIED: Mapping[EntryKind, Callable[[Account, Data], Account]] = {
    EntryKind.OPENED: _opened,
    EntryKind.BEGUN: lambda account, _: replace(account, starts=account.starts + 1),
    EntryKind.RESUMED: lambda account, _: replace(account, starts=account.starts + 1),
    EntryKind.STOPPED: _stopped,
    EntryKind.TIME: _timed,
    EntryKind.TAKEN: lambda account, data: _credited(replace(account, taken=account.taken + 1), data, Share(cycles=1)),
    EntryKind.SKIPPED: lambda account, data: _credited(
        replace(account, skipped=account.skipped + 1), data, Share(skipped=1)
    ),
    EntryKind.CONFIRMED: lambda account, _: replace(account, confirmed=account.confirmed + 1),
    EntryKind.REPEATED: _taken_back,
}


def account_data(account: Account) -> dict[str, JsonValue]:
    """An account as JSON: what :func:`account_from` reads."""
    ratings, segments = (
        {name: asdict(share) for name, share in table.items()} for table in (account.ratings, account.segments)
    )
    return {
        **{key: getattr(account, key) for key in _NUMBERS},
        "stops": dict(account.stops),
        "ratings": ratings,
        "segments": segments,
        "asked_ratings": _asked_table(account.asked_ratings),
        "asked_segments": _asked_table(account.asked_segments),
    }


def account_from(data: Mapping[str, object]) -> Account:
    """The account of its JSON, without its passes; what is missing or no number is 0."""
    stops, shares = data.get("stops"), (data.get("ratings"), data.get("segments"))
    ratings, segments = (
        {str(name): _share_from(one) for name, one in table.items() if isinstance(one, Mapping)}
        if isinstance(table, Mapping)
        else {}
        for table in shares
    )
    counts = {key: int(number(data.get(key))) for key in _COUNTS}
    return Account(
        number(data.get("way_s")),
        number(data.get("read_s")),
        number(data.get("good_s")),
        starts=counts["starts"],
        stops={str(cause): int(number(n)) for cause, n in stops.items()} if isinstance(stops, Mapping) else {},
        taken=counts["taken"],
        skipped=counts["skipped"],
        repeated=counts["repeated"],
        confirmed=counts["confirmed"],
        recordings=counts["recordings"],
        ratings=ratings,
        segments=segments,
        steps_by_hand=counts["steps_by_hand"],
        asked_ratings=_asked_from(data.get("asked_ratings")),
        asked_segments=_asked_from(data.get("asked_segments")),
    )


def _share_from(one: Mapping[str, object]) -> Share:
    read_s, good_s, credited_s = (number(one.get(key)) for key in ("read_s", "good_s", "credited_s"))
    return Share(read_s, good_s, credited_s, int(number(one.get("cycles"))), int(number(one.get("skipped"))))


_COUNTS = ("starts", "taken", "skipped", "repeated", "confirmed", "recordings", "steps_by_hand")
_NUMBERS = ("way_s", "read_s", "good_s", *_COUNTS)


def number(value: object) -> float:
    """A number from JSON; 0 where there is none."""
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else 0.0


def time_within(
    times_s: FloatArray,
    values: Mapping[Axis, FloatArray],
    target: Target,
    tolerance: Target,
    last_s: float,
    longest_gap_s: float,
) -> tuple[float, float]:
    """Time that rows cover, and how much of it was within tolerance [s].

    A row stands for the time since the one before it (``last_s`` for the first); a step of more than ``longest_gap_s``,
    or back, stands for none. An axis that is not measured is not within.
    """
    if not times_s.size:
        return 0.0, 0.0
    steps = np.diff(times_s, prepend=last_s)
    counts = (steps > 0.0) & (steps <= longest_gap_s)
    good = counts.copy()
    for axis, band in tolerance.items():
        column = values.get(axis)
        good &= np.zeros_like(counts) if column is None else np.abs(column - target[axis]) <= band
    return float(np.sum(steps[counts])), float(np.sum(steps[good]))
