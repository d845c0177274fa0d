"""One place to wait for all links at once, so that none of them delays another."""

from __future__ import annotations

import select
from collections.abc import Iterable

from benchkit.sources.clock import Clock
from benchkit.sources.contract import Source

BLIND_S = 0.0005
"""A link that the system cannot wait for is looked at so often: half of the millisecond that a sample may wait."""


def descriptor_of(source: Source) -> int | None:
    """What the system can wait on for bytes of ``source``; None where it has nothing of the kind."""
    descriptor: int | None = getattr(source, "wait_on", None)
    return descriptor


def wait_for(sources: Iterable[Source], timeout_s: float, clock: Clock) -> list[Source]:
    """Wait until one of ``sources`` has something, at most ``timeout_s``; return those that are worth a look."""
    blind: list[Source] = []
    seen: dict[int, Source] = {}
    for source in sources:
        descriptor = descriptor_of(source)
        if descriptor is None:
            blind.append(source)
        else:
            seen[descriptor] = source
    if blind:
        timeout_s = min(timeout_s, BLIND_S)
    if not seen:
        clock.sleep(timeout_s)
        return blind
    try:
        ready, _, _ = select.select(list(seen), [], [], timeout_s)
    except (OSError, ValueError):  # one of them is closed: its next poll says which
        return [*seen.values(), *blind]
    return [*(seen[descriptor] for descriptor in ready), *blind]
