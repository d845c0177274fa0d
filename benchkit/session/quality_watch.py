"""Data quality while recording: the newest rows are looked at once a second, and what is odd becomes an event.

It comes after everything that protects, in the turn in which dashboards are served; one source a turn, and at most
``MOST_ROWS`` of its newest rows, so that a look costs about a millisecond however fast the rows come. It trips nothing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator

import numpy as np

from benchkit.analysis.quality.calibrations import identity_change, identity_of
from benchkit.analysis.quality.live import MOST_ROWS, LiveChecks
from benchkit.model.events import Event, EventKind
from benchkit.model.stand import Stand
from benchkit.runfile.layout import Block

EVERY_S = 1.0
OVER_S = 10.0
"""What was not seen for so long is over."""
AGAIN_S = 60.0
"""What comes and goes is told at most so often."""


class QualityWatch:
    """Of one source. ``add`` blocks as they are published; ``look`` when its turn has come."""

    def __init__(self, stand: Stand, source: str, channels: tuple[str, ...]) -> None:
        self._checks = LiveChecks(stand, source, channels)
        self._source = source
        self._blocks: deque[Block] = deque()
        self._rows = 0
        self._next_s = EVERY_S
        self._seen_s: dict[tuple[str, str], float] = {}
        self._told_s: dict[tuple[str, str], float] = {}
        self._identity: dict[str, str] = {}

    def add(self, block: Block) -> None:
        """Rows with their sample times; what is older than one look needs is let go."""
        self._blocks.append(block)
        self._rows += len(block)
        while self._rows - len(self._blocks[0]) >= MOST_ROWS:
            self._rows -= len(self._blocks.popleft())

    @property
    def rows_held(self) -> int:
        """Rows that wait for the next look."""
        return self._rows

    def reply(self, text: str, now_s: float) -> Event | None:
        """The event where a device says that it is another one, or has another firmware, than it said before."""
        told = identity_of(text)
        if not told:
            return None
        kind = told.partition(":")[0]
        words = identity_change(self._identity.get(kind, told), told)
        self._identity[kind] = told
        data = {"code": "firmware_changed", "severity": "error"}
        return Event(now_s, EventKind.QUALITY, words, self._source, data=data) if words else None

    def is_due(self, now_s: float) -> bool:
        """True where a look is due; ``now_s`` is host time since the start of the run."""
        return now_s >= self._next_s

    def look(self, now_s: float) -> Iterator[Event]:
        """Events of what is odd now and was not told yet, and of what is over."""
        self._next_s = now_s + EVERY_S
        if not self._rows:
            return
        time_s = np.concatenate([block.time_s for block in self._blocks])
        values = np.concatenate([block.values for block in self._blocks])
        self._blocks.clear()
        self._rows = 0
        for finding in self._checks.look(time_s, values):
            key = (finding.code, finding.channel)
            is_new = key not in self._seen_s and now_s - self._told_s.get(key, -AGAIN_S) >= AGAIN_S
            if is_new:
                self._told_s[key] = now_s
                data = {"code": finding.code, "severity": finding.severity}
                yield Event(now_s, EventKind.QUALITY, finding.message, self._source, finding.channel, data)
            if is_new or key in self._seen_s:
                self._seen_s[key] = now_s
        for key in [key for key, seen in self._seen_s.items() if now_s - seen >= OVER_S]:
            del self._seen_s[key]
            code, channel = key
            text = f"no longer seen for {OVER_S:g} s: {code}"
            yield Event(now_s, EventKind.QUALITY_OVER, text, self._source, channel, {"code": code})
