"""What a decoder says beside rows, as lines of a run's event log."""

from __future__ import annotations

from benchkit.model.events import Event, EventKind
from benchkit.model.samples import BadFrame, Gap, Reply


def log_event(event: BadFrame | Gap | Reply, time_s: float, source: str) -> Event:
    """The line for the log; ``time_s`` is its place on the host time of the run."""
    match event:
        case BadFrame():
            evidence = event.data.decode("ascii", "backslashreplace")
            return Event(
                time_s,
                EventKind.BAD_FRAME,
                f"frame {event.frame} refused: {event.detail}",
                source,
                data={"reason": event.reason.value, "frame": event.frame, "evidence": evidence},
            )
        case Gap():
            count = "an unknown number of" if event.missing is None else event.missing
            return Event(
                time_s,
                EventKind.GAP,
                f"{count} rows missing: {event.cause}",
                source,
                data={"missing": event.missing, "frame": event.frame},
            )
        case Reply():
            return Event(time_s, EventKind.REPLY, event.text, source)
