"""What every source does: bytes and decoded events of one instrument link, as they come."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from benchkit.model.samples import DecodeEvent, Gap


@dataclass(frozen=True, slots=True)
class Polled:
    """What one poll brought.

    ``data`` are the bytes as received (empty where a source has none, such as a replay), ``arrival_ns`` the host's
    monotonic time at which they were read, ``events`` what the decoder made of them, in order.
    """

    data: bytes
    arrival_ns: int
    events: list[DecodeEvent]


def outage_gap(down_since_ns: int, now_ns: int) -> Gap:
    """First event of a link that is open again: how many rows the outage took is not known here."""
    return Gap(now_ns, None, f"link was down for {(now_ns - down_since_ns) / 1e9:.3f} s")


class Source(Protocol):
    """One instrument link.

    ``open``, then ``poll`` again and again. A link that is lost raises ``LinkError`` from ``poll`` or ``send``, and the
    source is then not open; the caller opens it again, with a pause of its choice. Everything that had arrived before
    the loss is handed out by ``poll`` first, and one poll after ``close`` hands out what a close has cut. A line that
    was cut is a ``BadFrame``; after opening again the first event is a ``Gap``.

    A source may have ``wait_on: int | None``, a descriptor that the system can wait on while it is open. The recorder
    then waits for all such sources at once, and looks at the others every half millisecond.
    """

    @property
    def name(self) -> str:
        """Name of the source in the stand profile."""
        ...

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the columns of ``Rows.values``."""
        ...

    @property
    def is_open(self) -> bool:
        """True between ``open`` and ``close`` or the loss of the link."""
        ...

    @property
    def is_finished(self) -> bool:
        """True when nothing will ever come again: the end of a file or of a replay. A live link is never finished."""
        ...

    def open(self) -> None:
        """Open the link, or open it again.

        Raises:
            LinkError: it cannot be opened; the message says what to do.
        """
        ...

    def poll(self, timeout_s: float) -> Polled | None:
        """Wait up to ``timeout_s`` for bytes and return what is there; None when nothing came.

        Raises:
            LinkError: the link is lost or not open.
        """
        ...

    def send(self, command: str) -> None:
        """Write one command line (without its line end).

        Raises:
            LinkError: the link is lost, not open, or does not take the bytes.
            UsageError: the source takes no commands, or the text is not one line of ASCII.
        """
        ...

    def close(self) -> None:
        """Close the link. Closing twice does no harm."""
        ...
