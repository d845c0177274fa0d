"""What a plan has had so far, from its entries alone: the same entries, the same account."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from benchkit.model.plans import Axis, Target
from benchkit.plans.entries import Entry, EntryKind

FloatArray = npt.NDArray[np.float64]
Data = Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Share:
    """What one rating or segment has had. ``good_s`` is all time within tolerance, ``credited_s`` that of it which was
    not repeated since; ``cycles`` counts the readings that were finished and stand."""

    read_s: float = 0.0
    good_s: float = 0.0
    credited_s: float = 0.0
    cycles: int = 0


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
    passes: Mapping[tuple[str, int], Mapping[str, tuple[float, int]]] = field(default_factory=dict)
    """Credit of each pass of a segment: rating -> seconds and cycles, so that a repeat can take it back."""

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
    return _credited(with_times, data, read_s, good_s, 0)


def _credited(account: Account, data: Data, read_s: float, good_s: float, cycles: int) -> Account:
    segment, rating = str(data.get("segment", "")), str(data.get("rating", ""))
    key = (segment, int(number(data.get("turn"))))
    in_pass = account.passes.get(key, {})
    held_s, held = in_pass.get(rating, (0.0, 0))
    return replace(
        account,
        ratings=_added(account.ratings, rating, read_s, good_s, cycles),
        segments=_added(account.segments, segment, read_s, good_s, cycles),
        passes={**account.passes, key: {**in_pass, rating: (held_s + good_s, held + cycles)}},
    )


def _added(shares: Mapping[str, Share], name: str, read_s: float, good_s: float, cycles: int) -> Mapping[str, Share]:
    if not name:
        return shares
    old = shares.get(name, Share())
    new = Share(old.read_s + read_s, old.good_s + good_s, old.credited_s + good_s, old.cycles + cycles)
    return {**shares, name: new}


def _taken_back(account: Account, data: Data) -> Account:
    """A pass of a segment is to be repeated: its credit goes, its time stays time that was run."""
    segment = str(data.get("segment", ""))
    key = (segment, int(number(data.get("turn"))))
    ratings, segments = dict(account.ratings), dict(account.segments)
    for rating, (seconds, cycles) in account.passes.get(key, {}).items():
        for shares, name in ((ratings, rating), (segments, segment)):
            if name in shares:
                old = shares[name]
                shares[name] = replace(old, credited_s=max(0.0, old.credited_s - seconds), cycles=old.cycles - cycles)
    passes = {other: credit for other, credit in account.passes.items() if other != key}
    steps = int(number(data.get("steps")))
    return replace(account, ratings=ratings, segments=segments, passes=passes, repeated=account.repeated + steps)


def _stopped(account: Account, data: Data) -> Account:
    cause = str(data.get("cause", ""))
    return replace(account, stops={**account.stops, cause: account.stops.get(cause, 0) + 1})


_APPLIED: Mapping[EntryKind, Callable[[Account, Data], Account]] = {
    EntryKind.OPENED: lambda account, _: replace(account, recordings=account.recordings + 1),
    EntryKind.BEGUN: lambda account, _: replace(account, starts=account.starts + 1),
    EntryKind.RESUMED: lambda account, _: replace(account, starts=account.starts + 1),
    EntryKind.STOPPED: _stopped,
    EntryKind.TIME: _timed,
    EntryKind.TAKEN: lambda account, data: _credited(replace(account, taken=account.taken + 1), data, 0.0, 0.0, 1),
    EntryKind.SKIPPED: lambda account, _: replace(account, skipped=account.skipped + 1),
    EntryKind.CONFIRMED: lambda account, _: replace(account, confirmed=account.confirmed + 1),
    EntryKind.REPEATED: _taken_back,
}


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
