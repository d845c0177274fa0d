"""A source that brings given pieces of bytes, for tests of the recorder without a link."""

from __future__ import annotations

from collections.abc import Iterable

from benchkit.decode.text import TextDecoder
from benchkit.errors import LinkError
from benchkit.model.samples import DecodeEvent
from benchkit.model.stand import Stand
from benchkit.sources.clock import Clock
from benchkit.sources.contract import Polled


class MemorySource:
    """Pieces of bytes as a link would bring them, one at a poll; None in their place is a lost link."""

    def __init__(self, stand: Stand, pieces: Iterable[bytes | None], clock: Clock) -> None:
        self.name = next(iter(stand.sources))
        self._format = stand.sources[self.name].format
        self._decoder = TextDecoder(self._format)
        self.columns = self._decoder.columns
        self._pieces = iter(pieces)
        self._clock = clock
        self.is_open = False
        self.is_finished = False
        self.sent: list[str] = []

    def open(self) -> None:
        """Nothing to open; a new decoder, as every link has after a loss."""
        self._decoder = TextDecoder(self._format)
        self.is_open = True

    def close(self) -> None:
        """Nothing to close."""
        self.is_open = False

    def send(self, command: str) -> None:
        """Keep what was sent."""
        self.sent.append(command)

    def poll(self, timeout_s: float) -> Polled | None:
        """The next piece."""
        data = next(self._pieces, b"")
        if data is None:
            self.is_open = False
            raise LinkError("the cable is out", where=f"sources.{self.name}")
        if not data:
            self.is_finished = True
            return None
        now = self._clock.now_ns()
        self._decoder.feed(data, now)
        events: list[DecodeEvent] = []
        while (event := self._decoder.next_event()) is not None:
            events.append(event)
        return Polled(data, now, events)
