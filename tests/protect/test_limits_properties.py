"""The engine against a brute-force reference that walks through every nanosecond, on random signals and block splits.

Times are a few ns long, so that every instant can be visited and every coincidence happens often.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.model.limits import Limit, LimitKind, Severity
from benchkit.protect.limits import LimitEngine

CHANNELS = ("a", "b")


@dataclass
class Story:
    limits: tuple[Limit, ...]
    stale_ns: int
    rows: list[tuple[int, list[float]]]
    splits: set[int]
    ticks: dict[int, int]
    lost_after: int | None
    back_after: int
    end_ns: int


def brute_force(limit: Limit, story: Story) -> list[tuple[int, str, bool]]:
    """The rules, read aloud at every instant."""
    column = CHANNELS.index(limit.channel)
    is_trip, is_stale = limit.severity is Severity.TRIP, limit.kind is LimitKind.STALE
    on, off = round(limit.on_delay_s * 1e9), round(limit.off_delay_s * 1e9)
    found = []
    acts, level, since = False, "neither", None
    heard = good = 0

    def settle(t):
        nonlocal acts, since
        if level != ("back" if acts else "condition"):
            since = None
        else:
            since = t if since is None else since
            if t - since >= (off if acts else on):
                acts, since = not acts, None
                found.append((t, limit.name, acts))

    is_lost = False
    happenings = in_sequence(story)
    for t in range(story.end_ns + 1):
        for what, values in happenings.get(t, []):
            if what == "lost":
                is_lost = True
                if is_trip or not is_stale:
                    level = "condition" if is_trip else "neither"
                    settle(t)
            elif what == "back":
                is_lost = False
            elif is_lost:
                continue
            elif is_stale:
                heard = t
                if not math.isnan(values[column]):
                    good, level = t, "back"
                    settle(t)
            else:
                heard = t
                level = level_of(limit, values[column])
                settle(t)
        if is_stale and t - good > round(limit.set_point * 1e9):
            level = "condition"
        if not is_stale and t - heard > story.stale_ns:
            level = "condition" if is_trip else "neither"
        settle(t)
    return found


def level_of(limit: Limit, value: float) -> str:
    if math.isnan(value):
        return "condition" if limit.severity is Severity.TRIP else "neither"
    beyond = value - limit.set_point if limit.kind is LimitKind.ABOVE else limit.set_point - value
    return "condition" if beyond > 0 else "back" if beyond <= -limit.deadband else "neither"


def in_sequence(story: Story) -> dict[int, list[tuple[str, list[float]]]]:
    """What happens at each instant, in order: rows, the loss of the link and its return."""
    found: dict[int, list[tuple[str, list[float]]]] = {}
    last = 0
    for index in range(len(story.rows) + 1):
        if index == story.lost_after:
            found.setdefault(last, []).append(("lost", []))
        if index == story.back_after and story.lost_after is not None:
            found.setdefault(last, []).append(("back", []))
        if index < len(story.rows):
            last, values = story.rows[index]
            found.setdefault(last, []).append(("row", values))
    return found


def play(story: Story, feed_name: str) -> tuple[list[tuple[int, str, bool]], tuple[str, ...], tuple[str, ...]]:
    engine = LimitEngine(story.limits, {"s": CHANNELS}, {"s": story.stale_ns * 1e-9}, 0)
    found = []
    pending: list[tuple[int, list[float]]] = []

    def flush():
        if pending:
            times = np.array([t for t, _ in pending], dtype=np.int64)
            found.extend(getattr(engine, feed_name)("s", times, np.array([v for _, v in pending])))
            pending.clear()

    for index in range(len(story.rows) + 1):
        if index in (story.lost_after, story.back_after) and story.lost_after is not None:
            flush()
            last = story.rows[index - 1][0] if index else 0
            if index == story.lost_after:
                found.extend(engine.source_lost("s", last))
            if index == story.back_after:
                engine.source_back("s")
        if index in story.splits:
            flush()
        if index in story.ticks:
            flush()
            before = story.rows[index - 1][0] if index else 0
            after = story.rows[index][0] if index < len(story.rows) else story.end_ns + 1
            if after > before:
                found.extend(engine.tick(before + story.ticks[index] % (after - before)))
        if index < len(story.rows):
            pending.append(story.rows[index])
    flush()
    found.extend(engine.tick(story.end_ns))
    changes = sorted((c.time_ns, c.limit.name, c.acts) for c in found)
    return changes, tuple(x.name for x in engine.standing), tuple(x.name for x in engine.latched)


def few_ns(low: int, high: int) -> st.SearchStrategy[float]:
    return st.integers(low, high).map(lambda n: n * 1e-9)


@st.composite
def limits(draw: st.DrawFn, name: str) -> Limit:
    kind = draw(st.sampled_from(LimitKind))
    return Limit(
        name,
        draw(st.sampled_from(CHANNELS)),
        kind,
        draw(st.sampled_from(Severity)),
        draw(few_ns(1, 9)) if kind is LimitKind.STALE else draw(st.sampled_from([1.0, 2.0])),
        on_delay_s=draw(few_ns(0, 5)),
        off_delay_s=draw(few_ns(0, 5)),
        deadband=0.0 if kind is LimitKind.STALE else draw(st.sampled_from([0.0, 1.0, 2.0])),
        latching=draw(st.booleans()),
    )


@st.composite
def stories(draw: st.DrawFn) -> Story:
    count = draw(st.integers(0, 14))
    gaps = draw(st.lists(st.sampled_from([0, 1, 1, 1, 2, 3, 6]), min_size=count, max_size=count))
    times = np.cumsum(gaps).tolist() if gaps else []
    value = st.sampled_from([0.0, 0.0, 1.0, 2.0, 3.0, 4.0, math.nan])
    rows = [(t, [draw(value), draw(value)]) for t in times]
    lost_after = draw(st.none() | st.integers(0, count))
    return Story(
        limits=tuple(draw(limits(f"x{i}")) for i in range(draw(st.integers(1, 4)))),
        stale_ns=draw(st.integers(1, 8)),
        rows=rows,
        splits=draw(st.sets(st.integers(0, count))),
        ticks=draw(st.dictionaries(st.integers(0, count), st.integers(0, 5))),
        lost_after=lost_after,
        back_after=count if lost_after is None else draw(st.integers(lost_after, count)),
        end_ns=(times[-1] if times else 0) + draw(st.integers(0, 20)),
    )


def agree(story: Story) -> None:
    expected = sorted(change for limit in story.limits for change in brute_force(limit, story))
    fast, exact = play(story, "feed"), play(story, "feed_exact")
    assert fast[0] == expected
    assert exact == fast


@given(stories())
@settings(max_examples=300, deadline=None)
def test_engine_agrees_with_brute_force_for_every_split(story):
    agree(story)


@pytest.mark.soak
@pytest.mark.timeout(3600)
@given(stories())
@settings(max_examples=20_000, deadline=None)
def test_engine_agrees_with_brute_force_long(story):
    agree(story)


@pytest.mark.parametrize("seed", range(4))
def test_fast_path_equals_row_by_row_on_long_blocks(seed):
    """Noise that crosses its limits now and then, with missing values, in blocks of one row to thousands."""
    rng = np.random.default_rng(seed)
    count = 12_000
    names = tuple(f"c{i}" for i in range(8))
    values = rng.normal(0.0, 1.0, (count, 8))
    values[rng.random((count, 8)) < 1e-3] = math.nan
    values[:, 7] = np.cumsum(rng.normal(0.0, 0.05, count))  # wanders: stands beyond its limit for long
    times = np.cumsum(rng.choice([500_000, 1_000_000, 1_500_000, 80_000_000], count, p=[0.3, 0.3, 0.399, 0.001]))
    kinds = rng.choice(list(LimitKind), 24)
    rules = tuple(
        Limit(
            f"x{i}",
            names[i % 8],
            LimitKind(kind),
            Severity.TRIP if rng.random() < 0.5 else Severity.CAUTION,
            {LimitKind.ABOVE: 2.5, LimitKind.BELOW: -2.5, LimitKind.STALE: 0.06}[LimitKind(kind)],
            on_delay_s=float(rng.choice([0.0, 0.001, 0.003])),
            off_delay_s=float(rng.choice([0.0, 0.002])),
            deadband=0.0 if kind == LimitKind.STALE else 1.0,
        )
        for i, kind in enumerate(kinds)
    )

    def run(name, sizes):
        engine = LimitEngine(rules, {"s": names}, {"s": 0.05}, 0)
        found, at = [], 0
        while at < count:
            size = int(rng.choice(sizes))
            found += getattr(engine, name)("s", times[at : at + size].astype(np.int64), values[at : at + size])
            at += size
        # as text: a NaN value is equal to itself there
        return sorted(repr((c.time_ns, c.limit.name, c.acts, c.row, c.value, c.evidence)) for c in found)

    whole = run("feed_exact", [count])
    assert len(whole) > 100
    assert run("feed", [1, 7, 100, 1000, 5000]) == whole
    assert run("feed", [1, 2, 3]) == whole
