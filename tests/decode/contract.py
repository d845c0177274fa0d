"""Contract suite of decoders. A decoder joins by putting its ``Case`` into ``CASES`` of ``test_contract.py``."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import pairwise

from benchkit.decode.contract import Decoder
from benchkit.model.samples import BadFrame, BadFrameReason, DecodeEvent, Gap, Reply, Rows

Fact = tuple[object, ...]


@dataclass(frozen=True)
class Case:
    """Real bytes of one format and what they say.

    ``data`` ends at the end of a frame. ``garbage`` is bad input that ends where a new frame may begin; ``good`` is one
    good frame, with a counter that follows ``data``. ``max_frame_bytes`` is the longest frame the format allows.
    """

    name: str
    make: Callable[[], Decoder]
    data: bytes
    facts: tuple[Fact, ...]
    garbage: bytes
    good: bytes
    unfinished: bytes
    max_frame_bytes: int


def row(*values: float, counter: int = -1, device_time_s: float = float("nan")) -> Fact:
    # Texts, because NaN equals nothing, not even itself.
    return ("row", counter, repr(float(device_time_s)), *(repr(float(v)) for v in values))


def bad(reason: BadFrameReason, data: bytes, frame: int) -> Fact:
    return ("bad", reason, data, frame)


def gap(missing: int | None, frame: int) -> Fact:
    return ("gap", missing, frame)


def reply(text: str) -> Fact:
    return ("reply", text)


def facts(events: Iterable[DecodeEvent]) -> list[Fact]:
    """Events flattened: rows one by one, so that joined and split blocks look the same."""
    found: list[Fact] = []
    for event in events:
        match event:
            case Rows():
                assert len(event) > 0, "an empty block of rows"
                assert event.arrival_ns.shape == event.device_time_s.shape == event.counter.shape == (len(event),)
                for i in range(len(event)):
                    values = event.values[i].tolist()
                    device_time_s = float(event.device_time_s[i])
                    found.append(row(*values, counter=int(event.counter[i]), device_time_s=device_time_s))
            case BadFrame():
                assert event.detail
                found.append(bad(event.reason, event.data, event.frame))
            case Gap():
                assert event.cause
                found.append(gap(event.missing, event.frame))
            case Reply():
                found.append(reply(event.text))
    return found


def details(events: Iterable[DecodeEvent]) -> list[str]:
    """The texts for people, which must not depend on the cutting either."""
    return [
        event.detail if isinstance(event, BadFrame) else event.cause
        for event in events
        if isinstance(event, BadFrame | Gap)
    ]


def drain(decoder: Decoder) -> list[DecodeEvent]:
    return list(iter(decoder.next_event, None))


def decode(decoder: Decoder, pieces: Iterable[bytes], *, close: bool = False) -> list[DecodeEvent]:
    """Feed pieces, one nanosecond apart, and take every event."""
    events: list[DecodeEvent] = []
    arrival_ns = 0
    for piece in pieces:
        arrival_ns += 1
        decoder.feed(piece, arrival_ns)
        events += drain(decoder)
    if close:
        decoder.close(arrival_ns + 1)
        events += drain(decoder)
    return events


def cut(data: bytes, places: Iterable[int]) -> list[bytes]:
    """``data`` cut at ``places`` (any integers, taken modulo its length)."""
    at = sorted({place % len(data) for place in places} | {0, len(data)})
    return [data[a:b] for a, b in pairwise(at)]
