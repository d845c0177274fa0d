"""The engine against a brute-force reference that walks through every nanosecond, on random signals and block splits.

Times are a few ns long, so that every instant can be visited and every coincidence happens often.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cache, lru_cache
from itertools import accumulate, permutations
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from benchkit.model.limits import (
    CURVES,
    ON_AXIS,
    Against,
    ByPhase,
    CurveName,
    DeratingLine,
    Direction,
    InverseTime,
    Limit,
    LimitKind,
    Phase,
    RateWindow,
    Reset,
    Severity,
    SquareIntegral,
    SumWindow,
    ThermalReplica,
    WhileMoving,
)
from benchkit.protect.limits import LimitEngine

CHANNELS = ("a", "b")
OTHER = "c"
"""A channel of the second source, of which only the last row handed in counts."""
K = LimitKind


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
    others: dict[int, float | None] = field(default_factory=dict)
    """Before which row the second source hands in which value; None: its link is lost."""
    phases: dict[int, Phase] = field(default_factory=dict)


# -- the reference: what is watched, worked out anew from the whole past at every sample


@dataclass
class Past:
    """What a limit has seen: good samples with their partners, and whether something was missing before each."""

    samples: list[tuple[int, float, list[float], bool]] = field(default_factory=list)
    is_broken: bool = False

    def take(self, t: int, value: float, partners: list[float]) -> None:
        if math.isnan(value):
            self.is_broken = True
        else:
            self.samples.append((t, value, partners, self.is_broken))
            self.is_broken = False

    def assumed(self, size) -> list[tuple[int, float]]:
        """Every ns from the first good sample to the last, with the value that counts in it."""
        found = []
        for (t0, x0, _, _), (t1, x1, _, is_broken) in zip(self.samples, self.samples[1:], strict=False):
            value = max(size(x0), size(x1)) if is_broken else size(x0)
            found += [(t, value) for t in range(t0, t1)]
        return found


def watched(limit, past, value, partners) -> float | None:  # noqa: PLR0911, PLR0912  one branch a kind
    """The equations of docs/reference/limits.md; None: no verdict."""
    detail, now = limit.detail, past.samples[-1][0] if past.samples else 0
    if any(math.isnan(x) for x in (value, *partners)):
        return math.nan
    if isinstance(detail, Against):
        every = [value, *partners]
        return abs(value - partners[0]) if limit.kind is K.DEVIATION else max(every) - min(every)
    if isinstance(detail, RateWindow):
        window = round(detail.window_s * 1e9)
        old = [(t, x) for t, x, _, _ in past.samples if t <= now - window]
        if not old:
            return None
        t, x = old[-1]
        rate = (value - x) / (min(now - t, 2 * window) / 1e9)
        return {Direction.RISE: rate, Direction.FALL: -rate, Direction.EITHER: abs(rate)}[detail.direction]
    if isinstance(detail, WhileMoving):
        start = now - round(detail.window_s * 1e9)
        pairs = [(t, x, p[0]) for t, x, p, _ in past.samples if not math.isnan(p[0])]
        before = [each for each in pairs if each[0] <= start]
        within = before[-1:] + [each for each in pairs if each[0] > start]
        moved = max(p for _, _, p in within) - min(p for _, _, p in within)
        if not before or moved <= detail.partner_change:
            return None
        return max(x for _, x, _ in within) - min(x for _, x, _ in within)
    if isinstance(detail, SumWindow):
        start = now - round(detail.window_s * 1e9)
        return sum(x for t, x in past.assumed(lambda x: x) if t >= start) / 1e9
    used = 0.0
    if isinstance(detail, SquareIntegral):
        used = detail.initial_share * limit.set_point * 1e9
        for _, i in past.assumed(abs):
            used = max(used + i * i - detail.continuous**2, 0.0)
        return used / 1e9
    if isinstance(detail, ThermalReplica):
        used = detail.initial_share
        for _, i in past.assumed(abs):
            final = (i / (detail.k * limit.set_point)) ** 2
            tau = detail.heating_s if final > used else detail.cooling_s
            used = final + (used - final) * math.exp(-1e-9 / tau)
        return used
    if isinstance(detail, InverseTime):
        curve, below = CURVES[detail.curve], 0
        for _, i in past.assumed(abs):
            g = i / limit.set_point
            if g > 1.0:
                used += 1e-9 / (detail.time_multiplier * (curve.k / (min(g, 20.0) ** curve.alpha - 1.0) + curve.c))
                below = 0
                continue
            below, used = below + 1, min(used, 1.0)
            if detail.reset is Reset.DEPENDENT:
                used = max(used - 1e-9 * (1.0 - g * g) / (detail.time_multiplier * detail.reset_time_s), 0.0)
            elif below >= round(detail.reset_time_s * 1e9):
                used = 0.0
        return used
    return value


def in_force(limit: Limit, phase: Phase | None, lines: list[float]) -> tuple[float | None, float | None, bool]:
    """Upper (or only) and lower set point, None where off; and whether a derating line has none."""
    points = []
    lines = list(lines)
    is_outside = False
    for course, fixed in ((limit.course, limit.threshold), (limit.low_course, limit.low)):
        point: float | None = fixed
        if isinstance(course, ByPhase) and phase is not None:
            point = course.at(phase)
        if isinstance(course, DeratingLine):
            point = float(np.interp(lines[0], *zip(*course.points, strict=True), left=math.nan, right=math.nan))
            is_outside |= math.isnan(point)
            lines.pop(0)
        points.append(point)
    return points[0], points[1], is_outside


def level_of(limit: Limit, value: float | None, phase: Phase | None, lines: list[float]) -> str:
    point, low, is_outside = in_force(limit, phase, lines)
    is_band = limit.kind in (K.OUTSIDE, K.INSIDE)
    off = [point is None, low is None] if is_band else [point is None]
    if any(off) if limit.kind is K.INSIDE else all(off):
        return "back"
    if value is None and not is_outside:
        return "neither"
    if is_outside or math.isnan(value):
        return "condition" if limit.severity is Severity.TRIP else "neither"
    back = limit.deadband
    if limit.kind is K.INSIDE:
        is_back = value <= low - back or value >= point + back
        return "condition" if low < value < point else "back" if is_back else "neither"
    upper = None if limit.kind in (K.BELOW, K.FROZEN) else point
    lower = point if limit.kind in (K.BELOW, K.FROZEN) else low if is_band else None
    if (upper is not None and value > upper) or (lower is not None and value < lower):
        return "condition"
    is_back = (upper is None or value <= upper - back) and (lower is None or value >= lower + back)
    return "back" if is_back else "neither"


def brute_force(limit: Limit, story: Story) -> list[tuple[int, str, bool]]:  # noqa: PLR0912  one branch a happening
    """The rules, read aloud at every instant."""
    column = CHANNELS.index(limit.channel)
    is_trip, is_stale = limit.severity is Severity.TRIP, limit.kind is K.STALE
    on, off = round(limit.on_delay_s * 1e9), round(limit.off_delay_s * 1e9)
    found = []
    acts, level, since = False, "neither", None
    heard = good = 0
    past, held, lines, is_missing, has_row = Past(), None, [math.nan, math.nan], False, False
    phase, other, other_heard = None, None, 0

    def settle(t):
        nonlocal acts, since
        if level != ("back" if acts else "condition"):
            since = None
        else:
            since = t if since is None else since
            if t - since >= (off if acts else on):
                acts, since = not acts, None
                found.append((t, limit.name, acts))

    def missing_level():
        if level_of(limit, None, phase, [1.0, 1.0]) == "back":
            return "back"  # off
        return "condition" if is_trip else "neither"

    def value_of(name, values, t):
        if name == OTHER:
            return math.nan if other is None or t - other_heard > story.stale_ns else other
        return values[CHANNELS.index(name)]

    is_lost = False
    happenings = in_sequence(story)
    for t in range(story.end_ns + 1):
        for what, values in happenings.get(t, []):
            if what == "other":
                other, other_heard = values, t
            elif what == "phase":
                phase = values
                if limit.follows_phase and (has_row or is_missing):
                    level = missing_level() if is_missing else level_of(limit, held, phase, lines)
                    settle(t)
            elif what == "lost":
                is_lost = True
                past.is_broken = True
                if is_trip or not is_stale:
                    is_missing = True
                    level = missing_level()
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
                heard, is_missing, has_row = t, False, True
                partners = [value_of(name, values, t) for name in limit.partners]
                past.take(t, values[column], partners)
                held = watched(limit, past, values[column], partners)
                if held is not None and limit.kind in (K.INVERSE_TIME, K.THERMAL_REPLICA):
                    assume(not abs(held - 1.0) < 1e-9)  # two sums of many terms: which is greater is chance
                lines = [value_of(line.channel, values, t) for line in limit.lines]
                level = level_of(limit, held, phase, lines)
                settle(t)
        if is_stale and t - good > round(limit.set_point * 1e9):
            level = "condition"
        if not is_stale and t - heard > story.stale_ns and not is_missing:
            is_missing = past.is_broken = True
            level = missing_level()
        settle(t)
    return found


def in_sequence(story: Story) -> dict[int, list[tuple[str, object]]]:
    """What happens at each instant, in order: rows, the loss of the link and its return, the second source, phases."""
    found: dict[int, list[tuple[str, object]]] = {}
    last = 0
    for index in range(len(story.rows) + 1):
        if index == story.lost_after:
            found.setdefault(last, []).append(("lost", None))
        if index == story.back_after and story.lost_after is not None:
            found.setdefault(last, []).append(("back", None))
        if index in story.others:
            found.setdefault(last, []).append(("other", story.others[index]))
        if index in story.phases:
            found.setdefault(last, []).append(("phase", story.phases[index]))
        if index < len(story.rows):
            last, values = story.rows[index]
            found.setdefault(last, []).append(("row", values))
    return found


def play(story: Story, feed_name: str) -> tuple[list[tuple[int, str, bool]], tuple[str, ...], tuple[str, ...]]:
    stale_s = story.stale_ns * 1e-9
    engine = LimitEngine(story.limits, {"s": CHANNELS, "o": (OTHER,)}, {"s": stale_s, "o": stale_s}, 0)
    found = []
    pending: list[tuple[int, list[float]]] = []

    def flush():
        if pending:
            times = np.array([t for t, _ in pending], dtype=np.int64)
            found.extend(getattr(engine, feed_name)("s", times, np.array([v for _, v in pending])))
            pending.clear()

    for index in range(len(story.rows) + 1):
        last = story.rows[index - 1][0] if index else 0
        if index in (story.lost_after, story.back_after) and story.lost_after is not None:
            flush()
            if index == story.lost_after:
                found.extend(engine.source_lost("s", last))
            if index == story.back_after:
                engine.source_back("s")
        if index in story.others:
            flush()
            value = story.others[index]
            if value is None:
                engine.source_lost("o", last)
            else:
                engine.source_back("o")
                engine.feed("o", np.array([last], dtype=np.int64), np.array([[value]]))
        if index in story.phases:
            flush()
            found.extend(engine.set_phase(story.phases[index], last))
        if index in story.splits:
            flush()
        if index in story.ticks:
            flush()
            after = story.rows[index][0] if index < len(story.rows) else story.end_ns + 1
            if after > last:
                found.extend(engine.tick(last + story.ticks[index] % (after - last)))
        if index < len(story.rows):
            pending.append(story.rows[index])
    flush()
    found.extend(engine.tick(story.end_ns))
    changes = sorted((c.time_ns, c.limit.name, c.acts) for c in found)
    return changes, tuple(x.name for x in engine.standing), tuple(x.name for x in engine.latched)


# -- random limits and signals. Strategies are made once: making one takes as long as drawing from it.


@cache
def few_ns(low: int, high: int) -> st.SearchStrategy[float]:
    return st.sampled_from([n / 1e9 for n in range(low, high + 1)])


@lru_cache(maxsize=None, typed=True)  # a truth value is not the number that equals it
def one_of(*values: object) -> st.SearchStrategy[Any]:
    return st.sampled_from(values)


@cache
def count_to(high: int) -> st.SearchStrategy[int]:
    return st.integers(0, high)


@cache
def perhaps(values: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | values


SUMS = (K.I2T, K.ENERGY_IN_TIME)
"""Kinds whose watched value is a few times 1e-9."""
LEVEL_KINDS = (K.ABOVE, K.BELOW, K.OUTSIDE, K.INSIDE, K.RATE, K.DEVIATION, K.SPREAD)


@st.composite
def details(draw: st.DrawFn, kind: LimitKind, channel: str):  # noqa: PLR0911  one return a kind
    if kind is K.RATE:
        return RateWindow(draw(few_ns(1, 5)), draw(one_of(*Direction)))
    if kind is K.FROZEN:
        partner = draw(one_of(CHANNELS[1 - CHANNELS.index(channel)], OTHER))
        return WhileMoving(draw(few_ns(1, 5)), partner, draw(one_of(0.0, 1.0, 2.0)))
    if kind is K.DEVIATION:
        return Against((draw(one_of(CHANNELS[1 - CHANNELS.index(channel)], OTHER)),))
    if kind is K.SPREAD:
        return Against(draw(one_of(*permutations(x for x in (*CHANNELS, OTHER) if x != channel))))
    if kind is K.INVERSE_TIME:
        curve = draw(one_of(*CurveName))
        multiplier = 4e-9 / (CURVES[curve].k / (3.0 ** CURVES[curve].alpha - 1.0) + CURVES[curve].c)
        reset = draw(one_of(*Reset))
        back = draw(few_ns(0, 4)) if reset is Reset.DEFINITE else 4e-9 / multiplier
        return InverseTime(curve, draw(one_of(0.3, 1.0)) * multiplier, reset, back)
    if kind is K.THERMAL_REPLICA:
        return ThermalReplica(1.05, draw(few_ns(1, 6)), draw(few_ns(1, 9)), draw(one_of(0.0, 0.5, 0.9)))
    if kind is K.I2T:
        return SquareIntegral(draw(one_of(0.0, 1.0, 2.0)), draw(one_of(0.0, 0.5)))
    return SumWindow(draw(few_ns(1, 5))) if kind is K.ENERGY_IN_TIME else None


@st.composite
def courses(draw: st.DrawFn, kind: LimitKind, points: st.SearchStrategy[float]):
    """None, a set point in each phase, or a line over the other channel that ends inside its values."""
    which = "fixed" if kind not in LEVEL_KINDS else draw(one_of("fixed", "phases", "line"))
    if which == "fixed":
        return None
    if which == "phases":
        return ByPhase(*(draw(perhaps(points)) for _ in range(4)))
    channel = draw(one_of(*CHANNELS, OTHER))
    return DeratingLine(channel, tuple((x, draw(points)) for x in (0.0, 2.0, 3.0)))


@st.composite
def limits(draw: st.DrawFn, name: str, kind: LimitKind | None = None) -> Limit:
    kind = kind or draw(one_of(*LimitKind))
    channel = draw(one_of(*CHANNELS))
    scale = 1e-9 if kind in SUMS else 1e9 if kind is K.RATE else 1.0
    points = one_of(1.0 * scale, 2.0 * scale)
    is_band = kind in (K.OUTSIDE, K.INSIDE)
    return Limit(
        name,
        channel,
        kind,
        draw(one_of(*Severity)),
        draw(few_ns(1, 9)) if kind is K.STALE else draw(few_ns(1, 12)) if kind in SUMS else draw(points) + is_band,
        on_delay_s=draw(few_ns(0, 5)),
        off_delay_s=draw(few_ns(0, 5)),
        deadband=0.0 if kind is K.STALE else draw(one_of(0.0, 0.5, 1.0, 2.0)) * scale,
        latching=draw(one_of(False, True)),
        low=draw(one_of(0.0, 1.0)) if is_band else math.nan,
        course=draw(courses(kind, points)) if kind in LEVEL_KINDS else None,
        low_course=draw(courses(kind, points)) if is_band else None,
        detail=draw(details(kind, channel)) if kind not in PLAIN_KINDS else None,
    )


PLAIN_KINDS = (K.ABOVE, K.BELOW, K.OUTSIDE, K.INSIDE, K.STALE)
"""Kinds that need nothing beside a set point."""
VALUE = st.sampled_from([0.0, 0.0, 1.0, 2.0, 3.0, 4.0, -2.0, math.nan])
STEP = st.tuples(st.sampled_from([0, 1, 1, 1, 2, 3, 6]), VALUE, VALUE)
"""Time since the row before in ns, and the values of both channels."""
STEPS = st.lists(STEP, max_size=14)


@cache
def splits_to(count: int) -> st.SearchStrategy[set[int]]:
    return st.sets(count_to(count))


@cache
def happenings(count: int, values: st.SearchStrategy[Any], max_size: int | None) -> st.SearchStrategy[dict[int, Any]]:
    """What happens before which of ``count`` rows."""
    return st.dictionaries(count_to(count), values, max_size=max_size)


@st.composite
def stories(draw: st.DrawFn, kind: LimitKind | None = None) -> Story:
    steps = draw(STEPS)
    count = len(steps)
    times = list(accumulate(gap for gap, _, _ in steps))
    rows = [(t, [a, b]) for t, (_, a, b) in zip(times, steps, strict=True)]
    lost_after = draw(perhaps(count_to(count)))
    first = draw(limits("x0", kind))
    return Story(
        limits=(first, draw(limits("x1"))) if draw(one_of(False, True)) else (first,),
        stale_ns=draw(one_of(*range(1, 9))),
        rows=rows,
        splits=draw(splits_to(count)),
        ticks=draw(happenings(count, count_to(5), None)),
        lost_after=lost_after,
        back_after=count if lost_after is None else lost_after + draw(count_to(count - lost_after)),
        end_ns=(times[-1] if times else 0) + draw(count_to(20)),
        others=draw(happenings(count, perhaps(VALUE), 4)),
        phases=draw(happenings(count, one_of(*Phase), 3)),
    )


def agree(story: Story) -> None:
    expected = sorted(change for limit in story.limits for change in brute_force(limit, story))
    fast, exact = play(story, "feed"), play(story, "feed_exact")
    assert fast[0] == expected
    assert exact == fast


def test_kinds_are_told_apart_by_what_they_need():
    assert {kind for kind, _, _, detail in LONG if detail is None} == set(PLAIN_KINDS)


@pytest.mark.parametrize("kind", LimitKind)
def test_engine_agrees_with_brute_force_for_every_split(kind):
    @given(stories(kind))
    @settings(max_examples=120, deadline=None)
    def holds(story):
        agree(story)

    holds()


@pytest.mark.soak
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("kind", LimitKind)
def test_engine_agrees_with_brute_force_long(kind):
    @given(stories(kind))
    @settings(max_examples=20_000, deadline=None)
    def holds(story):
        agree(story)

    holds()


LONG = [
    (K.ABOVE, 2.5, math.nan, None),
    (K.BELOW, -2.5, math.nan, None),
    (K.STALE, 0.06, math.nan, None),
    (K.OUTSIDE, 2.5, -2.5, None),
    (K.INSIDE, 3.5, 3.0, None),
    (K.RATE, 100.0, math.nan, RateWindow(0.032, Direction.EITHER)),
    (K.DEVIATION, 4.0, math.nan, Against(("c1",))),
    (K.SPREAD, 5.0, math.nan, Against(("c1", "c7"))),
    (K.FROZEN, 3.0, math.nan, WhileMoving(0.01, "c0", 3.0)),
    (K.INVERSE_TIME, 1.5, math.nan, InverseTime(CurveName.C, 1e-3, Reset.DEPENDENT, 9.0)),
    (K.THERMAL_REPLICA, 1.1, math.nan, ThermalReplica(1.05, 0.01, 0.02, 0.5)),
    (K.I2T, 0.02, math.nan, SquareIntegral(1.0, 0.5)),
    (K.ENERGY_IN_TIME, 0.01, math.nan, SumWindow(0.05)),
]
"""Kinds with set points that noise of standard deviation 1 passes now and then."""


def test_the_long_blocks_try_every_kind():
    assert {kind for kind, *_ in LONG} == set(LimitKind)


@pytest.mark.parametrize("seed", range(4))
def test_fast_path_equals_row_by_row_on_long_blocks(seed):
    """Noise that crosses its limits now and then, with missing values, in blocks of one row to thousands."""
    rng = np.random.default_rng(seed)
    count = 5_000
    names = tuple(f"c{i}" for i in range(8))
    values = rng.normal(0.0, 1.0, (count, 8))
    values[rng.random((count, 8)) < 1e-3] = math.nan
    values[:, 7] = np.cumsum(rng.normal(0.0, 0.05, count))  # wanders: stands beyond its limit for long
    times = np.cumsum(rng.choice([500_000, 1_000_000, 1_500_000, 80_000_000], count, p=[0.3, 0.3, 0.399, 0.001]))
    rules = tuple(
        Limit(
            f"x{i}",
            names[i % 8],
            kind,
            Severity.TRIP if rng.random() < 0.5 else Severity.CAUTION,
            point,
            on_delay_s=float(rng.choice([0.0, 0.001, 0.003])),
            off_delay_s=float(rng.choice([0.0, 0.002])),
            deadband=0.0 if kind is K.STALE else 0.2 * point if kind not in ON_AXIS else 1.0,
            low=low,
            detail=detail,
        )
        for i, (kind, point, low, detail) in enumerate(LONG * 2)
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
