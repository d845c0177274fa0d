"""The offset of two time bases, measured on an edge that both sources have seen: a lamp, a trigger, a step of load."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from benchkit.errors import UsageError
from benchkit.model.events import Event, EventKind, JsonValue
from benchkit.model.samples import FloatArray


@dataclass(frozen=True, slots=True)
class EdgeOffset:
    """``offset_s`` is the time of an edge in the second source minus that in the first; ``u_s`` its standard
    uncertainty from the sample intervals and, with several edges, not below what their scatter says."""

    offset_s: float
    u_s: float
    edges: int


def offset_between(time_a: FloatArray, a: FloatArray, time_b: FloatArray, b: FloatArray) -> EdgeOffset:
    """Offset of the times of ``b`` against those of ``a``, from the rising edges through the middle of each signal.

    Times (n,) in s, rising; values (n,) in any unit, NaN left out. An edge lies anywhere between two samples: a
    rectangular distribution, half width half the interval, u = interval / sqrt(12) (JCGM 100:2008, 4.3.7).

    Raises:
        UsageError: no edge, not the same number of edges in both, or edges so close to each other that the first of
            one may be the second of the other.
    """
    edges_a, u_a = rising_edges(time_a, a)
    edges_b, u_b = rising_edges(time_b, b)
    count = edges_a.shape[0]
    if count == 0 or count != edges_b.shape[0]:
        raise UsageError(
            "the two signals have no common edges",
            got=f"{count} and {edges_b.shape[0]} rising edges",
            expected="the same number in both, at least one",
            remedy="Choose a stretch of time with the edge, and only it.",
        )
    differences = edges_b - edges_a
    closest = min((float(np.diff(edges).min()) for edges in (edges_a, edges_b) if count > 1), default=math.inf)
    if not float(np.abs(differences).max()) < 0.5 * closest:
        raise UsageError(
            "it cannot be told which edge belongs to which",
            got=f"edges {closest:.3g} s apart, times {float(np.abs(differences).max()):.3g} s apart",
            expected="edges more than twice as far apart as the times",
            remedy="Make edges with longer pauses, or choose a stretch of time with one edge.",
        )
    u = math.sqrt(float(np.mean(u_a**2 + u_b**2)) / count)
    if count > 1:
        u = max(u, float(np.std(differences, ddof=1)) / math.sqrt(count))
    return EdgeOffset(float(np.mean(differences)), u, count)


def rising_edges(time_s: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Middle of the sample interval in which each rising edge lies (m,) [s], and its standard uncertainty (m,) [s]."""
    known = np.isfinite(values)
    time_s, values = time_s[known], values[known]
    if values.shape[0] < 2:
        return np.empty(0), np.empty(0)
    low, high = float(np.min(values)), float(np.max(values))
    is_high = values > low + 0.5 * (high - low)
    at = np.flatnonzero(~is_high[:-1] & is_high[1:])
    return 0.5 * (time_s[at] + time_s[at + 1]), (time_s[at + 1] - time_s[at]) / math.sqrt(12.0)


# ------------------------------------------------------------------------------------------- as an event of the run
def offset_data(
    found: EdgeOffset, sources: tuple[str, str], channels: tuple[str, str], window_s: float
) -> dict[str, JsonValue]:
    """What an event says of the offset; ``window_s`` is the length of the stretch that was looked through."""
    return {
        "offset_s": found.offset_s,
        "u_s": found.u_s,
        "edges": found.edges,
        "sources": list(sources),
        "channels": list(channels),
        "window_s": window_s,
    }


def offset_words(found: EdgeOffset, sources: tuple[str, str]) -> str:
    """One line for people.

    >>> offset_words(EdgeOffset(0.0373, 0.00029, 3), ("rack", "scope"))
    'times of scope minus times of rack: +0.037300 s, u 0.000290 s, from 3 edges'
    """
    edges = f"{found.edges} edge{'s' if found.edges != 1 else ''}"
    return (
        f"times of {sources[1]} minus times of {sources[0]}: {found.offset_s:+.6f} s, u {found.u_s:.6f} s, from {edges}"
    )


def offsets_from(events: Iterable[Event]) -> dict[tuple[str, str], EdgeOffset]:
    """The newest offset of each pair of sources, as ``(first, second)``, the way round that it was measured.

    An event whose data are not such an offset says nothing.
    """
    found: dict[tuple[str, str], EdgeOffset] = {}
    for event in events:
        if event.kind is not EventKind.COMMON_EDGE:
            continue
        sources, numbers = event.data.get("sources"), [event.data.get(key) for key in ("offset_s", "u_s", "edges")]
        if not isinstance(sources, list) or len(sources) != 2 or not all(_is_number(number) for number in numbers):
            continue
        first, second = map(str, sources)
        found.pop((second, first), None)  # the same pair, measured the other way round, is older
        offset_s, u_s, edges = (float(number) for number in numbers)  # type: ignore[arg-type]  # checked above
        found[first, second] = EdgeOffset(offset_s, u_s, int(edges))
    return found


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
