"""What a source keeps about its link over losses and openings: one piece for all links that are read directly."""

from __future__ import annotations

from collections.abc import Callable

from benchkit.errors import LinkError
from benchkit.model.samples import DecodeEvent, Gap
from benchkit.sources.clock import Clock
from benchkit.sources.contract import Polled, outage_gap


class LinkBook:
    """Since when the link is down, why it was lost, and the events that the next poll hands out first."""

    def __init__(self, clock: Clock, where: str) -> None:
        self._clock = clock
        self._where = where
        self._down_since_ns: int | None = None
        self._loss: LinkError | None = None
        self.events: list[DecodeEvent] = []

    def opened(self, gap: Callable[[int, int], Gap] = outage_gap) -> None:
        """The link is open: where it was before, ``gap(down_since_ns, now_ns)`` is the first event."""
        self._loss = None
        if self._down_since_ns is not None:
            self.events.append(gap(self._down_since_ns, self._clock.now_ns()))
            self._down_since_ns = None

    def closed(self) -> int:
        """The link is closed, now [ns]."""
        self._down_since_ns = self._clock.now_ns()
        return self._down_since_ns

    def taken(self) -> list[DecodeEvent]:
        """The events that wait, once."""
        events, self.events = self.events, []
        return events

    def waiting(self) -> Polled | None:
        """What a poll hands out before it looks at the link; None where nothing waits."""
        return Polled(b"", self._clock.now_ns(), self.taken()) if self.events else None

    def lost(self, what: str, remedy: str) -> LinkError:
        """Keep why the link was lost. ``closed`` is told apart."""
        self._loss = LinkError(what, where=self._where, remedy=remedy)
        return self._loss

    def why_closed(self, what: str) -> LinkError:
        """The error of a call that needs the link: its loss, or that ``what`` was never opened."""
        return self._loss or LinkError(f"{what} is not open", where=self._where, remedy="Open the source first.")
