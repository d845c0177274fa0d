"""How many rows an outage took: by the counter of the device, which went on counting."""

from __future__ import annotations

SURE_TURNS = 0.25
"""The time that has passed must agree with the count to this part of a turn of the counter, else the count is open."""


def missing_over(last: int, now: int, modulus: int, outage_s: float, rate_hz: float) -> int | None:
    """Rows between those with the counters ``last`` and ``now``; None where it cannot be told.

    The counter knows the number up to whole turns; how often it has turned is told by the length of the outage and the
    rate of the rows before it.

    >>> missing_over(65_530, 4, 65_536, 0.009, 1000.0)
    9
    >>> missing_over(100, 200, 1000, 5.1, 1000.0)
    5099
    >>> missing_over(100, 200, 1000, 5.6, 1000.0) is None
    True
    """
    fewest = (now - last - 1) % modulus
    expected = outage_s * rate_hz
    turns = max(0, round((expected - fewest) / modulus))
    missing = fewest + turns * modulus
    return missing if abs(expected - missing) <= SURE_TURNS * modulus else None
