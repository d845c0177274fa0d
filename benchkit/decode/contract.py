"""What every decoder does: bytes in, events out, and nothing else.

A decoder owns no file, port or clock. The caller feeds bytes as they come, in pieces of any size, with the host's
monotonic time of their arrival, and takes events until there is none:

>>> from benchkit.decode.text import TextDecoder
>>> from benchkit.model.sources import TextFormat
>>> decoder = TextDecoder(TextFormat(columns=("udc", "idc")))
>>> decoder.feed(b"400.0,12.5\\n398.7,", arrival_ns=1_000)
>>> decoder.next_event().values.tolist()
[[400.0, 12.5]]
>>> decoder.next_event() is None
True
"""

from __future__ import annotations

from typing import Protocol

from benchkit.model.samples import DecodeEvent


class Decoder(Protocol):
    """Bytes of one link, from its opening to its end.

    Rules that every decoder keeps (``tests/decode/contract.py`` tries them on each):

    - The same bytes give the same events however they are cut into pieces. Neighbouring ``Rows`` may be joined or
      split; nothing else differs.
    - Memory is bounded: what is kept between two calls never exceeds the longest frame the format allows.
    - A frame that cannot be trusted becomes a ``BadFrame``, never a sample, and the next good frame is found again.
    - ``arrival_ns`` of an event is that of the piece which completed it.
    """

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the columns of ``Rows.values``: without counter and device time."""
        ...

    def feed(self, data: bytes, arrival_ns: int) -> None:
        """Take bytes. Bad content never raises: it becomes an event.

        Raises:
            UsageError: the decoder was closed.
        """
        ...

    def close(self, arrival_ns: int) -> None:
        """The link has ended: an unfinished rest becomes a ``BadFrame``. Events may still be taken."""
        ...

    def next_event(self) -> DecodeEvent | None:
        """The next event, or None when more bytes are needed."""
        ...
